package record

import (
	"bytes"
	"context"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestAppendAcceptResume: whatever is appended is accepted, decodes to what was said, and
// encodes again to the same bytes; the chain read again is the chain as it was.
func TestAppendAcceptResume(t *testing.T) {
	identifier := rapid.StringMatching(`[A-Za-z0-9._:-]{1,64}`)
	kind := rapid.StringMatching(`[a-z0-9]{1,8}([.-][a-z0-9]{1,8}){0,3}`).Filter(func(s string) bool {
		return s != KindOpened && s != KindTakenOver && s != KindSupplement && s != KindEnded
	})
	rapid.Check(t, func(rt *rapid.T) {
		p := testKey("one")
		c, err := NewChain(testVisit, rapid.SampledFrom([]Nature{Real, Practice}).Draw(rt, "nature"), keyOf(t, p))
		if err != nil {
			rt.Fatal(err)
		}
		var lines [][]byte
		var events []Event
		for i := range rapid.IntRange(1, 5).Draw(rt, "lines") {
			d := Draft{
				Kind:   kind.Draw(rt, "kind"),
				Person: identifier.Draw(rt, "person"),
				Boot:   identifier.Draw(rt, "boot"),
				Mono:   rapid.Int64Range(0, maxInteger).Draw(rt, "mono"),
				Body:   drawObject(rt, 2),
				Wall: time.UnixMilli(rapid.Int64Range(-62135596800000+86400000, 253402300799999-86400000).Draw(rt, "wall")).
					In(time.FixedZone("", 60*rapid.IntRange(-23*60-59, 23*60+59).Draw(rt, "offset"))),
			}
			if i == 0 {
				d.Kind = KindOpened
			}
			next, line, e, err := c.Append(context.Background(), p, d)
			if err != nil {
				rt.Fatal(err)
			}
			body, err := canonical(d.Body)
			if err != nil {
				rt.Fatal(err)
			}
			if e.Kind != d.Kind || e.Person != d.Person || e.Boot != d.Boot || e.Mono != d.Mono || !e.Wall.Equal(d.Wall) || !bytes.Equal(e.Body, body) || e.Seq != c.Next || e.Prev != c.Head || e.Hash != next.Head {
				rt.Fatalf("draft %+v became %+v", d, e)
			}
			if again := reencode(e); !bytes.Equal(again, line) {
				rt.Fatalf("encodes again as\n%s, was\n%s", again, line)
			}
			accepted, f, err := c.Accept(line)
			if err != nil || accepted != next {
				rt.Fatalf("%+v, want %+v: %v", accepted, next, err)
			}
			if !reflect.DeepEqual(e, f) {
				rt.Fatalf("appended %+v, accepted %+v", e, f)
			}
			c, lines, events = next, append(lines, line), append(events, e)
		}
		i := 0
		resumed, whole, err := Resume(bytes.NewReader(file(lines...)), func(e Event) error {
			if e.Hash != events[i].Hash {
				rt.Fatalf("event %d differs", i)
			}
			i++
			return nil
		})
		if err != nil || resumed != c || i != len(lines) || int(whole) != len(file(lines...)) {
			rt.Fatalf("resumed %+v after %d bytes, want %+v: %v", resumed, whole, c, err)
		}
	})
}

// TestAppendRefuses: a draft that breaks a rule is refused before anything is signed, and
// the chain stays as it was.
func TestAppendRefuses(t *testing.T) {
	good := newDevice(t, testVisit, "one").draft("observed", "{}")
	deep := func(n int) string { return strings.Repeat(`{"a":`, n) + "1" + strings.Repeat("}", n) }
	cases := []struct {
		name   string
		change func(*Draft)
		what   What
	}{
		{"kind with capitals", func(d *Draft) { d.Kind = "Observed" }, BadValue},
		{"kind empty", func(d *Draft) { d.Kind = "" }, BadValue},
		{"kind with two hyphens", func(d *Draft) { d.Kind = "a--b" }, BadValue},
		{"kind ends in a hyphen", func(d *Draft) { d.Kind = "a-" }, BadValue},
		{"kind too long", func(d *Draft) { d.Kind = strings.Repeat("a", 65) }, BadValue},
		{"person empty", func(d *Draft) { d.Person = "" }, BadValue},
		{"person with a space", func(d *Draft) { d.Person = "A Name" }, BadValue},
		{"person that closes its string", func(d *Draft) { d.Person = `a","person":"b` }, FieldTwice},
		{"boot that adds a field", func(d *Draft) { d.Boot = `a","extra":"b` }, FieldUnknown},
		{"boot with a backslash", func(d *Draft) { d.Boot = `a\\b` }, BadValue},
		{"boot not UTF-8", func(d *Draft) { d.Boot = "a\xff" }, NotUTF8},
		{"mono negative", func(d *Draft) { d.Mono = -1 }, BadValue},
		{"mono too great", func(d *Draft) { d.Mono = maxInteger + 1 }, BadNumber},
		{"wall before year 0", func(d *Draft) { d.Wall = time.Date(-1, 1, 1, 0, 0, 0, 0, time.UTC) }, BadValue},
		{"wall after year 9999", func(d *Draft) { d.Wall = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }, BadValue},
		{"offset with seconds", func(d *Draft) { d.Wall = d.Wall.In(time.FixedZone("", 75)) }, BadValue},
		{"offset of a day", func(d *Draft) { d.Wall = d.Wall.In(time.FixedZone("", 86400)) }, BadValue},
		{"body an array", func(d *Draft) { d.Body = jsontext.Value(`[]`) }, NotJSON},
		{"body cut", func(d *Draft) { d.Body = jsontext.Value(`{"a":`) }, NotJSON},
		{"body and more", func(d *Draft) { d.Body = jsontext.Value(`{} {}`) }, NotJSON},
		{"body with a fraction", func(d *Draft) { d.Body = jsontext.Value(`{"a":0.30}`) }, BadNumber},
		{"body with an exponent", func(d *Draft) { d.Body = jsontext.Value(`{"a":[1e3]}`) }, BadNumber},
		{"body with minus zero", func(d *Draft) { d.Body = jsontext.Value(`{"a":-0}`) }, BadNumber},
		{"body with 2^53", func(d *Draft) { d.Body = jsontext.Value(`{"a":9007199254740992}`) }, BadNumber},
		{"body with -2^53", func(d *Draft) { d.Body = jsontext.Value(`{"a":-9007199254740992}`) }, BadNumber},
		{"body with a name twice", func(d *Draft) { d.Body = jsontext.Value(`{"a":{"b":1,"b":1}}`) }, FieldTwice},
		{"body not UTF-8", func(d *Draft) { d.Body = jsontext.Value("{\"a\":\"\xff\"}") }, NotJSON},
		{"body with half a surrogate pair", func(d *Draft) { d.Body = jsontext.Value(`{"a":"\ud83d"}`) }, NotJSON},
		{"body too deep", func(d *Draft) { d.Body = jsontext.Value(deep(maxDepth)) }, TooDeep},
		{"body too long", func(d *Draft) { d.Body = jsontext.Value(`{"a":"` + strings.Repeat("x", MaxLine-200) + `"}`) }, LineTooLong},
		{"second opening", func(d *Draft) { d.Kind = KindOpened }, OpenedAgain},
		{"supplement before the end", func(d *Draft) { d.Kind = KindSupplement }, SupplementSoon},
		{"hand-over without body", func(d *Draft) { d.Kind = KindTakenOver }, BadHandOver},
	}
	d := newDevice(t, testVisit, "one").add(KindOpened, "")
	for _, c := range cases {
		draft := good
		c.change(&draft)
		next, line, _, err := d.chain.Append(context.Background(), noSigner{d.signs}, draft)
		if f := faultOf(t, err); f.What != c.what || next != d.chain || line != nil {
			t.Errorf("%s: %v, want %s", c.name, err, c.what)
		}
	}
	draft := good
	draft.Body = jsontext.Value(deep(maxDepth - 1))
	d.write(draft)
	draft.Body = jsontext.Value(`{"z":9007199254740991, "a":-9007199254740991}`)
	if d.write(draft); string(d.event.Body) != `{"a":-9007199254740991,"z":9007199254740991}` {
		t.Errorf("body %s", d.event.Body)
	}
}

// noSigner fails the test's draft if it is ever asked to sign.
type noSigner struct{ PrivateKey }

func (noSigner) Sign(context.Context, []byte) ([]byte, error) {
	return nil, errors.New("asked to sign")
}

type badSigner struct {
	PrivateKey
	sig []byte
}

func (b badSigner) Sign(context.Context, []byte) ([]byte, error) { return b.sig, nil }

func TestAppendWithBadSigners(t *testing.T) {
	d := newDevice(t, testVisit, "one")
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	cases := []struct {
		name   string
		ctx    context.Context
		signer Signer
	}{
		{"another key", context.Background(), testKey("two")},
		{"no key", context.Background(), PrivateKey(nil)},
		{"fails", context.Background(), noSigner{d.signs}},
		{"context done", ctx, d.signs},
		{"short", context.Background(), badSigner{d.signs, make([]byte, 63)}},
		{"empty", context.Background(), badSigner{d.signs, nil}},
		{"wrong", context.Background(), badSigner{d.signs, make([]byte, 64)}},
	}
	for _, c := range cases {
		if next, line, _, err := d.chain.Append(c.ctx, c.signer, d.draft(KindOpened, "")); err == nil || next != d.chain || line != nil {
			t.Errorf("%s: accepted: %v", c.name, err)
		}
	}
	if _, err := PrivateKey(nil).Sign(context.Background(), nil); err == nil {
		t.Error("no key signs")
	}
}

func TestNewChainRefuses(t *testing.T) {
	k := keyOf(t, testKey("one"))
	for _, visit := range []string{"", "019ab3f0-5c00-4a10-8b20-0123456789ab", strings.ToUpper(testVisit), testVisit + "0", "019ab3f0-5c00-7a10-cb20-0123456789ab", strings.ReplaceAll(testVisit, "-", "0")} {
		if _, err := NewChain(visit, Real, k); err == nil {
			t.Errorf("visit %q is accepted", visit)
		}
	}
	if _, err := NewChain(testVisit, "other", k); err == nil {
		t.Error("nature other is accepted")
	}
	if _, err := NewChain(testVisit, Real, Key{}); err == nil {
		t.Error("the zero key is accepted")
	}
	for _, s := range []string{"", "00", strings.ToUpper(k.String()), k.String() + "00", strings.Repeat("g", 64)} {
		if _, err := ParseKey(s); err == nil {
			t.Errorf("key %q is accepted", s)
		}
		if _, err := ParseHash(s); err == nil {
			t.Errorf("hash %q is accepted", s)
		}
	}
	if _, err := KeyOf(make([]byte, 31)); err == nil {
		t.Error("a short key is accepted")
	}
}

func TestTooManyLines(t *testing.T) {
	d := newDevice(t, testVisit, "one").add(KindOpened, "")
	d.chain.Next = MaxLines - 1
	d.add("observed", "")
	_, _, _, err := d.chain.Append(context.Background(), d.signs, d.draft("observed", ""))
	if f := faultOf(t, err); f.What != TooMany {
		t.Error(err)
	}
}

// TestSigInsideTheBody: a member called "sig" in the body is not taken for the signature.
func TestSigInsideTheBody(t *testing.T) {
	d := newDevice(t, testVisit, "one").add(KindOpened, fmt.Sprintf(`{"a":1,"sig":"%0128d","text":",\"sig\":"}`, 0))
	d.add("observed", `{"sig":1,"z":{"a":0,"sig":"x"}}`)
	if _, _, err := Resume(bytes.NewReader(d.file()), nil); err != nil {
		t.Error(err)
	}
}

func TestResumeStopsWhereToldTo(t *testing.T) {
	stop := errors.New("enough")
	n := 0
	c, whole, err := Resume(bytes.NewReader(tenLines(t).file()), func(Event) error {
		if n++; n == 3 {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) || c.Next != 2 || whole == 0 {
		t.Errorf("%+v, %d, %v", c, whole, err)
	}
	c, whole, err = Resume(strings.NewReader(""), nil)
	if err != nil || c != (Chain{}) || whole != 0 {
		t.Errorf("empty: %+v, %d, %v", c, whole, err)
	}
}

func TestResumeNamesTheBrokenLine(t *testing.T) {
	lines := tenLines(t).lines
	for i, line := range lines {
		line[len(line)/2] ^= 1
		c, whole, err := Resume(bytes.NewReader(file(lines...)), nil)
		if f := faultOf(t, err); f.Line != i+1 || int(c.Next) != i || int(whole) != len(file(lines[:i]...)) {
			t.Errorf("line %d: %+v, %d, %v", i+1, c, whole, err)
		}
		line[len(line)/2] ^= 1
	}
	_, _, err := Resume(bytes.NewReader(make([]byte, MaxLine+2)), nil)
	if f := faultOf(t, err); f.What != LineTooLong || f.Line != 1 {
		t.Error(err)
	}
}
