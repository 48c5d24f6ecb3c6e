package replay_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"meterwright/method"
	"meterwright/method/written"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
)

var (
	machine = prepared()
	reader  replay.Reader
)

func prepared() *visit.Machine {
	lib, err := written.Library()
	if err != nil {
		panic(err)
	}
	doc, err := lib.Method("gb-single-phase-exchange")
	if err != nil {
		panic(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		panic(err)
	}
	r, err := method.Resolve(doc, nil, method.Job{Site: site.Spec{Arrangement: site.TNCS}}, limits)
	if err != nil {
		panic(err)
	}
	m, err := visit.New(r)
	if err != nil {
		panic(err)
	}
	return m
}

// device makes lines as a device would, without signatures: what is read here has been verified.
type device struct {
	n    byte
	key  record.Key
	seq  int64
	head record.Hash
	mono int64
	wall time.Time
}

func newDevice(n byte) *device {
	seed := sha256.Sum256([]byte{n})
	return &device{n: n, key: record.Key(ed25519.NewKeyFromSeed(seed[:]).Public().(ed25519.PublicKey)), wall: time.Date(2026, 11, 24, 9, 0, int(n), 0, time.UTC)}
}

func (d *device) line(body visit.Body) record.Event {
	b, err := visit.EncodeBody(body)
	if err != nil {
		panic(err)
	}
	d.mono += 20_000
	d.wall = d.wall.Add(20 * time.Second)
	e := record.Event{Visit: "0197a000-0000-7000-8000-000000000001", Nature: record.Practice, Seq: d.seq, Wall: d.wall, Mono: d.mono,
		Boot: fmt.Sprint("boot-", d.n), Person: fmt.Sprint("p-", d.n), Key: d.key, Kind: string(visit.KindOf(body)), Body: b, Prev: d.head}
	e.Hash = sha256.Sum256(fmt.Append(nil, e.Key, e.Seq, e.Wall, e.Kind, string(b), e.Prev))
	d.seq, d.head = d.seq+1, e.Hash
	return e
}

func (d *device) over(other *device, why string) record.Event {
	return d.line(visit.TakenOver{Chain: other.key.String(), Head: other.head.String(), Why: why})
}

func (d *device) open() []record.Event {
	whole, err := machine.Method.Encode()
	if err != nil {
		panic(err)
	}
	return []record.Event{d.line(visit.Opened{Job: "J-1", MethodHash: machine.Hash, Fictional: true}), d.line(visit.Method{Resolved: whole})}
}

func read(t interface{ Fatal(...any) }, events []record.Event) *replay.Case {
	c, err := reader.Read(events)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestAStopThatTheOtherDidNotSee: B takes over from A, stops, reports and resumes; A, who was
// offline, declares a stop of its own. The stop is in force, two hold the visit, nobody works on.
func TestAStopThatTheOtherDidNotSee(t *testing.T) {
	a, b := newDevice(1), newDevice(2)
	lines := append(a.open(), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}))
	lines = append(lines, b.over(a, ""), b.line(visit.Stopped{Why: "the board is loose"}), b.line(visit.Reported{To: site.Employer}), b.line(visit.Resumed{Why: "screwed tight"}))
	before := read(t, lines)
	if got := before.State(); got != replay.UnderWay {
		t.Fatalf("before the late line: %s", got)
	}
	lines = append(lines, a.line(visit.Stopped{Why: "smoke in the cupboard"}))
	c := read(t, lines)
	if got := c.State(); got != replay.Stopped {
		t.Errorf("state %s", got)
	}
	if _, contested := c.Visit.Holder(); !contested {
		t.Error("two hold the visit and it is not shown")
	}
	codes := []replay.NeedCode{}
	for _, n := range c.Needs() {
		codes = append(codes, n.Code)
	}
	if !slices.Contains(codes, replay.NeedStopped) || !slices.Contains(codes, replay.NeedOneHolder) {
		t.Errorf("needs: %v", codes)
	}
	// Nobody works on; both may stop, report and make safe.
	for _, d := range []*device{a, b} {
		try := func(body visit.Body) *visit.Refusal {
			r, err := c.Visit.Check(visit.Event{Body: body, Chain: d.key.String(), Wall: d.wall, Mono: d.mono, Boot: fmt.Sprint("boot-", d.n)})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		for _, body := range []visit.Body{visit.Inspected{Step: "hazards", Answer: "nothing"}, visit.Resumed{Why: "x"}} {
			if r := try(body); r == nil || r.Rows[0] == "" || !slices.Contains(r.Rows, visit.RowOneHolder) {
				t.Errorf("%s on device %d: %v", visit.KindOf(body), d.n, r)
			}
		}
		for _, body := range []visit.Body{visit.Stopped{Why: "x"}, visit.Reported{To: site.Employer}, visit.Noted{Words: "x"}, visit.WentAway{}} {
			if r := try(body); r != nil {
				t.Errorf("%s on device %d was refused: %v", visit.KindOf(body), d.n, r)
			}
		}
	}
	// B says why A's work ends, and has now seen A's stop: it can be reported and left.
	if _, err := c.Visit.Check(visit.Event{Body: visit.TakenOver{Chain: a.key.String(), Head: a.head.String()}, Chain: b.key.String()}); err == nil {
		t.Error("taken over from another holder without a reason")
	}
	lines = append(lines, b.over(a, "A has left and does not answer"))
	c = read(t, lines)
	if _, contested := c.Visit.Holder(); contested || c.State() != replay.Stopped {
		t.Errorf("after the take-over: contested %v, %s", contested, c.State())
	}
	lines = append(lines, b.line(visit.Reported{To: site.Employer}), b.line(visit.Resumed{Why: "it was steam"}))
	if c = read(t, lines); c.State() != replay.UnderWay || len(c.Visit.Account().Discrepancies) > 0 {
		t.Errorf("after the decision: %s, %v", c.State(), c.Visit.Account().Discrepancies)
	}
}

// TestAnyArrivalOrder: the same lines give the same case, in whatever order they come.
func TestAnyArrivalOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := draw(t)
		want := read(t, lines)
		got := read(t, append(rapid.Permutation(lines).Draw(t, "order"), lines[:len(lines)/2]...)) // some of them twice
		same(t, want, got)
	})
}

