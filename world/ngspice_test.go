package world_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"meterwright/circuit"
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

// runDecks solves every deck in one ngspice process, and returns for each deck
// the voltage of its nodes by their number.
func runDecks(t testing.TB, decks []deck) []map[int]circuit.Phasor {
	t.Helper()
	program, err := exec.LookPath("ngspice")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: positions were NOT compared with ngspice, which is not installed")
		}
		t.Fatalf("ngspice is missing (%v): install it, or set MW_ALLOW_MISSING=1 to go without this comparison", err)
	}
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	var main bytes.Buffer
	main.WriteString("* all decks\n.control\n")
	for i := range decks {
		var b bytes.Buffer
		if err := decks[i].w.Circuit.WriteSPICE(&b, decks[i].group); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&main, "echo deck %d\nsource %s\ndestroy all\nremcirc\n", i, write(fmt.Sprintf("d%d.cir", i), b.Bytes()))
	}
	main.WriteString("quit\n.endc\n.end\n")
	cmd := exec.Command(program, "-b", write("all.cir", main.Bytes()))
	var notes bytes.Buffer
	cmd.Stderr = &notes // its progress notes would come in the middle of lines
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ngspice: %v\n%s", err, notes.Bytes())
	}
	got := make([]map[int]circuit.Phasor, len(decks))
	var at map[int]circuit.Phasor
	for line := range strings.Lines(string(out)) {
		var n int
		if _, err := fmt.Sscanf(line, "deck %d", &n); err == nil {
			at = map[int]circuit.Phasor{}
			got[n] = at
			continue
		}
		name, value, ok := strings.Cut(line, ") = ")
		if !ok || !strings.HasPrefix(name, "v(n") {
			continue
		}
		re, im, _ := strings.Cut(strings.TrimSpace(value), ",")
		n, err1 := strconv.Atoi(name[3:])
		r, err2 := strconv.ParseFloat(re, 64)
		i, err3 := strconv.ParseFloat(im, 64)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatalf("ngspice printed %q", line)
		}
		at[n] = circuit.Phasor{Re: r, Im: i}
	}
	return got
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
		for i, got := range runDecks(t, decks) {
			d := decks[i]
			names := d.w.Circuit.Nodes
			if len(got) != len(names) {
				t.Fatalf("seed %d: ngspice printed %d of %d nodes", d.seed, len(got), len(names))
			}
			top := 0.0
			for _, v := range got {
				top = max(top, v.Abs())
			}
			var exact map[string]circuit.Phasor
			for k, name := range names {
				ours, _ := d.w.Node(name, d.place)
				theirs := got[k+1]
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
