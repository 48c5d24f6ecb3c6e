package record

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"
)

// A Chain is the state of one device's chain of a visit: all that is needed to append the
// next line or to accept one. It is a plain comparable value and never changes; appending
// and accepting return the next state, which becomes the caller's when the line is stored.
// The zero Chain accepts the first line of any chain.
type Chain struct {
	Visit  string // UUID version 7; empty only in the zero Chain
	Nature Nature
	Key    Key
	Next   int64 // sequence number of the next line, which is also the number of lines
	Head   Hash  // hash of the last line; zero while there is none
	Ended  bool  // only supplements may follow
}

// A Draft is what a caller says about an event before it is placed and signed.
type Draft struct {
	Kind   string
	Person string         // identifier, never a name
	Body   jsontext.Value // a JSON object in any spacing and order; empty means {}
	Wall   time.Time      // the device's clock; cut to milliseconds
	Mono   int64          // milliseconds of the monotonic clock since Boot began
	Boot   string
}

// HandOver is the part of the body of "taken-over" that the record itself reads; the body
// may hold more. A "supplement" that begins a chain carries it too.
type HandOver struct {
	Chain Key  // the other device's key
	Head  Hash // the hash of that chain's last line as known to the device that takes over
}

// NewChain returns the empty chain of a device in a visit.
func NewChain(visit string, nature Nature, key Key) (Chain, error) {
	err := errors.Join(visitForm.check(visit), nature.check(), key.Check())
	if err != nil {
		return Chain{}, fmt.Errorf("new chain: %w", err)
	}
	return Chain{Visit: visit, Nature: nature, Key: key}, nil
}

// Signed is a line that this program made itself, with its event. Its form, place and signature
// are right, so that whoever keeps it need not look again: only [Chain.Sign] makes one.
type Signed struct {
	before Chain
	line   []byte
	event  Event
}

// Before returns the state of the chain that the line follows.
func (s Signed) Before() Chain { return s.before }

// Line returns the line without its LF. The caller must not change it.
func (s Signed) Line() []byte { return s.line }

// Event returns the event.
func (s Signed) Event() Event { return s.event }

// Append is Sign for callers who keep lines and events themselves: it returns the next state, the
// line without its LF, and the event.
func (c Chain) Append(ctx context.Context, signer Signer, d Draft) (Chain, []byte, Event, error) {
	next, s, err := c.Sign(ctx, signer, d)
	return next, s.line, s.event, err
}

// Sign places the draft at the end of the chain, has it signed, and returns the next state and
// the line. Store the line and its LF, and only then use the next state: until then the old
// one stays right. Errors are Faults where the draft breaks a rule of the format, and wrapped
// errors of the signer.
func (c Chain) Sign(ctx context.Context, signer Signer, d Draft) (Chain, Signed, error) {
	fail := func(err error) (Chain, Signed, error) {
		return c, Signed{}, fmt.Errorf("append %q as line %d of the chain: %w", d.Kind, c.Next+1, err)
	}
	key, err := KeyOf(signer.Public())
	if err != nil {
		return fail(err)
	}
	if key != c.Key {
		return fail(&Fault{What: OtherKey, Field: "key", Want: c.Key.String(), Got: key.String()})
	}
	body, err := canonicalBody(d.Body)
	if err != nil {
		return fail(err)
	}
	if !validOffset(d.Wall) {
		return fail(&Fault{What: BadValue, Field: "wall", Got: d.Wall.String(), Err: errors.New("the offset must be whole minutes under 24 hours")})
	}
	line := c.encode(d, body, nil)
	// The form is checked before anything is signed, and with a signature of the right
	// length in place, so that the length is checked too.
	trial := c.encode(d, body, make([]byte, 64))
	e, err := Decode(trial)
	if err == nil {
		_, err = c.place(e)
	}
	if err != nil {
		return fail(err)
	}
	e.signed = sum(line)
	sig, err := signer.Sign(ctx, signedMessage(e.signed))
	if err != nil {
		return fail(fmt.Errorf("sign: %w", err))
	}
	if line = c.encode(d, body, sig); len(line) != len(trial) {
		return fail(fmt.Errorf("sign: the signature has %d bytes, not 64", len(sig)))
	}
	// The trial was read; the line differs from it in nothing but its signature.
	copy(e.Sig[:], sig)
	e.Hash = sum(line)
	next, err := c.follow(e)
	if err != nil {
		return fail(err)
	}
	return next, Signed{before: c, line: line, event: e}, nil
}