// same holds that two cases say the same.
func same(t interface{ Fatalf(string, ...any) }, want, got *replay.Case) {
	for what, pair := range map[string][2]any{
		"control": {want.Visit.Control(), got.Visit.Control()}, "account": {want.Visit.Account(), got.Visit.Account()},
		"needs": {want.Needs(), got.Needs()}, "chains": {want.Chains, got.Chains}, "forks": {want.Forks, got.Forks}, "waiting": {want.Waiting, got.Waiting},
		"lines": {want.Lines(), got.Lines()}, "state": {want.State(), got.State()}, "defects": {want.Defects(), got.Defects()}, "tools": {want.Tools(), got.Tools()},
		"phases": {want.Phases(), got.Phases()}, "answers": {want.Answers(), got.Answers()}, "people": {want.People, got.People}, "person": {want.Person, got.Person},
		"holdings": {want.Visit.Holdings(), got.Visit.Holdings()},
	} {
		if !reflect.DeepEqual(pair[0], pair[1]) {
			t.Fatalf("%s differs: %s", what, cmp.Diff(pair[0], pair[1], cmp.Exporter(func(reflect.Type) bool { return true })))
		}
	}
}

// calm says how calm a case looks, from several sides; none of them may rise by a late warning.
func calm(c *replay.Case) map[string]int {
	v := c.Visit
	_, contested := v.Holder()
	stop := 2
	if v.Stop() != "" {
		stop = 1
		if s := v.Machine().Method.Stop(v.Stop()); s != nil && s.Resume == "" {
			stop = 0
		}
	}
	told := 0
	for _, d := range c.Defects() {
		if d.Told == nil {
			told--
		}
	}
	out := map[string]int{"stop": stop, "proofs": len(v.Held()), "worn": len(v.Worn()), "needs": -len(c.Needs()), "untold": told,
		"discrepancies": -len(v.Account().Discrepancies)}
	if !contested {
		out["one holder"] = 1
	}
	if v.Outcome() == visit.Completed {
		out["completed"] = 1
	}
	return out
}

// TestALateWarningIsNeverCalmer: a stop, an answer, a reading, a proving or a check that is not as
// expected, after any line of any chain, so that its device had not seen the rest, never makes the visit look calmer.
func TestALateWarningIsNeverCalmer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := draw(t)
		before := read(t, lines)
		at := lines[rapid.IntRange(1, len(lines)-1).Draw(t, "after")]
		d := &device{key: at.Key, seq: at.Seq + 1, head: at.Hash, mono: at.Mono, wall: at.Wall, n: 9}
		late := d.line(warning(t))
		late.Boot = at.Boot
		all := append(slices.Clone(lines), late)
		after := read(t, rapid.Permutation(all).Draw(t, "order"))
		x, y := calm(before), calm(after)
		for side := range x {
			if y[side] > x[side] {
				t.Fatalf("%s rose from %v to %v by %s", side, x, y, late.Kind)
			}
		}
	})
}

// The drawn visits come to what the properties are about.
func TestDrawnVisitsComeFar(t *testing.T) {
	met := map[string]bool{}
	rapid.Check(t, func(t *rapid.T) {
		c := read(t, draw(t))
		_, contested := c.Visit.Holder()
		met["contested"] = met["contested"] || contested
		met["forked"] = met["forked"] || len(c.Forks) > 0
		met["proof"] = met["proof"] || len(c.Visit.Held()) > 0
		met["stop"] = met["stop"] || c.Visit.Stop() != ""
		met["act"] = met["act"] || len(c.Visit.Account().Acts) > 0
		met["three chains"] = met["three chains"] || len(c.Chains) > 2
	})
	for what, ok := range met {
		if !ok {
			t.Errorf("no drawn visit has: %s", what)
		}
	}
}

