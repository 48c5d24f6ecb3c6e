package world_test

import (
	"math"
	"testing"

	"meterwright/circuit"
	"meterwright/world"
)

// Kirchhoff's current law at every node, and what the sources give is what the
// resistances take, for drawn positions.
func TestConservation(t *testing.T) {
	n := 300
	if soak {
		n = 20000
	}
	for _, d := range scenarios(t, 1<<33, n) {
		if _, err := d.w.Check(); err != nil {
			t.Errorf("seed %d: %v", d.seed, err)
		}
		c := &d.w.Circuit
		if len(c.Transformers) > 0 {
			continue // a one-way transformer takes its power from nowhere
		}
		given, taken := 0.0, 0.0
		v := func(name string) circuit.Phasor {
			if name == circuit.Earth {
				return circuit.Phasor{}
			}
			x, _ := d.w.Node(name, d.place)
			return x
		}
		watts := func(e, i circuit.Phasor) float64 { return e.Re*i.Re + e.Im*i.Im }
		for _, r := range c.Impedances {
			i := v(r.A).Minus(v(r.B)).Over(circuit.Phasor{Re: r.ROhm, Im: r.XOhm})
			taken += r.ROhm * (i.Re*i.Re + i.Im*i.Im)
		}
		for _, r := range c.VoltageSources {
			e := circuit.Phasor{Re: r.EReVolt, Im: r.EImVolt}
			if r.Group != d.group {
				e = circuit.Phasor{}
			}
			i := e.Minus(v(r.Plus).Minus(v(r.Minus))).Over(circuit.Phasor{Re: r.ROhm, Im: r.XOhm})
			given += watts(e, i)
			taken += r.ROhm * (i.Re*i.Re + i.Im*i.Im)
		}
		for _, r := range c.CurrentSources {
			if r.Group == d.group {
				given += watts(v(r.To).Minus(v(r.From)), circuit.Phasor{Re: r.IReAmp, Im: r.IImAmp})
			}
		}
		// A voltage of 230 V across 0.3 mΩ is known to 2e-10 A: microwatts at 230 V.
		if math.Abs(given-taken) > 1e-9*math.Abs(taken)+1e-6 {
			t.Errorf("seed %d group %d: %.9g W given, %.9g W taken", d.seed, d.group, given, taken)
		}
	}
}

// Reciprocity: a current driven into one pair of points raises another pair as
// much as the same current driven there raises the first.
func TestReciprocity(t *testing.T) {
	seen := 0
	for seed := uint64(1 << 34); seen < 60; seed++ {
		setup, err := drawn(seed)
		if err != nil {
			t.Fatal(err)
		}
		w, err := world.New(setup)
		if err != nil {
			t.Fatal(err)
		}
		if len(w.Circuit.Transformers) > 0 {
			continue
		}
		seen++
		points := setup.Site.Points
		a, b := string(points[seed%uint64(len(points))].ID), string(points[(seed*7+3)%uint64(len(points))].ID)
		raise := func(at, to string) circuit.Phasor {
			c := w.Circuit
			c.VoltageSources = append([]circuit.VoltageSource(nil), c.VoltageSources...)
			for i := range c.VoltageSources {
				c.VoltageSources[i].EReVolt, c.VoltageSources[i].EImVolt = 0, 0
			}
			c.CurrentSources = []circuit.CurrentSource{{From: circuit.Earth, To: at, IReAmp: 1}}
			p, err := circuit.Compile(c, nil)
			if err != nil {
				t.Fatal(err)
			}
			ws := p.NewWorkspace()
			if err := ws.Solve(); err != nil {
				t.Fatal(err)
			}
			i, _ := p.Node(to)
			return ws.Voltage(i, 0)
		}
		x, y := raise(a, b), raise(b, a)
		if x.Minus(y).Abs() > 1e-9*x.Abs() {
			t.Errorf("seed %d: from %s to %s %v, back %v", seed, a, b, x, y)
		}
	}
}