// Accept checks that line, without its LF, is the genuine next line of the chain: form,
// place and signature. It returns the next state and the event, or a *Fault.
func (c Chain) Accept(line []byte) (Chain, Event, error) {
	e, err := Decode(line)
	if err != nil {
		return c, Event{}, err
	}
	next, err := c.follow(e)
	return next, e, err
}

// follow checks place and signature of a decoded line.
func (c Chain) follow(e Event) (Chain, error) {
	next, err := c.place(e)
	if err != nil {
		return c, err
	}
	if err := e.CheckSignature(); err != nil {
		return c, err
	}
	return next, nil
}

// place checks that the event may stand next in the chain and returns the state after it.
func (c Chain) place(e Event) (Chain, error) {
	if c.Visit == "" {
		c = Chain{Visit: e.Visit, Nature: e.Nature, Key: e.Key}
	}
	seq := strconv.FormatInt(e.Seq, 10)
	switch {
	case e.Visit != c.Visit:
		return c, &Fault{What: OtherVisit, Field: "visit", Want: c.Visit, Got: e.Visit}
	case e.Nature != c.Nature:
		return c, &Fault{What: OtherNature, Field: "nature", Want: string(c.Nature), Got: string(e.Nature)}
	case e.Key != c.Key:
		return c, &Fault{What: OtherKey, Field: "key", Want: c.Key.String(), Got: e.Key.String()}
	case c.Next > 0 && e.Hash == c.Head:
		return c, &Fault{What: LineTwice, Field: "seq", Want: strconv.FormatInt(c.Next, 10), Got: seq}
	case e.Seq != c.Next:
		return c, &Fault{What: BadSequence, Field: "seq", Want: strconv.FormatInt(c.Next, 10), Got: seq}
	case c.Next >= MaxLines:
		return c, &Fault{What: TooMany, Field: "seq", Want: fmt.Sprintf("below %d", MaxLines), Got: seq}
	case e.Prev != c.Head:
		return c, &Fault{What: BadPrevious, Field: "prev", Want: c.Head.String(), Got: e.Prev.String()}
	}
	if err := c.allows(e); err != nil {
		return c, err
	}
	c.Next++
	c.Head = e.Hash
	c.Ended = c.Ended || e.Kind == KindEnded || e.Kind == KindSupplement
	return c, nil
}

// allows applies the rules on the order of the reserved kinds.
func (c Chain) allows(e Event) error {
	first := c.Next == 0
	fault := func(w What, want string) error {
		return &Fault{What: w, Field: "kind", Want: want, Got: strconv.Quote(e.Kind)}
	}
	switch {
	case first && e.Kind != KindOpened && e.Kind != KindTakenOver && e.Kind != KindSupplement:
		return fault(BadBeginning, "")
	case !first && e.Kind == KindOpened:
		return fault(OpenedAgain, "")
	case c.Ended && e.Kind != KindSupplement:
		return fault(AfterEnd, strconv.Quote(KindSupplement))
	case !first && !c.Ended && e.Kind == KindSupplement:
		return fault(SupplementSoon, strconv.Quote(KindEnded)+" first")
	}
	if e.Kind == KindTakenOver || first && e.Kind == KindSupplement {
		if _, err := e.HandOver(); err != nil {
			return err
		}
	}
	return nil
}

// HandOver reads the other chain that a "taken-over", or a "supplement" that begins a chain,
// names in its body as "chain" (device key) and "head" (hash). The error is a *Fault.
func (e Event) HandOver() (HandOver, error) {
	var h HandOver
	var chain, head bool
	err := scan(e.Body, func(name string, value []byte) (err error) {
		switch name {
		case "chain":
			chain = true
			h.Chain, err = ParseKey(string(bytes.Trim(value, `"`)))
		case "head":
			head = true
			h.Head, err = ParseHash(string(bytes.Trim(value, `"`)))
		}
		return err
	})
	switch {
	case err != nil:
	case !chain:
		err = errors.New(`the body lacks "chain"`)
	case !head:
		err = errors.New(`the body lacks "head"`)
	case h.Chain == e.Key:
		err = errors.New("a chain cannot take itself over")
	}
	if err != nil {
		return HandOver{}, &Fault{What: BadHandOver, Field: "body", Err: err}
	}
	return h, nil
}

