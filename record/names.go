package record

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Format is the value of the field "format" of every line that this package writes and reads.
const Format = "meterwright/record/1"

// Bounds of the format. A line, a chain or a set of chains beyond them is refused, so that
// reading a hostile file costs a known amount of memory.
const (
	// MaxLine is the greatest length of one line in bytes, without its LF. The longest line
	// carries the method that a visit follows.
	MaxLine = 256 << 10
	// maxDepth is the greatest depth of nesting; the line's own object counts as one.
	maxDepth = 32
	// MaxLines is the greatest number of lines in one chain.
	MaxLines = 1 << 16
	// MaxChains is the greatest number of chains taken in one verification.
	MaxChains = 32
	// maxInteger is the greatest magnitude of a number, 2^53-1: every JSON reader
	// holds such an integer exactly (RFC 7493 section 2.2).
	maxInteger = 1<<53 - 1
)

// Nature says whether a record is of real work or of practice. It stands in every line and
// is the same in all lines of a visit.
type Nature string

// The two natures of a record.
const (
	Real     Nature = "real"
	Practice Nature = "practice"
)

// The kinds that the record itself understands. All others are only carried.
const (
	// KindOpened is the first line of a visit's first chain.
	KindOpened = "opened"
	// KindTakenOver names another device's chain and the head at which this device takes
	// the visit over. It is the first line of every later chain, and it may stand further
	// down when a device takes a visit back.
	KindTakenOver = "taken-over"
	// KindEnded is the last line of the visit.
	KindEnded = "ended"
	// KindSupplement is a note added after the end.
	KindSupplement = "supplement"
)

// A Hash is a SHA-256 value. Its text form is 64 lower-case hexadecimal digits.
type Hash [32]byte

// String returns the 64 lower-case hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ParseHash reads 64 lower-case hexadecimal digits.
func ParseHash(s string) (Hash, error) {
	var h Hash
	if err := parseHex(h[:], s); err != nil {
		return Hash{}, fmt.Errorf("hash %w", err)
	}
	return h, nil
}

// A Key is a device's Ed25519 public key. Its text form is 64 lower-case hexadecimal digits.
type Key [ed25519.PublicKeySize]byte

// String returns the 64 lower-case hexadecimal digits.
func (k Key) String() string { return hex.EncodeToString(k[:]) }

// ParseKey reads 64 lower-case hexadecimal digits and refuses what [Key.Check] refuses.
func ParseKey(s string) (Key, error) {
	var k Key
	if err := parseHex(k[:], s); err != nil {
		return Key{}, fmt.Errorf("device key %w", err)
	}
	if err := k.Check(); err != nil {
		return Key{}, err
	}
	return k, nil
}

// KeyOf returns the key of an Ed25519 public key as the standard library holds it.
func KeyOf(public ed25519.PublicKey) (Key, error) {
	var k Key
	if len(public) != len(k) {
		return Key{}, fmt.Errorf("device key has %d bytes, not %d", len(public), len(k))
	}
	copy(k[:], public)
	return k, k.Check()
}

// Check refuses two sorts of key that crypto/ed25519 lets pass, because one signature under
// them can fit several messages or one key can be written in two ways: encodings whose y
// coordinate is not below 2^255-19 (RFC 8032 section 5.1.3 step 1) and the points whose
// order divides 8.
func (k Key) Check() error {
	const high = 31
	full := k[high]&0x7f == 0x7f && k[0] >= 0xed
	for _, b := range k[1:high] {
		full = full && b == 0xff
	}
	if full {
		return fmt.Errorf("device key %s is not in its shortest encoding", k)
	}
	unsigned := k
	unsigned[high] &= 0x7f
	if text := unsigned.String(); slices.Contains(smallOrder[:], text) {
		return fmt.Errorf("device key %s is a point of small order, which proves nothing", k)
	}
	return nil
}

// smallOrder lists the y coordinates of the eight points of edwards25519 whose order divides
// 8: 0, 1, -1 and the two of order 8. A test derives the list from the curve equation.
var smallOrder = [...]string{
	"0000000000000000000000000000000000000000000000000000000000000000",
	"0100000000000000000000000000000000000000000000000000000000000000",
	"ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
	"26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
	"c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
}

// parseHex fills dst from exactly as many lower-case hexadecimal digits.
func parseHex(dst []byte, s string) error {
	if len(s) != 2*len(dst) || strings.Trim(s, "0123456789abcdef") != "" {
		return fmt.Errorf("%.140q is not %d lower-case hexadecimal digits", s, 2*len(dst))
	}
	_, err := hex.Decode(dst, []byte(s))
	return err
}

// form is the form of a text of a line, of at most 64 letters, and how a person is told of it.
type form struct {
	*regexp.Regexp
	is string
}

// The forms of the texts of a line.
var (
	// visitForm is the lower-case text form of a UUID version 7 (RFC 9562 sections 4 and 5.7).
	visitForm = form{regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`), "a UUID version 7 in lower case"}
	kindForm  = form{regexp.MustCompile(`^[a-z0-9]+([-.][a-z0-9]+)*$`), "a kind: use up to 64 lower-case letters and digits, joined by hyphens or full stops"}
	idForm    = form{regexp.MustCompile(`^[A-Za-z0-9._:-]{1,64}$`), "an identifier: use 1 to 64 letters, digits and . _ : -"}
)

func (f form) check(s string) error {
	if len(s) > 64 || !f.MatchString(s) {
		return fmt.Errorf("%.80q is not %s", s, f.is)
	}
	return nil
}

// sum is the SHA-256 of b.
func sum(b []byte) Hash { return sha256.Sum256(b) }
