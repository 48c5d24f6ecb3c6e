package replay_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"meterwright/instrument"
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

func read(t testing.TB, events []record.Event) *replay.Case {
	t.Helper()
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
		for _, body := range []visit.Body{visit.Inspected{Step: "authorised", Answer: "both held"}, visit.Resumed{Why: "x"}, visit.PutOn{Items: []string{"gloves"}}} {
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

// draw makes lines of up to three devices that take over from one another, with and without having
// seen the other, as people would who have no signal.
func draw(t *rapid.T) []record.Event {
	devices := []*device{newDevice(1), newDevice(2), newDevice(3)}
	lines := devices[0].open()
	for range rapid.IntRange(0, 30).Draw(t, "lines") {
		d := rapid.SampledFrom(devices).Draw(t, "device")
		if d.seq == 0 || rapid.IntRange(0, 9).Draw(t, "over") == 0 {
			other := rapid.SampledFrom(devices).Draw(t, "other")
			if other != d && other.seq > 0 {
				why := rapid.SampledFrom([]string{"", "gone"}).Draw(t, "why")
				lines = append(lines, d.over(other, why))
			}
			continue
		}
		lines = append(lines, d.line(body(t)))
	}
	return lines
}

func body(t *rapid.T) visit.Body {
	steps := machine.Method.Steps
	s := &steps[rapid.IntRange(0, 30).Draw(t, "step")]
	switch rapid.IntRange(0, 13).Draw(t, "body") {
	case 0:
		return visit.Stopped{Why: "x"}
	case 1:
		return visit.Reported{To: site.Employer}
	case 2:
		return visit.Resumed{Why: "x"}
	case 3:
		return visit.Noted{Words: "x"}
	case 4:
		return visit.WentAway{}
	case 5:
		return visit.CameBack{}
	case 6:
		return visit.HandedOver{}
	case 7:
		return visit.Ended{Outcome: rapid.SampledFrom([]string{"abandoned", "stopped-danger"}).Draw(t, "end"), Left: "as it was"}
	case 8:
		return visit.LeftOut{Step: s.ID, How: method.NotTested, Why: "x"}
	case 9:
		return visit.Acted{Act: "switch-off-house"}
	}
	switch {
	case s.Inspect != nil:
		return visit.Inspected{Step: s.ID, Answer: rapid.SampledFrom(s.Inspect.Answers).Draw(t, "answer")}
	case s.TakeUp != nil:
		return visit.TookUp{Instrument: visit.Instrument{Kind: instrument.Kind(s.TakeUp.With), ID: "i", Due: "2027-01-01"}}
	}
	return visit.Returned{Step: s.ID, Why: "x"}
}

// TestAnyArrivalOrder: the same lines give the same case, in whatever order they come.
func TestAnyArrivalOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := draw(t)
		want := read2(t, lines)
		shuffled := slices.Clone(lines)
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		rng.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		got := read2(t, append(shuffled, lines[:len(lines)/2]...)) // some of them twice
		if want.Visit.Control() != got.Visit.Control() {
			t.Fatalf("Control differs:\n%+v\n%+v", want.Visit.Control(), got.Visit.Control())
		}
		if d := cmp.Diff(want.Visit.Account(), got.Visit.Account(), cmp.Exporter(func(reflect.Type) bool { return true })); d != "" {
			t.Fatal(d)
		}
		if d := cmp.Diff(want.Needs(), got.Needs()); d != "" {
			t.Fatal(d)
		}
	})
}

