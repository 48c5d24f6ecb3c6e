package advice

import (
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/world"
)

const shipped = "gb-single-phase-exchange"

var soak = os.Getenv("MW_SOAK") == "1"

func advise(t testing.TB, a *Adviser, v *visit.Visit) *visit.Advised {
	t.Helper()
	x, err := a.Advise(t.Context(), v)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// reads answers the step in turn with what the physical model shows with departures there, and
// says whether the visit went on.
func (d *driver) reads(s *site.Site, present []site.Departure) {
	d.t.Helper()
	n := d.v.Next()
	st, _ := d.v.Machine().Method.Step(n.Step)
	in := func(k instrument.Kind) instrument.Instrument {
		i := instrument.New(k, instrument.Sound)
		for _, p := range present {
			if p.Kind == string(k) {
				i.Condition = instrument.Condition(p.Condition)
			}
		}
		return i
	}
	switch {
	case st.Prove != nil:
		b := expected(d.v, st).(visit.Proved)
		b.Shows = in(b.Kind).Prove(b.Source.Kind)
		d.must(b)
	case st.Observe != nil:
		w, ok := switching(s, d.v.Switches())
		points, known := pointsOf(s, instrument.Kind(st.Observe.With), st.Observe.At, st.Observe.Against)
		if !ok || !known {
			d.t.Fatalf("%s cannot be read", st.ID)
		}
		values := site.Usual()
		model, err := world.New(world.Setup{Site: s, Values: &values, Switching: w, Departures: present})
		if err != nil {
			d.t.Fatal(err)
		}
		r, err := model.Read(in(instrument.Kind(st.Observe.With)), points...)
		if err != nil {
			d.t.Fatal(err)
		}
		d.must(visit.Observed{Step: st.ID, Shows: r.Indication})
	default:
		d.must(expected(d.v, st))
	}
}

// TestTellingVisits carries visits out with one departure there, up to the stop that the method
// makes of it, and looks at the words. What leads to which stop is common practice [P]; the
// readings are the model's own, so that this holds the words and the plumbing and not the physics,
// which package world holds to other references.
func TestTellingVisits(t *testing.T) {
	for _, c := range []struct {
		departure, stop string
		spec            site.Spec
		// means is a departure that one of the meanings has.
		means string
	}{
		{"blown/lamp", "", site.Spec{Arrangement: site.TNCS}, "blown/lamp"},
		{"reversed/service", "metalwork-live", site.Spec{Arrangement: site.TNCS}, "reversed/service"},
		{"open/tail.n", "socket-wrong", site.Spec{Arrangement: site.TNCS}, "open/tail.n"},
		{"open/service.l", "no-supply", site.Spec{Arrangement: site.TNS, Reference: true}, "none/supply"},
	} {
		t.Run(c.departure, func(t *testing.T) {
			m := machine(t, shipped, c.spec)
			s, err := site.Expand(m.Method.Claims)
			if err != nil {
				t.Fatal(err)
			}
			dep, err := s.DepartureNamed(c.departure)
			if err != nil {
				t.Fatal(err)
			}
			d := drive(t, m)
			failed := false
			for d.v.Stop() == "" && !failed {
				at := d.v.Position()
				d.reads(s, []site.Departure{dep})
				s, _ := m.Method.Step(at)
				failed = d.v.Position() == at && d.v.Stop() == "" && s.TakeUp == nil
			}
			if d.v.Stop() != c.stop {
				t.Fatalf("the stop is %q, at %s", d.v.Stop(), d.v.Position())
			}
			x := advise(t, New("test"), d.v)
			i := -1
			for k := range x.Fits {
				if slices.ContainsFunc(x.Fits[k].Departures, func(e visit.Explanation) bool { return slices.Contains(e, c.means) }) {
					i = k
				}
			}
			if i < 0 || dep.Danger && !x.Fits[i].Danger {
				t.Errorf("no meaning has %q, with danger if it is dangerous: %+v", c.means, x.Fits)
			}
			for _, l := range x.Fits {
				if l.Healthy() && l.Yet == "" {
					t.Errorf("nothing wrong is said beside a reading that is not as expected: %+v", x.Fits)
				}
			}
			if d.v.Stop() != "" && x.Next != nil {
				t.Errorf("a test is advised past a stop: %+v", x.Next)
			}
			apply(t, d, *x)
		})
	}
}

// apply folds the advice into its visit, as whoever keeps it does.
func apply(t testing.TB, d *driver, x visit.Advised) {
	t.Helper()
	if r, err := d.v.Apply(d.event(x)); r != nil || err != nil {
		t.Fatalf("the visit does not take the advice: %v %v", r, err)
	}
}

// TestNothingWrong: what is said of a visit in which all is as the method expects.
func TestNothingWrong(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS})
	d := drive(t, m)
	a := New("test")
	if x := advise(t, a, d.v); x != nil {
		t.Errorf("advice before anything was read: %+v", x)
	}
	d.to("socket-line-neutral")
	x := advise(t, a, d.v)
	if !x.Quiet() || len(x.Against) == 0 || x.Engine != "test" || len(x.Model) != 64 || len(x.Site) != 64 || x.Model == x.Site {
		t.Errorf("%+v", x)
	}
	if x.Upon != d.v.Account().Readings[0].Event {
		t.Errorf("it is upon %s", x.Upon)
	}
	apply(t, d, *x)
	if again := advise(t, a, d.v); !reflect.DeepEqual(x, again) {
		t.Errorf("asked again, without anything new, it is\n%+v\nand was\n%+v", again, x)
	}
	if x.Tells(x) && len(x.Against) == 0 {
		t.Error("the same advice is news")
	}
}

