package record

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	"errors"
	"flag"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/gowebpki/jcs"
)

var update = flag.Bool("update", false, "write testdata/vectors and the example in doc.go anew")

// soak reports whether full counts are asked for.
func soak() bool { return os.Getenv("MW_SOAK") == "1" }

const (
	testVisit  = "019ab3f0-5c00-7a10-8b20-0123456789ab"
	otherVisit = "019ab3f0-5c00-7a10-8b20-0123456789ac"
)

// testKey is a fixed key: its seed is the SHA-256 of its name.
func testKey(name string) PrivateKey {
	seed := sha256.Sum256([]byte("meterwright record test key " + name))
	return PrivateKey(ed25519.NewKeyFromSeed(seed[:]))
}

func keyOf(t testing.TB, p PrivateKey) Key {
	t.Helper()
	k, err := KeyOf(p.Public())
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// testStart is the wall clock of the first line of test records; fictional.
var testStart = time.Date(2026, 3, 2, 9, 15, 0, 123e6, time.FixedZone("", 3600))

// device is one device that writes a chain in a test.
type device struct {
	t     testing.TB
	signs PrivateKey
	chain Chain
	lines [][]byte
	event Event
}

func newDevice(t testing.TB, visit, key string) *device {
	t.Helper()
	c, err := NewChain(visit, Real, keyOf(t, testKey(key)))
	if err != nil {
		t.Fatal(err)
	}
	return &device{t: t, signs: testKey(key), chain: c}
}

// draft is the event that a test device would write next, on clocks that agree.
func (d *device) draft(kind, body string) Draft {
	ms := 1500 * d.chain.Next
	return Draft{Kind: kind, Person: "person-7", Boot: "boot-1", Body: jsontext.Value(body), Mono: 4000 + ms, Wall: testStart.Add(time.Duration(ms) * time.Millisecond)}
}

func (d *device) add(kind, body string) *device {
	d.t.Helper()
	return d.write(d.draft(kind, body))
}

func (d *device) write(draft Draft) *device {
	d.t.Helper()
	next, line, e, err := d.chain.Append(context.Background(), d.signs, draft)
	if err != nil {
		d.t.Fatal(err)
	}
	d.chain, d.event = next, e
	d.lines = append(d.lines, line)
	return d
}

// fill adds events until the chain has n lines.
func (d *device) fill(n int) *device {
	d.t.Helper()
	for int(d.chain.Next) < n {
		d.add("observed", fmt.Sprintf(`{"at":"meter.l-in","reading":{"unit":"V","value":"%d.%d"}}`, 230+d.chain.Next%5, d.chain.Next%10))
	}
	return d
}

// takes adds a hand-over from another device at its present head.
func (d *device) takes(other *device) *device {
	d.t.Helper()
	return d.add(KindTakenOver, handOverBody(other.chain.Key, other.chain.Head))
}

func handOverBody(k Key, h Hash) string { return fmt.Sprintf(`{"chain":"%s","head":"%s"}`, k, h) }

func (d *device) file() []byte { return file(d.lines...) }

func file(lines ...[]byte) []byte {
	if len(lines) == 0 {
		return nil
	}
	return append(bytes.Join(lines, []byte("\n")), '\n')
}

// tenLines is a visit of ten lines that has ended.
func tenLines(t testing.TB) *device {
	t.Helper()
	return newDevice(t, testVisit, "one").add(KindOpened, `{"job":"J-1"}`).fill(9).add(KindEnded, `{"outcome":"done"}`)
}

// forge writes a line as somebody would who keeps no rule but can sign: members is JSON
// text without "sig", brought into canonical form by a library of others.
func forge(t testing.TB, p PrivateKey, members string) []byte {
	t.Helper()
	form, err := jcs.Transform([]byte(members))
	if err != nil {
		t.Fatal(err)
	}
	return seal(t, p, form)
}

// seal signs a line without "sig" as it is and puts the signature in.
func seal(t testing.TB, p PrivateKey, line []byte) []byte {
	t.Helper()
	digest := sha256.Sum256(line)
	sig := ed25519.Sign(ed25519.PrivateKey(p), append([]byte("meterwright/event/1\n"), digest[:]...))
	at := bytes.LastIndex(line, []byte(`,"visit":`))
	if at < 0 {
		at = len(line) - 1
	}
	out := append(bytes.Clone(line[:at]), `,"sig":"`+hex.EncodeToString(sig)+`"`...)
	return append(out, line[at:]...)
}

// unsealed is the line without its field "sig".
func unsealed(line []byte) []byte {
	at := bytes.LastIndex(line, []byte(`,"sig":"`))
	return append(bytes.Clone(line[:at]), line[at+len(`,"sig":""`)+128:]...)
}

// reseal replaces text in the unsigned part of a line and signs it again.
func reseal(t testing.TB, p PrivateKey, line []byte, old, new string) []byte {
	t.Helper()
	bare := unsealed(line)
	if !bytes.Contains(bare, []byte(old)) {
		t.Fatalf("%s does not contain %s", bare, old)
	}
	return seal(t, p, bytes.Replace(bare, []byte(old), []byte(new), 1))
}

func faultOf(t testing.TB, err error) *Fault {
	t.Helper()
	f, ok := errors.AsType[*Fault](err)
	if !ok {
		t.Fatalf("error %v is no *Fault", err)
	}
	return f
}

func hasNote(r Report, kind NoteKind) bool {
	for _, n := range r.Notes {
		if n.Kind == kind {
			return true
		}
	}
	return false
}

// reencode writes an event from its decoded fields alone.
func reencode(e Event) []byte {
	c := Chain{Visit: e.Visit, Nature: e.Nature, Key: e.Key, Next: e.Seq, Head: e.Prev}
	return c.encode(Draft{Kind: e.Kind, Person: e.Person, Wall: e.Wall, Mono: e.Mono, Boot: e.Boot}, e.Body, e.Sig[:])
}
