package walk_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/internal/test/everyday"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/walk"
)

// resolved is a shipped method for a position.
func resolved(t *testing.T, id string, job method.Job) *method.Resolved {
	t.Helper()
	shelf, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	d, err := shelf.Method(id)
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(d, nil, job, limits)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestApplies(t *testing.T) {
	m := &method.Resolved{}
	s := &method.Step{When: map[string][]string{"reference": {"yes"}, "arrangement": {"TN-S", "TT"}}}
	for _, c := range []struct {
		facts map[string]string
		want  bool
	}{
		{nil, true},
		{map[string]string{"colour": "red"}, true},
		{map[string]string{"reference": "yes"}, true},
		{map[string]string{"reference": "no"}, false},
		{map[string]string{"reference": "yes", "arrangement": "TT"}, true},
		{map[string]string{"reference": "yes", "arrangement": "TN-C-S"}, false},
		{map[string]string{"arrangement": ""}, false},
	} {
		if got := walk.Applies(m, s, c.facts); got != c.want {
			t.Errorf("%v: got %t", c.facts, got)
		}
	}
	if !walk.Applies(m, &method.Step{}, map[string]string{"reference": "no"}) {
		t.Error("a step without a condition does not apply")
	}
}

// deciding is an everyday person who finds facts of their own.
type deciding struct {
	everyday.Person
	facts map[string]string
}

func (d deciding) Fact(s *method.Step) (string, error) {
	if v, ok := d.facts[s.Decide.Fact]; ok {
		return v, nil
	}
	return d.Person.Fact(s)
}

// TestRemainingIsWhatTheVisitGoesThrough: the engine compiles the conditions for itself. At every step
// of an everyday visit the first that remains is the one that it has in turn, and what remains at the
// beginning with every fact found is what the visit went through.
func TestRemainingIsWhatTheVisitGoesThrough(t *testing.T) {
	for _, id := range []string{"gb-single-phase-exchange", "gb-three-phase-exchange"} {
		phases := map[string]int{"gb-single-phase-exchange": 1, "gb-three-phase-exchange": 3}[id]
		for _, claimed := range site.Arrangements() {
			r := resolved(t, id, method.Job{Site: site.Spec{Arrangement: claimed, Phases: phases}})
			for _, found := range site.Arrangements() {
				for _, reference := range []string{"yes", "no"} {
					facts := map[string]string{"arrangement": string(found), "reference": reference}
					if r.Fact("load-end") != nil {
						facts["load-end"] = reference
					}
					through(t, r, deciding{everyday.Person{Method: r}, facts})
				}
			}
		}
	}
}

func through(t *testing.T, r *method.Resolved, p deciding) {
	t.Helper()
	m, err := visit.New(r)
	if err != nil {
		t.Fatal(err)
	}
	v := visit.Begin(m)
	at := visit.Event{Wall: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), Boot: "boot", Body: visit.Opened{Job: "made up", MethodHash: m.Hash}}
	do := func(b visit.Body) {
		t.Helper()
		at.Wall, at.Mono, at.Body = at.Wall.Add(6*time.Second), at.Mono+6000, b
		if refusal, err := v.Apply(at); refusal != nil || err != nil {
			t.Fatalf("%v: %v, %v", p.facts, refusal, err)
		}
	}
	do(at.Body)
	var went []string
	for v.Next().Step != "" && v.Stop() == "" {
		left := walk.Remaining(v)
		if len(left) == 0 || left[0].ID != v.Next().Step {
			t.Fatalf("%v: %s is in turn, and %d remain", p.facts, v.Next().Step, len(left))
		}
		went = append(went, left[0].ID)
		b, err := walk.Expected(left[0], p)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range b {
			do(b)
		}
	}
	if v.Stop() != "" {
		return // a position that is not as claimed ends here
	}
	if left := walk.Remaining(v); len(left) != 0 {
		t.Errorf("%v: every step is carried out, and %d remain", p.facts, len(left))
	}
	var want []string
	for _, s := range walk.Steps(r, p.facts) {
		want = append(want, s.ID)
	}
	if !slices.Equal(went, want) {
		t.Errorf("%v: went through %d steps, %d apply", p.facts, len(went), len(want))
	}
}

func TestPoints(t *testing.T) {
	three, err := site.Expand(site.Spec{Arrangement: site.TNS, Phases: 3, Metalwork: []string{"box"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		kind        instrument.Kind
		at, against site.PointID
		want        string
	}{
		{instrument.SocketTester, "socket.l", "", "socket.l socket.n socket.e"},
		{instrument.PhaseSequence, "meter.l1-in", "", "meter.l1-in meter.l2-in meter.l3-in"},
		{instrument.PhaseSequence, "unit.house-l2", "meter.l1-in", "unit.house-l1 unit.house-l2 unit.house-l3"},
		{instrument.PhaseSequence, "meter.n-in", "", "error: meter.n-in is on no line"},
		{instrument.Clamp, "meter.l1-in", "meter.n-in", "meter.l1-in"},
		{instrument.NonContact, "metalwork.box", "body.self", "metalwork.box"},
		{instrument.TwoPole, "metalwork.box", "body.self", "metalwork.box body.self"},
		{instrument.TwoPole, "metalwork.box", "", "metalwork.box"},
		{instrument.Voltmeter, "meter.l3-in", "earthing.met", "meter.l3-in earthing.met"},
		{instrument.Voltmeter, "meter.l-in", "earthing.met", "error: this position has no point meter.l-in"},
		{instrument.Voltmeter, "meter.l1-in", "isolator.n-load", "error: this position has no point isolator.n-load"},
	} {
		points, err := walk.Points(three, c.kind, c.at, c.against)
		var words []string
		for _, p := range points {
			words = append(words, string(p))
		}
		got := strings.Join(words, " ")
		if err != nil {
			got = "error: " + err.Error()
		}
		if !strings.HasPrefix(got, c.want) || err == nil && got != c.want {
			t.Errorf("%s at %s against %s: got %s, want %s", c.kind, c.at, c.against, got, c.want)
		}
	}
}

// TestExpectedPassesOnWhatIsMissing: a person who has nothing is told so at each step that asks.
func TestExpectedPassesOnWhatIsMissing(t *testing.T) {
	r := resolved(t, "gb-single-phase-exchange", method.Job{Site: site.Spec{Arrangement: site.TNCS}})
	asked := 0
	for i := range r.Steps {
		s := &r.Steps[i]
		_, err := walk.Expected(s, empty{})
		wants := s.TakeUp != nil || s.Prove != nil || s.Check != nil || s.Decide != nil || s.Record != nil ||
			s.Observe != nil && s.Observe.Bounds != nil || s.Inspect != nil && s.Inspect.Expect == ""
		if (err != nil) != wants {
			t.Errorf("%s: got %v", s.ID, err)
		}
		if err != nil {
			asked++
		}
	}
	if asked < 20 {
		t.Errorf("only %d steps ask", asked)
	}
}

type nothing struct{}

func (nothing) Error() string { return "nothing there" }

type empty struct{}

func (empty) Tool(*method.Step, instrument.Kind) (walk.Tool, error) {
	return walk.Tool{}, nothing{}
}
func (empty) Item(*method.Step) (string, string, error) { return "", "", nothing{} }
func (empty) Reading(*method.Step) (instrument.Indication, error) {
	return instrument.Indication{}, nothing{}
}
func (empty) Answer(*method.Step) (string, error)          { return "", nothing{} }
func (empty) Fact(*method.Step) (string, error)            { return "", nothing{} }
func (empty) Entries(*method.Step) (visit.Recorded, error) { return visit.Recorded{}, nothing{} }
