package record

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"
	"unicode/utf8"
)

// An Event is one line of a record, decoded. The meaning of Body belongs to the reader.
type Event struct {
	Visit  string         // UUID version 7 of the visit
	Nature Nature         // real or practice
	Seq    int64          // place in its chain, from 0
	Wall   time.Time      // the device's clock, to the millisecond, with its offset
	Mono   int64          // milliseconds of the device's monotonic clock since Boot began
	Boot   string         // names the run of the device within which Mono counts
	Person string         // identifier of the person, never a name
	Key    Key            // the device's public key
	Kind   string         // what happened
	Body   jsontext.Value // a JSON object in RFC 8785 form
	Prev   Hash           // hash of the line before, zero in the first line
	Sig    [ed25519.SignatureSize]byte

	// Hash is the SHA-256 of the whole line without its LF.
	Hash Hash
	// signed is the SHA-256 of the line without its field "sig".
	signed Hash
}

// CheckSignature reports whether the signature fits the line and the key that it names, as
// a Fault with What BadSignature. See the package comment on how strictly.
func (e Event) CheckSignature() error {
	if !ed25519.Verify(e.Key[:], signedMessage(e.signed), e.Sig[:]) {
		return &Fault{What: BadSignature, Field: "sig", Want: "a signature by " + e.Key.String() + " over " + e.signed.String(), Got: hex.EncodeToString(e.Sig[:])}
	}
	return nil
}

// wallLayout has exactly three decimals and a numeric offset; UTC is written +00:00.
const wallLayout = "2006-01-02T15:04:05.000-07:00"

// The fields in RFC 8785 order, which for these names is alphabetical.
const (
	fBody = iota
	fBoot
	fFormat
	fKey
	fKind
	fMono
	fNature
	fPerson
	fPrev
	fSeq
	fSig
	fVisit
	fWall
	fieldCount
)

var fieldNames = [fieldCount]string{
	"body", "boot", "format", "key", "kind", "mono", "nature", "person", "prev", "seq", "sig", "visit", "wall",
}

// Decode reads one line, without its LF, as strictly as the package comment says, and
// returns the event. It does not look at the signature (see [Event.CheckSignature]) nor at
// the line's place in its chain (see [Chain.Accept]). The error is a *Fault. The event keeps
// no reference to line.
func Decode(line []byte) (Event, error) {
	line = bytes.Clone(line)
	fields, err := split(line)
	if err != nil {
		return Event{}, err
	}
	e := Event{Body: jsontext.Value(fields[fBody])}
	for i, raw := range fields {
		if err := e.set(i, raw); err != nil {
			return Event{}, &Fault{What: BadValue, Field: fieldNames[i], Err: err}
		}
	}
	if e.Seq == 0 && e.Prev != (Hash{}) {
		return Event{}, &Fault{What: BadPrevious, Field: "prev", Want: Hash{}.String(), Got: e.Prev.String()}
	}
	e.Hash = sha256.Sum256(line)
	e.signed = unsignedHash(line)
	return e, nil
}

// unsignedHash hashes the line without its signature. The field "sig" is never the first,
// so the comma before it goes too; its text cannot stand inside a value, where the quotation
// marks would be escaped, but it can be a name within the body: hence the last one counts.
func unsignedHash(line []byte) Hash {
	const name = `,"sig":`
	const length = len(name) + 2 + 2*ed25519.SignatureSize
	from := bytes.LastIndex(line, []byte(name))
	h := sha256.New()
	h.Write(line[:from])
	h.Write(line[from+length:])
	return Hash(h.Sum(nil))
}

// split checks everything about a line that does not depend on what the fields mean, and
// returns the raw value of each field.
func split(line []byte) ([fieldCount][]byte, error) {
	var fields [fieldCount][]byte
	if len(line) > MaxLine {
		return fields, &Fault{What: LineTooLong, Want: fmt.Sprintf("at most %d bytes", MaxLine), Got: strconv.Itoa(len(line))}
	}
	if !utf8.Valid(line) {
		return fields, &Fault{What: NotUTF8}
	}
	if err := scan(line, func(name string, value []byte) error {
		for i, known := range fieldNames {
			if name == known {
				fields[i] = value
				return nil
			}
		}
		return &Fault{What: FieldUnknown, Field: name}
	}); err != nil {
		return fields, err
	}
	for i, raw := range fields {
		if raw == nil {
			return fields, &Fault{What: FieldMissing, Field: fieldNames[i]}
		}
	}
	form, err := canonical(line)
	if err != nil {
		return fields, &Fault{What: NotJSON, Err: err}
	}
	if !bytes.Equal(form, line) {
		return fields, differs(form, line)
	}
	return fields, nil
}

// differs says where a line departs from its canonical form.
func differs(want, got []byte) *Fault {
	at := 0
	for at < len(want) && at < len(got) && want[at] == got[at] {
		at++
	}
	excerpt := func(b []byte) string { return fmt.Sprintf("%.24q", b[min(at, len(b)):]) }
	return &Fault{What: NotCanonical, Want: excerpt(want), Got: excerpt(got), Err: fmt.Errorf("from byte %d of the line", at+1)}
}

