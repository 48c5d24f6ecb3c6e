package advice

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/visit"
)

// TestWhatIsWeighed: what is left out of what the engine is given, and from when the rest counts.
func TestWhatIsWeighed(t *testing.T) {
	spec := site.Spec{Arrangement: site.TT}
	m := machine(t, shipped, spec)
	s, err := site.Expand(m.Method.Claims)
	if err != nil {
		t.Fatal(err)
	}
	count := func(d *driver) (weighed, skipped int) {
		g := observations(d.v, s)
		return len(g.list), g.skipped
	}
	expect := func(d *driver, what string, weighed, skipped int) {
		t.Helper()
		if w, n := count(d); w != weighed || n != skipped {
			t.Errorf("%s: %d weighed and %d not, want %d and %d", what, w, n, weighed, skipped)
		}
	}
	d := drive(t, m)
	d.to("socket-line-earth")
	w, n := count(d)
	if w == 0 || n != 0 {
		t.Fatalf("%d weighed, %d not", w, n)
	}
	first := d.v.Account().Readings[0].Event
	d.must(visit.Corrected{Event: first, Why: "another socket"})
	expect(d, "withdrawn", w-1, 1)
	d.must(visit.Corrected{Event: first, Now: "63.0 V", Why: "it was this one after all"})
	expect(d, "corrected again", w, 0)
	list := observations(d.v, s).list
	last := list[len(list)-1]
	if last.Shows != shows(t, "63.0 V") || last.event == first || !last.odd {
		t.Errorf("what was corrected does not stand where it was corrected: %+v", last)
	}

	d = drive(t, m)
	d.to("metalwork-prove-again")
	w, _ = count(d)
	d.must(visit.TookUp{Instrument: visit.Instrument{Kind: instrument.NonContact, ID: "other", Due: "2027-01-01"}})
	expect(d, "replaced before it was proved again", w-2, 2)

	// Epochs count the movements of switches, and joining conductors anew begins again.
	d = drive(t, m)
	d.to("dead-load-earth")
	list = observations(d.v, s).list
	moves, at := 0, site.Switching{}
	for _, o := range list {
		if o.Proving == "" && o.Switching != at {
			at, moves = o.Switching, moves+1
		}
		if o.Proving == "" && o.Epoch < moves {
			t.Errorf("%v is in epoch %d after %d movements", o.Points, o.Epoch, moves)
		}
	}
	if moves < 3 {
		t.Errorf("only %d states", moves)
	}
	d.to("joined-line")
	if g := observations(d.v, s); g.skipped < 20 || g.earlier {
		t.Errorf("%d weighed and %d not, after the tails were joined anew", len(g.list), g.skipped)
	}
	for _, o := range list {
		if o.Kind == instrument.RCDTester {
			t.Errorf("an engine is given %v", o.Points)
		}
	}

	// What was only remarked on was not as the method expects either, and is left out with the rest.
	d = drive(t, m)
	d.to("socket-neutral-earth")
	d.must(visit.Observed{Step: "socket-neutral-earth", Shows: shows(t, "20.0 V")})
	if r := d.v.Account().Readings[0]; r.Judged.Found != visit.FoundRemarked {
		t.Fatalf("20 V between neutral and earth are %s", r.Judged.Found)
	}
	d.to("joined-line")
	if g := observations(d.v, s); !g.earlier {
		t.Error("nothing is said of what was remarked on before the tails were joined anew")
	}
}

