package circuit

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// span is what a random circuit is made of, by powers of ten.
type span struct {
	ohmLow, ohmHigh     float64
	faradLow, faradHigh float64
	island              bool // one source has no tie to earth but picofarads
	mesh                float64
}

var (
	mild = span{ohmLow: -2, ohmHigh: 6, faradLow: -10, faradHigh: -7, mesh: 1}
	// floats has an island, so that what holds it is far weaker than its joints.
	floats = span{ohmLow: -2, ohmHigh: 3, faradLow: -11, faradHigh: -9, island: true, mesh: 0.6}
	// hard is 0.7 mΩ to 1 GΩ with picofarads.
	hard = span{ohmLow: math.Log10(0.7e-3), ohmHigh: 9, faradLow: -12, faradHigh: -11, island: true, mesh: 0.8}
)

// randomCircuit is a circuit of about n nodes in which every node has a
// capacitance to earth. Its numbers are invented.
func randomCircuit(seed uint64, n int, s span) Circuit {
	r := rand.New(rand.NewPCG(seed, 7))
	power := func(low, high float64) float64 { return math.Pow(10, low+r.Float64()*(high-low)) }
	ohm := func() float64 { return power(s.ohmLow, s.ohmHigh) }
	c := Circuit{FHz: 50}
	name := func(i int) string { return fmt.Sprintf("point %d.x-%d", seed, i) }
	for i := range n {
		c.Nodes = append(c.Nodes, name(i))
		c.Capacitors = append(c.Capacitors, Capacitor{Name: fmt.Sprintf("c%d", i), A: name(i), B: Earth, CFarad: power(s.faradLow, s.faradHigh)})
	}
	split := n
	if s.island {
		split = n / 2
	}
	any := func() string { return name(r.IntN(split)) }
	branch := func(a, b string) {
		z := Impedance{Name: fmt.Sprintf("z%d", len(c.Impedances)), A: a, B: b, ROhm: ohm()}
		switch r.IntN(4) {
		case 0:
			z.XOhm = z.ROhm * r.Float64()
		case 1:
			z.XOhm, z.ROhm = z.ROhm, 0
			if z.XOhm > 10 { // keep large reactances away from resonance
				z.ROhm, z.XOhm = z.XOhm, 0
			}
		}
		if z.XOhm > 10 {
			z.XOhm = 10
		}
		c.Impedances = append(c.Impedances, z)
	}
	tree := func(low, high int) {
		for i := low + 1; i < high; i++ {
			branch(name(low+r.IntN(i-low)), name(i))
		}
		for range int(s.mesh * float64(high-low)) {
			a, b := low+r.IntN(high-low), low+r.IntN(high-low)
			if a != b {
				branch(name(a), name(b))
			}
		}
	}
	tree(0, split)
	emf := func() (float64, float64) { return 230 * (2*r.Float64() - 1), 230 * (2*r.Float64() - 1) }
	re, im := emf()
	c.VoltageSources = append(c.VoltageSources, VoltageSource{Name: "held", Plus: name(0), Minus: Earth, EReVolt: re, EImVolt: im})
	re, im = emf()
	c.VoltageSources = append(c.VoltageSources, VoltageSource{Name: "between", Plus: name(1), Minus: name(2), EReVolt: re, EImVolt: im, ROhm: 0.05, XOhm: 0.02})
	c.CurrentSources = append(c.CurrentSources, CurrentSource{Name: "load", From: any(), To: any(), IReAmp: 0.2, IImAmp: -0.1})
	branch(any(), Earth)
	if s.island {
		tree(split, n)
		re, im = emf()
		c.VoltageSources = append(c.VoltageSources, VoltageSource{Name: "adrift", Plus: name(split), Minus: name(split + 1), EReVolt: re, EImVolt: im, ROhm: 0.1})
	}
	for i := range 2 {
		a, b := any(), any()
		if a != b && a != name(0) && b != name(0) {
			c.Contacts = append(c.Contacts, Contact{Name: fmt.Sprintf("k%d", i), A: a, B: b, Closed: i == 0})
		}
	}
	return c
}

// worst is the largest error of a solution, as a share of the larger of the
// voltage and a floor.
func worst(c *Circuit, p *Plan, ws *Workspace, group int, want map[string]Phasor, floor float64) (float64, string) {
	most, at := 0.0, ""
	for _, n := range c.Nodes {
		k, _ := p.Node(n)
		e := ws.Voltage(k, group).Minus(want[n]).Abs() / max(want[n].Abs(), floor)
		if !(e <= most) {
			most, at = e, n
		}
	}
	return most, at
}
