package diagnose

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/site"
	"meterwright/world"
)

// Whatever is read, in whatever order and however absurd, comes to probabilities that
// are numbers and make one together, and to an end of thinking; what the model refuses
// leaves nothing behind.
func TestAnyObservations(t *testing.T) {
	var engines []*Engine
	for _, spec := range []site.Spec{
		{Arrangement: site.TNCS, Reference: true},
		{Arrangement: site.TT, Sources: []site.Source{site.Inverter}},
		{Arrangement: site.TNS, Phases: 3},
		{Arrangement: site.TNCS, Phases: 3, Metering: site.CTOperated},
	} {
		s, err := site.Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		e, err := New(s, Stated{})
		if err != nil {
			t.Fatal(err)
		}
		engines = append(engines, e)
	}
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		if n++; n > 12 && !soak {
			return // a dozen visits here, all where the full counts are asked for
		}
		e := rapid.SampledFrom(engines).Draw(t, "position")
		e.Begin()
		states, tests := world.States(e.site), world.Tests(e.site)
		taken := 0
		for i := range rapid.IntRange(1, 12).Draw(t, "readings") {
			at := rapid.IntRange(0, len(states)-1).Draw(t, "state")
			o := Observation{Switching: states[at].Switching, Epoch: at}
			x := rapid.SampledFrom(tests).Draw(t, "test")
			o.Kind, o.Points = x.Kind, x.Points
			m, ok := instrument.Lookup(o.Kind)
			if !ok {
				continue // the meter's display is no instrument
			}
			shows := rapid.SampledFrom(m.Shows).Draw(t, "shows")
			o.Shows = instrument.Show(shows)
			if shows == instrument.Value {
				places := rapid.IntRange(0, 2).Draw(t, "places")
				d, err := measure.FromScaled(int64(math.Pow(10, rapid.Float64Range(0, 7).Draw(t, "size"))), places)
				if err != nil {
					t.Fatal(err)
				}
				o.Shows = instrument.ShowValue(d, m.Unit)
			}
			if i == 0 && rapid.Bool().Draw(t, "wrong") {
				wrong := o
				wrong.Points = []site.PointID{"nowhere.at-all"}
				if e.Observe(wrong) == nil {
					t.Fatalf("a reading at no point of the site was taken: %v", wrong)
				}
			}
			if err := e.Observe(o); err != nil {
				t.Fatalf("%v: %v", o, err)
			}
			taken++
		}
		if len(e.seen) != taken {
			t.Fatalf("%d readings were taken and %d are kept", taken, len(e.seen))
		}
		if done, err := e.Think(1 << 40); err != nil || !done || e.thought.steps > mostSteps {
			t.Fatalf("thinking did not come to its end: %v, %v, %d pieces", done, err, e.thought.steps)
		}
		x, err := e.Explain()
		if err != nil {
			t.Fatal(err)
		}
		sum := x.Outside
		for _, g := range x.Groups {
			if !(g.Probability >= 0 && g.Probability <= 1) || len(g.IDs) == 0 {
				t.Fatalf("a group with %v, of %v", g.Probability, g.IDs)
			}
			sum += g.Probability
		}
		if math.Abs(sum-1) > 0.001*float64(len(x.Groups)+1) {
			t.Fatalf("the probabilities make %v together: %v", sum, x)
		}
		for _, s := range e.Standings() {
			if !(s.Nats <= 0) {
				t.Fatalf("%s stands at %v", s.ID, s.Nats)
			}
		}
		var offered []Candidate
		for _, x := range tests[:min(6, len(tests))] {
			if _, ok := instrument.Lookup(x.Kind); ok {
				offered = append(offered, Candidate{states[0].Switching, 0, x.Kind, x.Points})
			}
		}
		next, err := e.Next(offered)
		if err != nil || len(next) != len(offered) {
			t.Fatal(next, err)
		}
		for _, a := range next {
			if !(a.Nats >= 0 && a.Exposure >= 0 && a.Exposure < 1.001) {
				t.Fatalf("%v is said to tell %v nats at an exposure of %v", a.Candidate, a.Nats, a.Exposure)
			}
		}
	})
}