// someone does one thing at random that a person might do. It reports whether it was accepted.
func someone(r *rand.Rand, d *driver) (visit.Body, bool) {
	m := d.v.Machine().Method
	n := d.v.Next()
	st, _ := m.Step(n.Step)
	story := d.v.Account().Story
	var b visit.Body
	switch r.IntN(12) {
	case 0:
		b = visit.LeftOut{Step: n.Step, How: "not-tested", Why: "x"}
	case 1:
		b = visit.WentAway{}
	case 2:
		b = visit.CameBack{}
	case 3:
		b = visit.Returned{Step: m.Steps[r.IntN(len(m.Steps))].ID}
	case 4:
		b = visit.Corrected{Event: story[r.IntN(len(story))].Event, Why: "x"}
	case 5:
		b = visit.Reported{To: site.Employer}
	case 6:
		b = visit.Resumed{Why: "x"}
	case 7:
		b = visit.TookOff{Items: []string{m.Protection[r.IntN(len(m.Protection))].ID}}
	default:
		if st == nil {
			return nil, false
		}
		b = expected(d.v, st)
		if st.Observe != nil && r.IntN(4) == 0 {
			model, _ := instrument.Lookup(instrument.Kind(st.Observe.With))
			c := model.Shows[r.IntN(len(model.Shows))]
			if c != instrument.Value {
				b = visit.Observed{Step: st.ID, Shows: instrument.Show(c)}
			}
		}
	}
	return b, d.do(b)
}

// somewhere drives a visit to a random place in it, and on by a few random things.
func somewhere(t testing.TB, r *rand.Rand, m *visit.Machine, things int) *driver {
	d := drive(t, m)
	for range r.IntN(len(m.Method.Steps) * 3 / 4) {
		st, _ := m.Method.Step(d.v.Position())
		d.must(expected(d.v, st))
	}
	for range things {
		someone(r, d)
	}
	return d
}