// set fills one field of the event from its raw JSON value.
func (e *Event) set(field int, raw []byte) (err error) {
	switch field {
	case fBody:
		if raw[0] != '{' {
			return errors.New("the body must be an object")
		}
		return nil
	case fMono:
		e.Mono, err = natural(raw)
		return err
	case fSeq:
		e.Seq, err = natural(raw)
		return err
	}
	if raw[0] != '"' {
		return fmt.Errorf("%.80q must be a string", raw)
	}
	// None of these values may hold a character that JSON escapes, so the raw text is the
	// value, and a backslash is refused by each check.
	s := string(raw[1 : len(raw)-1])
	switch field {
	case fBoot:
		e.Boot = s
		return idForm.check(s)
	case fFormat:
		if s != Format {
			return fmt.Errorf("%.80q is not %q", s, Format)
		}
	case fKey:
		e.Key, err = ParseKey(s)
	case fKind:
		e.Kind = s
		return kindForm.check(s)
	case fNature:
		e.Nature = Nature(s)
		return e.Nature.check()
	case fPerson:
		e.Person = s
		return idForm.check(s)
	case fPrev:
		e.Prev, err = ParseHash(s)
	case fSig:
		err = parseHex(e.Sig[:], s)
	case fVisit:
		e.Visit = s
		return visitForm.check(s)
	case fWall:
		e.Wall, err = parseWall(s)
	}
	return err
}

func (n Nature) check() error {
	if n != Real && n != Practice {
		return fmt.Errorf("%.80q is neither %q nor %q", string(n), Real, Practice)
	}
	return nil
}

// natural reads an integer from 0 to maxInteger; scan has looked at its form already.
func natural(raw []byte) (int64, error) {
	n, err := strconv.ParseInt(string(raw), 10, 64)
	if err != nil || n < 0 || n > maxInteger {
		return 0, fmt.Errorf("%.80q must be an integer from 0 to %d", raw, int64(maxInteger))
	}
	return n, nil
}

func parseWall(s string) (time.Time, error) {
	// In UTC rather than the reader's own zone: the result must not depend on the machine.
	t, err := time.ParseInLocation(wallLayout, s, time.UTC)
	if err == nil && !validOffset(t) || err == nil && t.Format(wallLayout) != s {
		err = errors.New("not in the one agreed form")
	}
	if err != nil {
		return time.Time{}, fmt.Errorf("%.80q is not a time like %q: %w", s, wallLayout, err)
	}
	return t, nil
}

// validOffset refuses what RFC 3339 cannot write: 24 hours and more, or parts of a minute.
func validOffset(t time.Time) bool {
	_, offset := t.Zone()
	return offset%60 == 0 && offset > -24*3600 && offset < 24*3600
}

// canonical returns the RFC 8785 form of a JSON value in new memory. It refuses invalid
// UTF-8 and names that occur twice in one object.
func canonical(value []byte) ([]byte, error) {
	v := jsontext.Value(bytes.Clone(value))
	if err := v.Canonicalize(); err != nil {
		return nil, err
	}
	return v, nil
}

// scan walks through one JSON object and gives each of its members, with the raw value, to
// each. It refuses nesting below maxDepth and every number that is not an integer within
// maxInteger written in plain digits. Its errors are Faults.
func scan(object []byte, each func(name string, value []byte) error) error {
	d := jsontext.NewDecoder(bytes.NewBuffer(object))
	if d.PeekKind() != '{' {
		if _, err := d.ReadToken(); err != nil {
			return syntaxFault(err)
		}
		return &Fault{What: NotJSON, Want: "an object", Got: fmt.Sprintf("%.24q", object)}
	}
	var name string
	var from int64
	for {
		tok, err := d.ReadToken()
		if err == io.EOF && d.StackDepth() == 0 {
			return nil
		}
		if err != nil {
			return syntaxFault(err)
		}
		depth := d.StackDepth()
		if depth > maxDepth {
			return &Fault{What: TooDeep, Want: fmt.Sprintf("at most %d levels", maxDepth)}
		}
		if tok.Kind() == '0' {
			if err := checkNumber(tok.String()); err != nil {
				return err
			}
		}
		if depth != 1 {
			continue
		}
		_, members := d.StackIndex(1)
		switch {
		case members%2 == 1: // a name was read
			name, from = tok.String(), d.InputOffset()
		case members > 0: // a whole value was read
			value := bytes.TrimLeft(object[from:d.InputOffset()], ": \t\r\n")
			if err := each(name, value); err != nil {
				return err
			}
		}
	}
}

func syntaxFault(err error) *Fault {
	if errors.Is(err, jsontext.ErrDuplicateName) {
		return &Fault{What: FieldTwice, Err: err}
	}
	return &Fault{What: NotJSON, Err: err}
}

func checkNumber(s string) error {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n > maxInteger || n < -maxInteger || strconv.FormatInt(n, 10) != s {
		return &Fault{What: BadNumber, Want: "an integer within ±9007199254740991 (values that people enter are strings)", Got: fmt.Sprintf("%.40s", s)}
	}
	return nil
}