// canonicalBody returns the RFC 8785 form of a draft's body.
func canonicalBody(body jsontext.Value) ([]byte, error) {
	if len(bytes.TrimSpace(body)) == 0 {
		return []byte("{}"), nil
	}
	if len(body) > MaxLine {
		return nil, &Fault{What: LineTooLong, Field: "body", Want: fmt.Sprintf("at most %d bytes for the whole line", MaxLine), Got: strconv.Itoa(len(body))}
	}
	// Numbers are looked at before the canonical form is made, which would round them.
	if err := scan(body, func(string, []byte) error { return nil }); err != nil {
		return nil, err
	}
	form, err := canonical(body)
	if err != nil {
		return nil, &Fault{What: NotJSON, Field: "body", Err: err}
	}
	return form, nil
}

// encode writes the line with the given signature, or without the field if there is none.
// The values need no escaping: Decode, which Append runs on the result, refuses every
// value that would.
func (c Chain) encode(d Draft, body, sig []byte) []byte {
	var b bytes.Buffer
	text := func(field int, value string) {
		fmt.Fprintf(&b, `,"%s":"%s"`, fieldNames[field], value)
	}
	number := func(field int, value int64) {
		fmt.Fprintf(&b, `,"%s":%d`, fieldNames[field], value)
	}
	fmt.Fprintf(&b, `{"body":%s`, body)
	text(fBoot, d.Boot)
	text(fFormat, Format)
	text(fKey, c.Key.String())
	text(fKind, d.Kind)
	number(fMono, d.Mono)
	text(fNature, string(c.Nature))
	text(fPerson, d.Person)
	text(fPrev, c.Head.String())
	number(fSeq, c.Next)
	if sig != nil {
		text(fSig, hex.EncodeToString(sig))
	}
	text(fVisit, c.Visit)
	text(fWall, d.Wall.Format(wallLayout))
	b.WriteByte('}')
	return b.Bytes()
}

// lineReader gives whole lines of bounded length without their LF.
type lineReader struct{ r *bufio.Reader }

func newLineReader(r io.Reader) lineReader {
	return lineReader{bufio.NewReaderSize(r, MaxLine+1)}
}

// next returns a line that is valid until the following call; nil and no fault at the end.
// With a fault LineCut it returns what there is of the line.
func (l lineReader) next() ([]byte, *Fault) {
	line, err := l.r.ReadSlice('\n')
	switch {
	case err == nil:
		return line[:len(line)-1], nil
	case errors.Is(err, bufio.ErrBufferFull):
		return line, &Fault{What: LineTooLong, Want: fmt.Sprintf("at most %d bytes", MaxLine)}
	case err != io.EOF:
		return nil, &Fault{What: NotReadable, Err: err}
	case len(line) > 0:
		return line, &Fault{What: LineCut}
	}
	return nil, nil
}

// signaturePrefix stands before the digest in the signed message, so that a signature over
// an event can never pass for a signature over anything else.
const signaturePrefix = "meterwright/event/1\n"

// A Signer holds a device's private key. Keys in a browser answer asynchronously, which is
// why signing takes a context and may fail.
type Signer interface {
	// Public returns the device's public key.
	Public() ed25519.PublicKey
	// Sign returns the 64-byte Ed25519 signature (RFC 8032, pure Ed25519 without context)
	// over exactly the given message. The message is complete, the prefix included: a
	// signer adds nothing and hashes nothing beforehand. It must not keep the slice.
	Sign(ctx context.Context, message []byte) ([]byte, error)
}

// PrivateKey is a Signer whose key is in memory.
type PrivateKey ed25519.PrivateKey

// Public returns the public half.
func (p PrivateKey) Public() ed25519.PublicKey {
	if len(p) != ed25519.PrivateKeySize {
		return nil
	}
	return ed25519.PrivateKey(p).Public().(ed25519.PublicKey)
}

// Sign signs the message. It fails on a key of the wrong length and once ctx is done.
func (p PrivateKey) Sign(ctx context.Context, message []byte) ([]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(p) != ed25519.PrivateKeySize {
		return nil, fmt.Errorf("private key has %d bytes, not %d", len(p), ed25519.PrivateKeySize)
	}
	return ed25519.Sign(ed25519.PrivateKey(p), message), nil
}

// signedMessage returns what a signature covers: the prefix, then the 32 raw bytes of the
// SHA-256 of the line without its field "sig".
func signedMessage(digest Hash) []byte {
	return append([]byte(signaturePrefix), digest[:]...)
}