// sees goes on to an observation of a class and sees another than expected.
func (d *driver) sees(seed uint64) {
	for n := d.v.Next(); n.Step != "" && n.Stop == "" && n.Blocked == nil; n = d.v.Next() {
		st, _ := d.v.Machine().Method.Step(n.Step)
		if st.Observe == nil || st.Observe.Expect == "" {
			if !d.do(expected(d.v, st)) {
				return
			}
			continue
		}
		model, _ := instrument.Lookup(instrument.Kind(st.Observe.With))
		for i := range model.Shows {
			c := model.Shows[(i+int(seed))%len(model.Shows)]
			if c != instrument.Value && c != instrument.Shows(st.Observe.Expect) {
				d.do(visit.Observed{Step: st.ID, Shows: instrument.Show(c)})
				return
			}
		}
		return
	}
}

// makes applies a test as the person would send it, and fails if it is refused.
func makes(t testing.TB, m *visit.Machine, d *driver, step string) {
	t.Helper()
	st, _ := m.Method.Step(step)
	if st == nil || st.Observe == nil {
		t.Fatalf("%q is no observation of this method", step)
	}
	if d.v.Stop() != "" || d.v.Away() || d.v.Outcome() != visit.NotEnded {
		t.Fatalf("%s is advised while stopped (%q), away (%v) or after the end", step, d.v.Stop(), d.v.Away())
	}
	if d.v.Position() != step {
		d.must(visit.Returned{Step: step, Why: "advised"})
	}
	if d.v.Position() != step {
		t.Fatalf("going back to %s leads to %s", step, d.v.Position())
	}
	d.must(expected(d.v, st))
}

// TestTestsAreAccepted: every test that could be advised is one that the engine of the visit then
// takes, after going back to it where it is an earlier one; and one in turn that it takes is among them.
func TestTestsAreAccepted(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS, Sources: []site.Source{site.Battery}})
	s, err := site.Expand(m.Method.Claims)
	if err != nil {
		t.Fatal(err)
	}
	inTurn, back := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		seed := rapid.Uint64().Draw(rt, "seed")
		things := rapid.IntRange(0, 25).Draw(rt, "things")
		fresh := func() *driver { return somewhere(t, rand.New(rand.NewPCG(seed, 1)), m, things) }
		d := fresh()
		tests := candidates(d.v, s)
		n := d.v.Next()
		if st, _ := m.Method.Step(n.Step); st != nil && st.Observe != nil && n.Stop == "" && n.Ended == "" && n.Blocked == nil && !d.v.Away() {
			if len(tests) == 0 || !tests[0].inTurn {
				rt.Fatalf("%s is open and not among the tests", n.Step)
			}
		}
		for _, c := range tests {
			if c.inTurn {
				inTurn++
			} else {
				back++
			}
			makes(t, m, fresh(), c.step)
		}
	})
	if inTurn == 0 || back == 0 {
		t.Errorf("not everything was tried: %d in turn, %d back", inTurn, back)
	}
}

// TestAdviceOfRandomVisits: what is advised in random visits is taken by the visit as an event, and
// its next test, where there is one, is accepted; none is advised while a stop is in force.
func TestAdviceOfRandomVisits(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS})
	n := 12
	if soak {
		n = 400
	}
	next, stopped := 0, 0
	kept := New("test")
	for seed := range uint64(n) {
		r := rand.New(rand.NewPCG(seed, 2))
		var d *driver
		if seed%3 == 0 {
			d = somewhere(t, r, m, 0)
			d.sees(seed)
		} else {
			d = somewhere(t, r, m, 14)
		}
		x := advise(t, kept, d.v)
		if x == nil {
			continue
		}
		if d.v.Stop() != "" {
			stopped++
		}
		if first := &x.Fits[0]; first.Healthy() && first.Yet != visit.YetStands && stoppedByReading(d.v.Account()) {
			t.Errorf("seed %d: nothing wrong is said first, and a reading raised a stop: %+v", seed, x.Fits)
		}
		if d.v.Outcome() == visit.NotEnded {
			apply(t, d, *x)
		}
		if x.Next != nil {
			next++
			makes(t, m, d, x.Next.Step)
		}
	}
	t.Logf("%d visits, %d with a next test, %d stopped", n, next, stopped)
	if stopped == 0 {
		t.Error("no visit was stopped")
	}
}

