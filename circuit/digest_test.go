package circuit

import (
	"crypto/sha256"
	"fmt"
	"hash"
	"math"
	"testing"
)

// digest is of a hundred invented circuits. It changes when the order of any sum
// does; then it is replaced, on purpose.
const digest = "ee38aae96115f4b4476fae212b526d27c0684a71540f3e7f9ece2923ff58b3dd"

// TestSameBits holds here, and in WebAssembly too (package reproducible).
func TestSameBits(t *testing.T) {
	sum := sha256.New()
	if err := circuits(sum); err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != digest {
		t.Errorf("got %s, want %s", got, digest)
	}
}

// draw is a linear congruential generator (multiplier and increment from
// Knuth, The Art of Computer Programming, volume 2, section 3.3.4). Values
// come from tables, so that no processor's own mathematics enters.
type draw uint64

func (d *draw) under(n int) int {
	*d = *d*6364136223846793005 + 1442695040888963407
	return int(uint64(*d) >> 33 % uint64(n))
}

var (
	resistances = []float64{0.0007, 0.003, 0.05, 0.3, 7, 60, 470, 33e3, 1e6, 1e9}
	farads      = []float64{1e-12, 20e-12, 300e-12, 47e-9, 1e-6}
	volts       = []float64{230, -115, 199.1858428704209, -199.1858428704209, 9}
)

func invented(seed int) (Circuit, []string) {
	d := draw(seed)
	n := 8 + d.under(20)
	c := Circuit{FHz: 50}
	for i := range n {
		c.Nodes = append(c.Nodes, fmt.Sprint("n", i))
		c.Capacitors = append(c.Capacitors, Capacitor{A: c.Nodes[i], B: Earth, CFarad: farads[d.under(len(farads))]})
		if i == 0 {
			continue
		}
		for range 1 + d.under(2) {
			c.Impedances = append(c.Impedances, Impedance{
				Name: fmt.Sprint("z", len(c.Impedances)), A: c.Nodes[i], B: c.Nodes[d.under(i)],
				ROhm: resistances[d.under(len(resistances))], XOhm: resistances[d.under(4)],
			})
		}
	}
	source := func(plus, minus int, ohm float64) {
		s := VoltageSource{
			Plus: c.Nodes[plus], Minus: Earth,
			EReVolt: volts[d.under(len(volts))], EImVolt: volts[d.under(len(volts))],
			ROhm: ohm, Group: d.under(2),
		}
		if minus >= 0 {
			s.Minus = c.Nodes[minus]
		}
		c.VoltageSources = append(c.VoltageSources, s)
	}
	source(0, -1, 0)
	source(1, 2, 0.05)
	source(n-1, n-2, 3)
	c.CurrentSources = append(c.CurrentSources, CurrentSource{From: c.Nodes[3], To: c.Nodes[5], IReAmp: 0.3, IImAmp: 0.1})
	c.Transformers = append(c.Transformers, CurrentTransformer{Primary: "z1", From: c.Nodes[4], To: c.Nodes[6], Ratio: 40})
	c.Groups = []int{0, 1}
	return c, c.Nodes[n/3:]
}

func put(h hash.Hash, v Phasor) {
	fmt.Fprintf(h, "%016x%016x\n", math.Float64bits(v.Re), math.Float64bits(v.Im))
}

func hashed(h hash.Hash, seed int) error {
	c, ports := invented(seed)
	p, err := Compile(c, ports)
	if err != nil {
		return err
	}
	ws := p.NewWorkspace()
	if err := ws.Solve(); err != nil {
		return err
	}
	for g := range p.Groups() {
		for _, n := range c.Nodes {
			k, _ := p.Node(n)
			put(h, ws.Voltage(k, g))
		}
	}
	var pairs []Pair
	for i := 1; i < len(ports); i++ {
		pairs = append(pairs, Pair{A: i, B: i - 1, Y: Phasor{Re: 1 / resistances[i%len(resistances)], Im: 1e-8}})
	}
	curve := func(v float64) Phasor { return Phasor{Re: 1 / (1000 + 50000/(v+20))} }
	pairs = append(pairs, Pair{A: 0, B: EarthPort, Curve: curve})
	out := make([]Phasor, len(pairs)*len(p.Groups()))
	if _, err := ws.LoadPairs(pairs, out); err != nil {
		return err
	}
	for _, v := range out {
		put(h, v)
	}
	d, err := ws.Attach([]Attachment{
		{A: 0, B: 2, Curve: curve}, {A: 1, B: EarthPort, Y: Phasor{Re: 1e-6}},
		{A: 2, B: 3, Y: Phasor{Re: 0.1}, E: Phasor{Re: 9}, Group: 1},
	})
	if err != nil {
		return err
	}
	for g := range p.Groups() {
		for _, n := range c.Nodes {
			k, _ := p.Node(n)
			put(h, d.Voltage(k, g))
		}
	}
	put(h, Phasor{Re: ws.RMS(0, 1), Im: d.RMS(0, 1)})
	return nil
}

// circuits solves a hundred invented circuits.
func circuits(h hash.Hash) error {
	for seed := range 100 {
		if err := hashed(h, seed); err != nil {
			return fmt.Errorf("circuit %d: %w", seed, err)
		}
	}
	return nil
}