func TestPoints(t *testing.T) {
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Phases: 3})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		kind        instrument.Kind
		at, against string
		want        string
	}{
		{instrument.SocketTester, "socket.l", "", "socket.l socket.n socket.e"},
		{instrument.PhaseSequence, "meter.l1-in", "", "meter.l1-in meter.l2-in meter.l3-in"},
		{instrument.Clamp, "meter.l2-in", "", "meter.l2-in"},
		{instrument.NonContact, "metalwork.box", "body.self", "metalwork.box"},
		{instrument.TwoPole, "meter.n-in", "body.self", "meter.n-in body.self"},
		{instrument.Voltmeter, "meter.l1-in", "meter.n-in", "meter.l1-in meter.n-in"},
		{instrument.Voltmeter, "meter.l9-in", "meter.n-in", ""},
		{instrument.RCDTester, "socket.l", "socket.e", ""},
	} {
		list, ok := pointsOf(s, c.kind, c.at, c.against)
		var words []string
		for _, p := range list {
			words = append(words, string(p))
		}
		if got := strings.Join(words, " "); ok != (c.want != "") || ok && got != c.want {
			t.Errorf("%s at %s against %s: %q, want %q", c.kind, c.at, c.against, got, c.want)
		}
	}
}

// TestEveryStepHasItsPoints: every observation of the shipped methods is weighed, but for the
// residual current device.
func TestEveryStepHasItsPoints(t *testing.T) {
	for id, spec := range map[string]site.Spec{shipped: {Arrangement: site.TT, Switched: true, Reference: true}, "gb-three-phase-exchange": {Arrangement: site.TNCS, Phases: 3}} {
		m := machine(t, id, spec)
		s, err := site.Expand(m.Method.Claims)
		if err != nil {
			t.Fatal(err)
		}
		for i := range m.Method.Steps {
			st := &m.Method.Steps[i]
			if st.Observe == nil || st.Observe.With == string(instrument.RCDTester) {
				continue
			}
			if _, ok := pointsOf(s, instrument.Kind(st.Observe.With), st.Observe.At, st.Observe.Against); !ok {
				t.Errorf("%s: step %s has points that are not known", id, st.ID)
			}
		}
	}
}

func TestGivenUp(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS})
	d := drive(t, m)
	d.to("socket-line-earth")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	a := New("test")
	if x, err := a.Advise(ctx, d.v); !errors.Is(err, context.Canceled) || x != nil {
		t.Fatalf("%v %v", x, err)
	}
	if x := advise(t, a, d.v); !x.Quiet() {
		t.Errorf("after one that was given up: %+v", x)
	}
}

// TestOfManyVisits: engines are kept for a few visits, and one that is used again for another
// visit to a like position says what a new one does.
func TestOfManyVisits(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS})
	a := New("test")
	var want *visit.Advised
	for i := range maxKept + 2 {
		d := drive(t, m)
		d.n = 1000 * (i + 1)
		d.v = visit.Begin(m)
		d.must(visit.Opened{Job: "J", MethodHash: m.Hash})
		d.to("socket-neutral-earth")
		x := advise(t, a, d.v)
		x.Upon = ""
		if want == nil {
			want = x
		}
		if !reflect.DeepEqual(x, want) {
			t.Errorf("visit %d: %+v\nwant %+v", i, x, want)
		}
		if len(a.kept) > maxKept {
			t.Errorf("%d engines are kept", len(a.kept))
		}
	}
}

// TestSums: the hashes change with what they are taken over, and with nothing else.
func TestSums(t *testing.T) {
	place := func(s site.Spec) *place {
		p, err := newPlace(s)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	a, b := place(site.Spec{Arrangement: site.TNCS}), place(site.Spec{Arrangement: site.TNCS, Phases: 1, Metering: site.WholeCurrent})
	if a.siteSum != b.siteSum || a.modelSum != b.modelSum {
		t.Error("a default that is written out makes another hash")
	}
	if c := place(site.Spec{Arrangement: site.TNS}); c.siteSum == a.siteSum || c.modelSum == a.modelSum {
		t.Error("another arrangement has the same hashes")
	}
	changed := modelTables(append([]site.Departure{}, a.order...))
	changed.Departures[0].Prior.Rate *= 2
	if got, err := sum(changed); err != nil || got == a.modelSum {
		t.Errorf("another rate has the same hash: %v", err)
	}
}