func read2(t *rapid.T, lines []record.Event) *replay.Case {
	c, err := reader.Read(lines)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// calm says how calm a case looks, from several sides; none of them may rise by a late warning.
func calm(c *replay.Case) [4]int {
	v := c.Visit
	_, contested := v.Holder()
	stop := 2
	if v.Stop() != "" {
		stop = 1
		if s := v.Machine().Method.Stop(v.Stop()); s != nil && s.Resume == "" {
			stop = 0
		}
	}
	one := 1
	if contested {
		one = 0
	}
	return [4]int{stop, one, len(v.Held()), -len(c.Needs())}
}

// TestALateWarningIsNeverCalmer: a stop, or an answer that is not as expected, made on a device that had
// not seen the rest, never makes the visit look calmer.
func TestALateWarningIsNeverCalmer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := draw(t)
		before := read2(t, lines)
		// The late line follows any line of any chain.
		at := lines[rapid.IntRange(1, len(lines)-1).Draw(t, "after")]
		d := &device{key: at.Key, seq: at.Seq + 1, head: at.Hash, mono: at.Mono, wall: at.Wall}
		late := rapid.SampledFrom([]visit.Body{visit.Stopped{Why: "late"}, visit.Inspected{Step: "cutout-state", Answer: "x"}}).Draw(t, "late")
		if i, ok := late.(visit.Inspected); ok {
			s := step(t)
			i.Step = s.ID
			for _, a := range s.Inspect.Answers {
				if a != s.Inspect.Expect {
					i.Answer = a
				}
			}
			late = i
		}
		after := read2(t, append(slices.Clone(lines), d.line(late)))
		x, y := calm(before), calm(after)
		for i := range x {
			if y[i] > x[i] {
				t.Fatalf("side %d rose from %v to %v", i, x, y)
			}
		}
	})
}

// step draws a question whose other answer raises a stop.
func step(t *rapid.T) *method.Step {
	var list []*method.Step
	for i := range machine.Method.Steps {
		s := &machine.Method.Steps[i]
		if s.Inspect != nil && s.Unexpected != nil && s.Unexpected.Stop != "" {
			list = append(list, s)
		}
	}
	return rapid.SampledFrom(list).Draw(t, "question")
}

// TestWhatTheOtherDidIsTakenUp: where one of two hands over, the other does not work on before it has
// taken up what the first did; a device without a chain begins with taking over.
func TestWhatTheOtherDidIsTakenUp(t *testing.T) {
	a, b, outside := newDevice(1), newDevice(2), newDevice(3)
	lines := append(a.open(), b.over(a, ""), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}), a.line(visit.HandedOver{}))
	c := read(t, lines)
	if h, contested := c.Visit.Holder(); h != b.key.String() || contested {
		t.Fatalf("held by %.8s, contested %v", h, contested)
	}
	check := func(d *device, body visit.Body) []visit.Row {
		r, err := c.Visit.Check(visit.Event{Body: body, Chain: d.key.String(), Wall: d.wall, Mono: d.mono, Boot: fmt.Sprint("boot-", d.n)})
		if err != nil {
			t.Fatal(err)
		}
		if r == nil {
			return nil
		}
		return r.Rows
	}
	step := visit.Inspected{Step: "premises", Answer: "they agree"}
	if rows := check(b, step); !slices.Equal(rows, []visit.Row{visit.RowOneHolder}) {
		t.Errorf("worked on without having seen the other's work: %v", rows)
	}
	for _, body := range []visit.Body{step, visit.Noted{Words: "x"}, visit.Stopped{}} {
		if rows := check(outside, body); !slices.Contains(rows, visit.RowInHand) {
			t.Errorf("%s by a device without a chain: %v", visit.KindOf(body), rows)
		}
	}
	if list := c.Visit.Holdings(); len(list) != 2 || list[0].Released == list[1].Released {
		t.Errorf("holdings: %+v", list)
	}
	lines = append(lines, b.over(a, ""))
	c = read(t, lines)
	if list := c.Visit.Holdings(); len(list) != 1 || list[0].Chain != b.key.String() || list[0].Since != b.head.String() {
		t.Errorf("holdings: %+v", list)
	}
	if rows := check(b, step); rows != nil {
		t.Errorf("after the take-over: %v", rows)
	}
	lines = append(lines, b.line(step))
	if list := read(t, lines).Visit.Account().Discrepancies; len(list) > 0 {
		t.Errorf("%+v", list)
	}
}