// stoppedByReading reports whether a reading of an account raised a stop.
func stoppedByReading(a *visit.Account) bool {
	return slices.ContainsFunc(a.Stops, func(l visit.StopLine) bool {
		return slices.ContainsFunc(a.Readings, func(r visit.Reading) bool { return r.Event == l.Event && !r.Withdrawn })
	})
}

// TestNextTest: a reading that is not as expected, read again after the stop, leads to tests that
// are worth making; each is accepted, and what it would show is not said.
func TestNextTest(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNS, Reference: true})
	a := New("test")
	d := drive(t, m)
	d.to("socket-line-earth")
	d.must(visit.Observed{Step: "socket-line-earth", Shows: shows(t, "12.0 V")})
	d.must(visit.Reported{To: site.Employer})
	d.must(visit.Resumed{Why: "read it again"})
	named := 0
	for d.v.Position() != "socket-prove-voltmeter-again" {
		st, _ := m.Method.Step(d.v.Position())
		b := expected(d.v, st)
		d.must(b)
		x := advise(t, a, d.v)
		if x.Next == nil {
			continue
		}
		named++
		if len(x.Next.Apart) == 0 {
			t.Errorf("the test tells no meaning apart: %+v", x.Next)
		}
		n := d.n
		again := drive(t, m)
		again.v = visit.Fold(m, d.log)
		again.n, again.mono, again.wall = n, d.mono, d.wall
		makes(t, m, again, x.Next.Step)
	}
	if named == 0 {
		t.Error("no test was named")
	}
}

// near reports whether two probabilities are the same but for how finely they were worked out.
func near(a, b string) bool {
	x, y := measure.MustDecimal(a).Float(), measure.MustDecimal(b).Float()
	return x-y < 0.25 && y-x < 0.25
}

// TestAskedAlongTheWay: an adviser that followed a visit says what one says that is asked at its
// end, also after a correction and after an instrument was replaced.
func TestAskedAlongTheWay(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS})
	d := drive(t, m)
	follows := New("test")
	compare := func() {
		t.Helper()
		a, b := advise(t, follows, d.v), advise(t, New("test"), d.v)
		if a.Upon != b.Upon || !slices.EqualFunc(a.Fits[0].Departures, b.Fits[0].Departures, slices.Equal) || !near(a.Fits[0].Probability, b.Fits[0].Probability) || a.Skipped != b.Skipped {
			t.Errorf("at %s: along the way\n%+v\nat once\n%+v", d.v.Position(), a, b)
		}
	}
	step := func(b visit.Body) string {
		hash := d.must(b)
		if d.v.Bears(b) {
			advise(t, follows, d.v)
		}
		return hash
	}
	to := func(id string) {
		for d.v.Position() != id {
			st, _ := m.Method.Step(d.v.Position())
			step(expected(d.v, st))
		}
	}
	to("socket-neutral-earth")
	wrong := step(visit.Observed{Step: "socket-neutral-earth", Shows: shows(t, "63.0 V")})
	compare()
	step(visit.Corrected{Event: wrong, Now: "0.3 V", Why: "the range was misread"})
	compare()
	step(visit.Reported{To: site.Employer})
	step(visit.Resumed{Why: "misread"})
	to("metalwork-prove-again")
	step(visit.Proved{Kind: instrument.NonContact, ID: "i-non-contact-detector", Source: visit.ProvingSource{Kind: instrument.KnownLive}, Shows: instrument.Show(instrument.Dark)})
	compare()
	step(visit.TookUp{Instrument: visit.Instrument{Kind: instrument.NonContact, ID: "other", Due: "2027-01-01"}})
	step(visit.Proved{Kind: instrument.NonContact, ID: "other", Source: visit.ProvingSource{Kind: instrument.KnownLive}, Shows: instrument.Show(instrument.Lit)})
	compare()
}
