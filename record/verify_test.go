package record

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

func TestHeads(t *testing.T) {
	d := newDevice(t, testVisit, "one").add(KindOpened, "").fill(5)
	heads := []Hash{{}}
	for _, line := range d.lines {
		heads = append(heads, sum(line))
	}
	for n := 1; n <= 5; n++ { // the file has n lines
		for h := 1; h <= 5; h++ { // the head kept is that of line h
			r, err := Verify(bytes.NewReader(file(d.lines[:n]...)), Options{Heads: []Hash{heads[h]}})
			want := GenuineToHead
			if h > n {
				want = GenuineNotEnded
			}
			if err != nil || r.Verdict != want || hasNote(r, NoteHeadNotFound) != (h > n) || hasNote(r, NoteGoesPastHead) != (h < n) {
				t.Errorf("%d lines, head of line %d: %v, %v, %v", n, h, r.Verdict, err, r.Notes)
			}
		}
	}
	// An ended record that lacks the head is not complete.
	r, err := Verify(bytes.NewReader(tenLines(t).file()), Options{Heads: []Hash{{1}}})
	if err != nil || r.Verdict != GenuineNotEnded {
		t.Errorf("%v, %v", r.Verdict, err)
	}
	// A cut last line is not complete, whatever the head.
	r, _ = Verify(bytes.NewReader(append(file(d.lines[:4]...), "{"...)), Options{Heads: []Hash{heads[4]}})
	if r.Verdict != GenuineNotEnded {
		t.Errorf("%v", r.Verdict)
	}
}