// A visit in which all is as expected is accepted to the last act, with what it rests on; only the end is
// not, since the tails are out.
func TestSmallMethodIsCarriedOut(t *testing.T) {
	lines := slices.Clone(opening)
	d := newDevice(1)
	d.seq, d.head, d.mono, d.wall = 2, opening[1].Hash, opening[1].Mono, opening[1].Wall
	for i := range small.Method.Steps {
		lines = append(lines, d.line(expected(&small.Method.Steps[i])))
	}
	lines = append(lines, d.line(visit.Ended{Outcome: "completed"}))
	c := read(t, lines)
	if d := c.Visit.Account().Discrepancies; len(d) != 1 || d[0].Kind != visit.KindEnded {
		t.Fatalf("%s: %+v", c.State(), d)
	}
	for _, a := range c.Visit.Account().Acts {
		if a.Act == "take-tails-out" && len(a.Rests) < 3 {
			t.Errorf("rests on %d readings", len(a.Rests))
		}
	}
}

// The order of lines of which none was made after another: the earlier clock, the lesser key, the lesser sequence
// number, the lesser hash. A line is after the one before it whatever the clocks say.
func TestOrderRule(t *testing.T) {
	at := time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
	line := func(hash byte, wall time.Time, key byte, seq int64, prev byte) record.Event {
		return record.Event{Hash: record.Hash{hash}, Wall: wall, Key: record.Key{key}, Seq: seq, Prev: record.Hash{prev}, Kind: string(visit.KindNoted), Body: []byte(`{"words":"x"}`)}
	}
	want := []record.Event{
		line(9, at, 7, 0, 0),
		line(3, at, 7, 1, 9),                 // Its clock is that of the line before it.
		line(8, at.Add(-time.Hour), 7, 2, 3), // Its clock went back.
		line(7, at.Add(time.Second), 1, 0, 0),
		line(5, at.Add(time.Second), 2, 0, 0),
		line(6, at.Add(time.Second), 2, 0, 0),
		line(1, at.Add(time.Second), 2, 1, 5), // It was not free before the fork of its own chain was.
		line(4, at.Add(2*time.Second), 1, 1, 7),
	}
	rapid.Check(t, func(t *rapid.T) {
		c, _ := reader.Read(rapid.Permutation(want).Draw(t, "order"))
		var got []byte
		for _, e := range c.Lines() {
			got = append(got, e.Hash[0])
		}
		if string(got) != string([]byte{9, 3, 8, 7, 5, 6, 1, 4}) {
			t.Fatalf("order %v", got)
		}
		if len(c.Forks) != 1 || c.Forks[0].Key != (record.Key{2}) || c.Forks[0].Seq != 0 {
			t.Fatalf("forks %v", c.Forks)
		}
		for _, ch := range c.Chains {
			if forked := ch.Key == (record.Key{2}); ch.Forked != forked {
				t.Fatalf("chain %v forked: %v", ch.Key[0], ch.Forked)
			}
		}
	})
	// Ready at once under one key, at different places, as after a lost line of a fork.
	c, _ := reader.Read([]record.Event{line(2, at, 1, 0, 0), line(3, at, 1, 0, 0), line(1, at, 1, 1, 2), line(4, at, 1, 1, 3)})
	var got []byte
	for _, e := range c.Lines() {
		got = append(got, e.Hash[0])
	}
	if string(got) != string([]byte{2, 3, 1, 4}) {
		t.Errorf("order %v", got)
	}
}

// An end stays one when something is added after it; and what begins a chain with a supplement waits for the
// line that it names.
func TestAddedAfterTheEnd(t *testing.T) {
	d := newDevice(1)
	lines := append(d.open(), d.line(visit.Ended{Outcome: "abandoned", Left: "x"}))
	lines = append(lines, d.line(visit.Supplement{Words: "x"}))
	c := read(t, lines)
	if !c.Chains[0].Ended || len(c.Visit.Account().Discrepancies) != 0 {
		t.Errorf("%+v, %+v", c.Chains[0], c.Visit.Account().Discrepancies)
	}
	other := newDevice(2)
	added := other.line(visit.Supplement{Words: "x"})
	added.Body = fmt.Appendf(nil, `{"chain":%q,"head":%q,"words":"x"}`, d.key.String(), d.head.String())
	if c = read(t, append(slices.Clone(lines[:3]), added)); len(c.Waiting) != 1 {
		t.Errorf("%d wait for the line that is named", len(c.Waiting))
	}
	if c = read(t, append(lines, added)); len(c.Waiting) != 0 {
		t.Errorf("%d wait", len(c.Waiting))
	}
}
