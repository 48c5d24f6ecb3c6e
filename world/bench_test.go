package world_test

import (
	"testing"

	"meterwright/circuit"
	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

func benchSetup(b *testing.B, phases int) world.Setup {
	b.Helper()
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Phases: phases, Reference: true})
	if err != nil {
		b.Fatal(err)
	}
	d, err := s.DepartureNamed("open/service.n")
	if err != nil {
		b.Fatal(err)
	}
	v := site.Usual()
	return world.Setup{Site: s, Values: &v, Departures: []site.Departure{d}}
}

// draws are parameter values to go round, so that no scenario is solved twice
// running.
func draws() []site.Values {
	var list []site.Values
	for k := range 64 {
		var u [site.ParameterCount]float64
		for i := range u {
			u[i] = float64((k*(2*i+1))%64) / 64
		}
		list = append(list, site.Draw(&u))
	}
	return list
}

// BenchmarkScenario is one scenario as the budget of the design has it: new values
// of every parameter, 12 ports, and 40 pairs, each loaded on its own.
func BenchmarkScenario(b *testing.B) {
	for _, phases := range []int{1, 3} {
		b.Run(map[int]string{1: "single-phase", 3: "three-phase"}[phases], func(b *testing.B) {
			setup := benchSetup(b, phases)
			m, err := setup.Site.Compile(setup.Values, setup.Switching, setup.Departures...)
			if err != nil {
				b.Fatal(err)
			}
			var ports []string
			for _, p := range setup.Site.Points {
				if part := p.ID.Part(); part == "meter" || part == "cutout" || part == "metalwork" || p.ID == site.MET || p.ID == site.Reference || p.ID == site.Body {
					if ports = append(ports, string(p.ID)); len(ports) == 12 {
						break
					}
				}
			}
			p, err := circuit.Compile(m.Circuit, ports)
			if err != nil {
				b.Fatal(err)
			}
			ws := p.NewWorkspace()
			var pairs []circuit.Pair
			load, _ := instrument.New(instrument.TwoPole, instrument.Sound).Load(0, 1)
			for i := range ports {
				for j := range i {
					if len(pairs) < 40 {
						pairs = append(pairs, circuit.Pair{A: i, B: j, Y: load[0].Y})
					}
				}
			}
			out := make([]circuit.Phasor, len(pairs)*len(p.Groups()))
			values := draws()
			b.ReportAllocs()
			b.ReportMetric(float64(len(m.Circuit.Nodes)), "nodes")
			for i := 0; b.Loop(); i++ {
				if err := m.Apply(ws, &values[i%len(values)]); err != nil {
					b.Fatal(err)
				}
				if err := ws.Solve(); err != nil {
					b.Fatal(err)
				}
				if _, err := ws.LoadPairs(pairs, out); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkCompile is a position written as rows, compiled and solved once, as a
// new combination of departures needs.
func BenchmarkCompile(b *testing.B) {
	for _, phases := range []int{1, 3} {
		b.Run(map[int]string{1: "single-phase", 3: "three-phase"}[phases], func(b *testing.B) {
			setup := benchSetup(b, phases)
			for b.Loop() {
				if _, err := world.New(setup); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkPredict is everything that the predict command shows of one position.
func BenchmarkPredict(b *testing.B) {
	setup := benchSetup(b, 1)
	w, err := world.New(setup)
	if err != nil {
		b.Fatal(err)
	}
	tests := world.Tests(setup.Site)
	for b.Loop() {
		for _, t := range tests {
			if _, err := w.Read(w.Instrument(t.Kind), t.Points...); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := w.Touches(); err != nil {
			b.Fatal(err)
		}
	}
}