func TestNamedKeys(t *testing.T) {
	d := tenLines(t)
	named := func(person string) Options {
		return Options{Keys: []NamedKey{{keyOf(t, testKey("two")), "person-8", ""}, {d.chain.Key, person, "tablet 4"}}, RequireKeys: true}
	}
	r, err := Verify(bytes.NewReader(d.file()), named("person-7"))
	if err != nil || !r.Chains[0].Named || r.Chains[0].Holder.Device != "tablet 4" || len(r.Notes) != 0 {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = Verify(bytes.NewReader(d.file()), named("person-1"))
	if err != nil || len(r.Notes) != 1 || r.Notes[0].Kind != NoteOtherPerson {
		t.Errorf("%+v, %v", r, err)
	}
	opts := named("")
	opts.Keys = opts.Keys[:1]
	r, err = Verify(bytes.NewReader(d.file()), opts)
	if f := faultOf(t, err); f.What != KeyNotNamed || f.Line != 1 || r.Verdict != NotGenuine || r.Lines != 0 {
		t.Errorf("%v, %v", r.Verdict, err)
	}
}

func TestReadErrors(t *testing.T) {
	data := tenLines(t).file()
	boom := errors.New("boom")
	for _, at := range []int{0, 10, 1000, len(data)} {
		in := io.MultiReader(bytes.NewReader(data[:at]), iotest.ErrReader(boom))
		r, err := Verify(in, Options{})
		if f := faultOf(t, err); f.What != NotReadable || !errors.Is(err, boom) || r.Verdict != Unreadable || f.Line != lineOf(data, at) {
			t.Errorf("at %d: %v, %v", at, r.Verdict, err)
		}
		if _, _, err := Resume(io.MultiReader(bytes.NewReader(data[:at]), iotest.ErrReader(boom)), nil); !errors.Is(err, boom) {
			t.Errorf("resume at %d: %v", at, err)
		}
	}
	r, err := Verify(iotest.OneByteReader(bytes.NewReader(data)), Options{})
	if err != nil || r.Verdict != GenuineEnded {
		t.Errorf("one byte at a time: %v, %v", r.Verdict, err)
	}
	// No inputs at all show nothing.
	if r, _ := VerifyAll(nil, Options{}); r.Verdict != Unreadable {
		t.Errorf("nothing: %v", r.Verdict)
	}
}

func TestTooManyChains(t *testing.T) {
	first := newDevice(t, testVisit, "one").add(KindOpened, "")
	lines := first.lines
	for i := range MaxChains {
		lines = append(lines, newDevice(t, testVisit, fmt.Sprint(i)).takes(first).lines...)
	}
	r, err := Verify(bytes.NewReader(file(lines[:MaxChains]...)), Options{})
	if err != nil || len(r.Chains) != MaxChains {
		t.Errorf("%v, %v", r.Verdict, err)
	}
	r, err = Verify(bytes.NewReader(file(lines...)), Options{})
	if f := faultOf(t, err); f.What != TooMany || f.Line != MaxChains+1 {
		t.Errorf("%v, %v", r.Verdict, err)
	}
}

// TestForkIsShownWithBothVersions: where the versions part and what each has there.
func TestForkIsShownWithBothVersions(t *testing.T) {
	for at := 0; at < 6; at++ {
		one := newDevice(t, testVisit, "one")
		other := newDevice(t, testVisit, "one")
		for i := range 6 {
			kind := "observed"
			if i == 0 {
				kind = KindOpened
			}
			one.add(kind, `{"version":1}`)
			if i < at {
				other.add(kind, `{"version":1}`)
			} else if i <= at+1 {
				other.add(kind, `{"version":2}`)
			}
		}
		for _, inputs := range [][]Input{
			{{"a", bytes.NewReader(one.file())}, {"b", bytes.NewReader(other.file())}},
			{{"b", bytes.NewReader(other.file())}, {"a", bytes.NewReader(one.file())}},
		} {
			r, err := VerifyAll(inputs, Options{})
			f := faultOf(t, err)
			if r.Verdict != InTwoVersions || f.What != Forked || f.Line != at+1 || len(r.Forks) != 1 || r.Lines != len(one.lines)+len(other.lines) {
				t.Fatalf("fork at %d: %+v, %v", at, r, err)
			}
			fork := r.Forks[0]
			got := map[string]Hash{fork.One.Input: fork.One.Hash, fork.Other.Input: fork.Other.Hash}
			if fork.Seq != int64(at) || got["a"] != sum(one.lines[at]) || got["b"] != sum(other.lines[at]) {
				t.Errorf("fork at %d: %+v", at, fork)
			}
		}
	}
}

func TestNotesAreBounded(t *testing.T) {
	d := newDevice(t, testVisit, "one").add(KindOpened, "")
	for range maxNotes + 9 {
		draft := d.draft("observed", "")
		draft.Wall = testStart.Add(-draft.Wall.Sub(testStart)) // ever further back
		d.write(draft)
	}
	r, err := Verify(bytes.NewReader(d.file()), Options{})
	if err != nil || len(r.Notes) != maxNotes || r.NotesLeftOut == 0 || !r.Verdict.Genuine() {
		t.Errorf("%d notes, %d left out, %v, %v", len(r.Notes), r.NotesLeftOut, r.Verdict, err)
	}
}

// TestWordsForPeople: every fault, note and verdict reads as a sentence with its place.
func TestWordsForPeople(t *testing.T) {
	for what, sentence := range sentences {
		f := (&Fault{What: what, Field: "seq", Want: "1", Got: "2", Err: io.EOF}).at("a.jsonl", 3)
		if want := "a.jsonl: line 3: " + sentence + `: field "seq": expected 1, got 2: EOF`; f.Error() != want {
			t.Errorf("%s: %s", what, f)
		}
		if !errors.Is(f, io.EOF) {
			t.Errorf("%s hides its cause", what)
		}
	}
	for v := Unreadable; v <= GenuineEnded; v++ {
		if strings.Contains(v.String(), "verdict") {
			t.Errorf("verdict %d has no words", v)
		}
	}
	if got := (Note{Input: "a", Line: 2, Text: "t"}).String(); got != "a: line 2: t" {
		t.Error(got)
	}
}

// stream is a record that is made while it is read, so that only the verification holds
// memory.
type stream struct {
	d    *device
	n    int
	rest []byte
}

func newStream(t testing.TB, n int) *stream {
	return &stream{d: newDevice(t, testVisit, "one"), n: n}
}

func (s *stream) Read(p []byte) (int, error) {
	if len(s.rest) == 0 {
		switch next := int(s.d.chain.Next); {
		case next == s.n:
			return 0, io.EOF
		case next == 0:
			s.d.add(KindOpened, "{}")
		case next == s.n-1:
			s.d.add(KindEnded, "{}")
		default:
			s.d.fill(next + 1)
		}
		s.rest = file(s.d.lines[0])
		s.d.lines = s.d.lines[:0]
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

// TestMemoryIsBounded verifies 10,000 lines, over 5 MB, and looks at the heap as it goes.
func TestMemoryIsBounded(t *testing.T) {
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	const lines, bound = 10000, 2 << 20
	before, peak, calls := heap(), uint64(0), 0
	r, err := Verify(newStream(t, lines), Options{Progress: func(p Progress) {
		if calls++; calls%4 == 0 {
			peak = max(peak, heap())
		}
	}})
	if err != nil || r.Verdict != GenuineEnded || r.Lines != lines {
		t.Fatalf("%v, %v", r.Verdict, err)
	}
	if calls < lines/256 || peak > before+bound {
		t.Errorf("%d bytes above the start after %d calls, allowed are %d", int64(peak)-int64(before), calls, bound)
	}
	t.Logf("%d bytes above the start", int64(peak)-int64(before))
}

// BenchmarkVerify10000 verifies a record of 10,000 lines. Its metric "x-bare" is the time
// against the bare signature checks of crypto/ed25519 over as many messages.
func BenchmarkVerify10000(b *testing.B) {
	const lines = 10000
	data, err := io.ReadAll(newStream(b, lines))
	if err != nil {
		b.Fatal(err)
	}
	var events []Event
	if _, _, err := Resume(bytes.NewReader(data), func(e Event) error {
		events = append(events, e)
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	var bare time.Duration // taken in turn with the verification, so that both see the same machine
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		from := time.Now()
		for _, e := range events {
			if !ed25519.Verify(e.Key[:], signedMessage(e.signed), e.Sig[:]) {
				b.Fatal("not genuine")
			}
		}
		bare += time.Since(from)
		b.StartTimer()
		if r, err := Verify(bytes.NewReader(data), Options{}); err != nil || r.Verdict != GenuineEnded {
			b.Fatal(err)
		}
	}
	perOp := float64(b.Elapsed()) / float64(b.N)
	b.ReportMetric(float64(b.Elapsed())/float64(bare), "x-bare")
	b.ReportMetric(lines*1e9/perOp, "lines/s")
}

func BenchmarkDecode(b *testing.B) {
	line := tenLines(b).lines[4]
	b.SetBytes(int64(len(line)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(line); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAppend(b *testing.B) {
	d := newDevice(b, testVisit, "one").add(KindOpened, "")
	draft := d.draft("observed", `{"at":"meter.l-in"}`)
	b.ReportAllocs()
	for b.Loop() {
		if _, _, _, err := d.chain.Append(context.Background(), d.signs, draft); err != nil {
			b.Fatal(err)
		}
	}
}

// TestClocksAtTheirBounds: clocks that stand still are not noted, and neither is a drift of exactly
// what is tolerated; one millisecond more is, either way.
func TestClocksAtTheirBounds(t *testing.T) {
	const s = time.Second
	for _, c := range []struct {
		wall, mono time.Duration // since the line before
		boot       string
		tolerance  time.Duration
		want       []NoteKind
	}{
		{0, 0, "boot-1", 0, nil},
		{0, s, "boot-1", 0, nil},
		{s, 0, "boot-1", 0, nil},
		{-time.Millisecond, 0, "boot-1", 0, []NoteKind{NoteClockBack}},
		{0, -time.Millisecond, "boot-1", 0, []NoteKind{NoteMonotonicBack}},
		{-s, -s, "boot-1", 0, []NoteKind{NoteMonotonicBack, NoteClockBack}},
		{2 * s, 0, "boot-1", 0, nil},
		{0, 2 * s, "boot-1", 0, nil},
		{2*s + time.Millisecond, 0, "boot-1", 0, []NoteKind{NoteClockSet}},
		{0, 2*s + time.Millisecond, "boot-1", 0, []NoteKind{NoteClockSet}},
		{5 * s, 0, "boot-1", 5 * s, nil},
		{5*s + time.Millisecond, 0, "boot-1", 5 * s, []NoteKind{NoteClockSet}},
		{time.Hour, -s, "boot-2", 0, nil}, // the count begins anew with a boot
		{-s, 0, "boot-2", 0, []NoteKind{NoteClockBack}},
	} {
		d := newDevice(t, testVisit, "one").add(KindOpened, "")
		draft := d.draft("observed", "")
		draft.Wall, draft.Mono, draft.Boot = d.event.Wall.Add(c.wall), d.event.Mono+c.mono.Milliseconds(), c.boot
		d.write(draft)
		r, err := Verify(bytes.NewReader(d.file()), Options{ClockTolerance: c.tolerance, Keys: []NamedKey{{Key: d.chain.Key}}})
		var got []NoteKind
		for _, n := range r.Notes {
			if n.Kind != NoteNotEnded {
				got = append(got, n.Kind)
			}
		}
		if boots := map[string]int{"boot-1": 1, "boot-2": 2}[c.boot]; r.Chains[0].Boots != boots {
			t.Errorf("%s: the device ran %d times, not %d", c.boot, r.Chains[0].Boots, boots)
		}
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("wall %v, mono %v, %s: notes %v, %v, want %v", c.wall, c.mono, c.boot, got, err, c.want)
		}
	}
}

// TestForkOrNot: a line at a place that is taken is a fork only if it follows the line before that
// place and its key signed it; else it is out of place, whoever put it there.
func TestForkOrNot(t *testing.T) {
	d := newDevice(t, testVisit, "one").add(KindOpened, "").fill(4)
	at := d.chain
	at.Next, at.Head = 2, Hash(sum(d.lines[1]))
	_, fork, _, err := at.Append(t.Context(), d.signs, d.draft("observed", `{"other":1}`))
	if err != nil {
		t.Fatal(err)
	}
	first := Chain{Visit: testVisit, Nature: Real, Key: d.chain.Key}
	_, opened, _, err := first.Append(t.Context(), d.signs, d.draft(KindOpened, `{"other":1}`))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		line []byte
		want What
	}{
		"a fork":            {fork, Forked},
		"the first, forked": {opened, Forked},
		"not following":     {reseal(t, d.signs, fork, at.Head.String(), Hash(sum(d.lines[2])).String()), BadSequence},
		"of another's hand": {bytes.Replace(fork, []byte(`"person-7"`), []byte(`"person-8"`), 1), BadSequence},
		"the same":          {d.lines[2], LineTwice},
		"yet to come":       {reseal(t, d.signs, fork, `"seq":2`, `"seq":7`), BadSequence},
	} {
		r, err := Verify(bytes.NewReader(file(append(slices.Clone(d.lines), c.line)...)), Options{})
		if f := faultOf(t, err); f.What != c.want || f.Line != 5 || r.Lines != 4 {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
	}
}

// TestOffsets: a wall clock's offset is whole minutes below 24 hours, either way (RFC 3339, 5.6).
func TestOffsets(t *testing.T) {
	for offset, good := range map[string]bool{"+00:00": true, "+23:59": true, "-23:59": true, "+24:00": false, "-24:00": false, "-00:00": false, "+0000": false, "Z": false, "+01:60": false} {
		if _, err := parseWall("2026-03-02T09:15:00.123" + offset); (err == nil) != good {
			t.Errorf("%s: %v", offset, err)
		}
	}
}
