package world_test

import (
	"math"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// BenchmarkApply is other values for every row, without solving.
func BenchmarkApply(b *testing.B) {
	for _, phases := range []int{1, 3} {
		b.Run(map[int]string{1: "single-phase", 3: "three-phase"}[phases], func(b *testing.B) {
			setup := benchSetup(b, phases)
			m, err := setup.Site.Compile(setup.Values, setup.Switching, setup.Departures...)
			if err != nil {
				b.Fatal(err)
			}
			w, err := world.New(setup)
			if err != nil {
				b.Fatal(err)
			}
			ws := world.Workspace(w)
			values := draws()
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if err := m.Apply(ws, &values[i%len(values)]); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkRedraw is other values for a whole position with every test point a
// port, solved.
func BenchmarkRedraw(b *testing.B) {
	for _, phases := range []int{1, 3} {
		b.Run(map[int]string{1: "single-phase", 3: "three-phase"}[phases], func(b *testing.B) {
			w, err := world.New(benchSetup(b, phases))
			if err != nil {
				b.Fatal(err)
			}
			values := draws()
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if err := w.Redraw(&values[i%len(values)]); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkRead is one reading of each kind, after the first since the solution.
func BenchmarkRead(b *testing.B) {
	setup := benchSetup(b, 1)
	w, err := world.New(setup)
	if err != nil {
		b.Fatal(err)
	}
	seen := map[instrument.Kind]bool{}
	for _, t := range world.Tests(setup.Site) {
		if seen[t.Kind] {
			continue
		}
		seen[t.Kind] = true
		b.Run(string(t.Kind), func(b *testing.B) {
			in := w.Instrument(t.Kind)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := w.Read(in, t.Points...); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkRedrawRead is other values and one reading, as an observation asks of
// each draw.
func BenchmarkRedrawRead(b *testing.B) {
	for _, phases := range []int{1, 3} {
		b.Run(map[int]string{1: "single-phase", 3: "three-phase"}[phases], func(b *testing.B) {
			setup := benchSetup(b, phases)
			w, err := world.New(setup)
			if err != nil {
				b.Fatal(err)
			}
			values := draws()
			in, points := w.Instrument(instrument.TwoPole), []site.PointID{site.CutoutN, site.MET}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if err := w.Redraw(&values[i%len(values)]); err != nil {
					b.Fatal(err)
				}
				if _, err := w.Sense(in, points...); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkVisit is what diagnosis asks of one draw: other values, then every
// reading of a visit.
func BenchmarkVisit(b *testing.B) {
	for _, phases := range []int{1, 3} {
		b.Run(map[int]string{1: "single-phase", 3: "three-phase"}[phases], func(b *testing.B) {
			setup := benchSetup(b, phases)
			w, err := world.New(setup)
			if err != nil {
				b.Fatal(err)
			}
			tests := world.Tests(setup.Site)
			values := draws()
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if err := w.Redraw(&values[i%len(values)]); err != nil {
					b.Fatal(err)
				}
				for _, t := range tests {
					if _, err := w.Read(w.Instrument(t.Kind), t.Points...); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(tests)+1), "ns/reading")
		})
	}
}

// No reading and no redrawing allocates, once each has been made.
func TestNothingAllocated(t *testing.T) {
	for _, spec := range []site.Spec{
		{Arrangement: site.TT, Reference: true, Sources: []site.Source{site.Inverter}},
		{Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated},
	} {
		s, err := site.Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		w, err := world.New(world.Setup{Site: s})
		if err != nil {
			t.Fatal(err)
		}
		tests := world.Tests(s)
		v := site.Usual()
		all := func() {
			if err := w.Redraw(&v); err != nil {
				t.Fatal(err)
			}
			for _, test := range tests {
				if _, err := w.Sense(instrument.New(test.Kind, instrument.Sound), test.Points...); err != nil {
					t.Fatal(err)
				}
			}
		}
		all()
		if n := testing.AllocsPerRun(10, all); n != 0 {
			t.Errorf("%s: %g allocations in a visit", spec.Arrangement, n)
		}
	}
}

// A reading on one pair, found from the impedances of the ports, is that of the
// instrument attached as a row and the whole circuit solved again.
func TestReadAsAttached(t *testing.T) {
	for _, spec := range []site.Spec{{Arrangement: site.TNCS, Reference: true}, {Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated}} {
		s, err := site.Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		compared := 0
		for i, d := range s.Departures() {
			setup := world.Setup{Site: s, Departures: []site.Departure{d}, Switching: world.States(s)[i%len(world.States(s))].Switching}
			w, err := world.New(setup)
			if err != nil {
				t.Fatal(err)
			}
			for j, test := range world.Tests(s) {
				in := w.Instrument(test.Kind)
				if !in.Kind.Passive() || in.Kind.Poles() == 3 || (i+j)%7 != 0 {
					continue
				}
				r, err := w.Sense(in, test.Points...)
				if err != nil {
					t.Fatal(err)
				}
				setup.Attached = []world.On{{Instrument: in, Points: test.Points}}
				with, err := world.New(setup)
				if err != nil {
					t.Fatal(err)
				}
				a, b := test.Points[0], site.Body
				if len(test.Points) == 2 {
					b = test.Points[1]
				}
				sum := 0.0
				for g := range with.Groups() {
					x, _ := with.Node(string(a), g)
					y, _ := with.Node(string(b), g)
					sum += x.Minus(y).Abs() * x.Minus(y).Abs()
				}
				// A filament's conductance is settled to a millionth.
				if want := math.Sqrt(sum); math.Abs(r.Seen.Across[0]-want) > 1e-9+1e-6*want {
					t.Errorf("%s: %s on %v: %.9g V, attached %.9g V", d.ID, test.Kind, test.Points, r.Seen.Across[0], want)
				}
				compared++
			}
		}
		if compared < 500 {
			t.Errorf("only %d readings compared", compared)
		}
	}
}
