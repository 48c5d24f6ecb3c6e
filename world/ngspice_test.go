package world_test

import (
	"io"
	"math"
	"math/cmplx"
	"os"
	"testing"

	"meterwright/circuit"
	"meterwright/internal/test/ngspice"
	"meterwright/world"
)

var soak = os.Getenv("MW_SOAK") == "1"

// deck is one scenario with one group of sources alive.
type deck struct {
	seed  uint64
	group int // its number
	place int // its place in Groups
	w     *world.World
}

// scenarios draws n decks.
func scenarios(t testing.TB, first uint64, n int) []deck {
	t.Helper()
	var list []deck
	for seed := first; len(list) < n; seed++ {
		setup, err := drawn(seed)
		if err != nil {
			t.Fatal(err)
		}
		w, err := world.New(setup)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		for i, g := range w.Groups() {
			list = append(list, deck{seed, g, i, w})
		}
	}
	return list
}

// Tolerances, relative to the voltage of the node itself. No floor hides a phantom
// voltage: what is left out against ngspice is 1 µV, which its own subtraction
// among nodes of 230 V leaves open, and against 256 bits about 20 pV, the last
// digits of the highest voltage, where three phases cancel. Behind current
// transformers that is 10 nV, or 1e-5: a primary is a tail of 0.3 mΩ, whose current
// is a difference of two voltages of 230 V, and a small one keeps few digits.
const (
	mild    = 1e-6
	island  = 1e-5 // nodes that high impedances alone hold
	precise = 1e-9 // against 256-bit arithmetic
	digits  = 1e-13
	nanos   = 1e-8 // V
	micros  = 1e-6 // V
)

// precise is the tolerance of a deck against 256-bit arithmetic.
func (d *deck) precise() float64 {
	if len(d.w.Circuit.Transformers) > 0 {
		return island
	}
	return precise
}

// floor is the least voltage in volts that is compared in a deck.
func (d *deck) floor(top float64) float64 {
	if len(d.w.Circuit.Transformers) > 0 {
		return nanos
	}
	return digits * top
}

// Seeded scenarios through the exported decks, every node of every scenario
// against ngspice. Where the two differ by more than 1e-6, 256-bit arithmetic
// says who is right, and a few hundred more are held to it anyway.
func TestAgainstNgspice(t *testing.T) {
	const batch = 1000
	n := 1000
	if soak {
		n = 20000
	}
	nodes, hard, worst, worstIsland := 0, 0, 0.0, 0.0
	for first := 0; first < n; first += batch {
		decks := scenarios(t, uint64(first), min(batch, n-first))
		write := func(i int, to io.Writer) error { return decks[i].w.Circuit.WriteSPICE(to, decks[i].group) }
		for i, got := range ngspice.Voltages(t, len(decks), write) {
			d := decks[i]
			names := d.w.Circuit.Nodes
			if len(got) != len(names) {
				t.Fatalf("seed %d: ngspice printed %d of %d nodes", d.seed, len(got), len(names))
			}
			top := 0.0
			for _, v := range got {
				top = max(top, cmplx.Abs(v))
			}
			var exact map[string]circuit.Phasor
			for k, name := range names {
				ours, _ := d.w.Node(name, d.place)
				theirs := circuit.Phasor{Re: real(got[k+1]), Im: imag(got[k+1])}
				nodes++
				off, scale := ours.Minus(theirs).Abs(), math.Max(ours.Abs(), theirs.Abs())
				if off <= d.floor(top) {
					continue
				}
				if off <= mild*scale {
					worst = max(worst, off/scale)
					continue
				}
				hard++
				if exact == nil {
					var err error
					if exact, err = oracle(&d.w.Circuit, d.group); err != nil {
						t.Fatalf("seed %d: %v", d.seed, err)
					}
				}
				if scale > 0.01 {
					worstIsland = max(worstIsland, off/scale)
				}
				if e := ours.Minus(exact[name]).Abs(); e > d.precise()*exact[name].Abs()+d.floor(top) {
					t.Errorf("seed %d group %d: %s is %v, by 256-bit arithmetic %v", d.seed, d.group, name, ours, exact[name])
				}
				if off > island*scale+micros {
					t.Errorf("seed %d group %d: %s is %v, ngspice %v: off by %.1e of it, %.1e of the highest voltage; 256-bit arithmetic %v",
						d.seed, d.group, name, ours, theirs, off/scale, off/top, exact[name])
				}
			}
		}
	}
	t.Logf("%d nodes of %d scenarios: largest difference %.1e; %d nodes beyond %.0e, each held to 256 bits, the largest above 10 mV %.1e", nodes, n, worst, hard, mild, worstIsland)
}

// 256-bit arithmetic on scenarios of their own, every node to 1e-9 of itself.
func TestAgainstHighPrecision(t *testing.T) {
	n := 60
	if soak {
		n = 2000
	}
	worst := 0.0
	for _, d := range scenarios(t, 1<<32, n) {
		top := 0.0
		exact, err := oracle(&d.w.Circuit, d.group)
		if err != nil {
			t.Fatalf("seed %d: %v", d.seed, err)
		}
		for _, name := range d.w.Circuit.Nodes {
			top = max(top, exact[name].Abs())
		}
		for _, name := range d.w.Circuit.Nodes {
			v, _ := d.w.Node(name, d.place)
			want := exact[name]
			off := v.Minus(want).Abs()
			if want.Abs() > 1e-3 {
				worst = max(worst, off/want.Abs())
			}
			if off > d.precise()*want.Abs()+d.floor(top) {
				t.Errorf("seed %d group %d: %s is %v, want %v", d.seed, d.group, name, v, want)
			}
		}
	}
	t.Logf("largest difference %.1e of the voltage itself, above 1 mV", worst)
}
