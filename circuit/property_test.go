package circuit

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func drawCircuit(t *rapid.T) Circuit {
	s := rapid.SampledFrom([]span{mild, floats, hard}).Draw(t, "span")
	return randomCircuit(rapid.Uint64().Draw(t, "seed"), rapid.IntRange(6, 24).Draw(t, "nodes"), s)
}

func mustSolve(t *rapid.T, c Circuit, ports ...string) (*Plan, *Workspace) {
	p, err := Compile(c, ports)
	if err != nil {
		t.Fatal(err)
	}
	ws := p.NewWorkspace()
	if err := ws.Solve(); err != nil {
		t.Fatal(err)
	}
	return p, ws
}

// Kirchhoff's current law at every node, and no digits lost by any pivot.
func TestKirchhoff(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCircuit(t)
		_, ws := mustSolve(t, c)
		r, err := ws.Check()
		if err != nil {
			t.Fatal(err)
		}
		if r.Residual > 1e-13 {
			t.Fatalf("currents at %s balance to %.1e only", r.WorstNode, r.Residual)
		}
	})
}

// Tellegen's theorem (B. D. H. Tellegen, Philips Research Reports 7 (1952)
// 259–269): over all elements, voltage times conjugate current adds up to
// nothing; what the sources give the impedances take.
func TestTellegen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCircuit(t)
		p, ws := mustSolve(t, c)
		v := func(n string) Phasor { k, _ := p.Node(n); return ws.Voltage(k, 0) }
		var sum, held Phasor
		size, bulk := 0.0, 0.0
		add := func(drop, amp Phasor) {
			s := drop.Times(Phasor{amp.Re, -amp.Im})
			sum, size = sum.Plus(s), size+s.Abs()
		}
		// The current that an ideal source gives is what leaves its node.
		heldAt := c.VoltageSources[0].Plus
		leave := func(a, b string, amp Phasor) {
			x, _ := p.Node(a)
			y, _ := p.Node(b)
			k, _ := p.Node(heldAt)
			if x == k {
				held = held.Plus(amp)
			}
			if y == k {
				held = held.Minus(amp)
			}
		}
		for i, r := range c.Impedances {
			amp := ws.ImpedanceCurrent(i, 0)
			add(v(r.A).Minus(v(r.B)), amp)
			leave(r.A, r.B, amp)
			high := v(r.A).Abs() + v(r.B).Abs()
			bulk += ws.rowY[i].Abs() * high * high
		}
		for _, r := range c.Capacitors {
			d := v(r.A).Minus(v(r.B))
			amp := d.Times(Phasor{0, omega(c.FHz) * r.CFarad})
			add(d, amp)
			leave(r.A, r.B, amp)
		}
		for _, r := range c.VoltageSources[1:] {
			d := v(r.Plus).Minus(v(r.Minus))
			y := siemens(r.ROhm, r.XOhm)
			amp := d.Minus(Phasor{r.EReVolt, r.EImVolt}).Times(y)
			add(d, amp)
			high := v(r.Plus).Abs() + v(r.Minus).Abs()
			bulk += y.Abs() * high * high
			leave(r.Plus, r.Minus, amp)
		}
		for _, r := range c.CurrentSources {
			amp := Phasor{r.IReAmp, r.IImAmp}
			add(v(r.From).Minus(v(r.To)), amp)
			leave(r.From, r.To, amp)
		}
		add(v(heldAt), Phasor{-held.Re, -held.Im})
		// A current over 0.7 mΩ is a difference of voltages times 1400 S, so
		// its last digit is that of the voltages.
		if !(sum.Abs() <= 1e-11*size+4e-15*bulk) {
			t.Fatalf("powers of %g VA in all leave %g VA", size, sum.Abs())
		}
	})
}

// Reciprocity: one ampere into a raises b by what one ampere into b raises a,
// by two separate solutions, and the matrix of the ports agrees.
func TestReciprocity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCircuit(t)
		c.VoltageSources[0].EReVolt, c.VoltageSources[0].EImVolt = 0, 0
		c.VoltageSources = c.VoltageSources[:1]
		c.CurrentSources = nil
		pick := rapid.SampledFrom(c.Nodes)
		a, b := pick.Draw(t, "a"), pick.Draw(t, "b")
		at := func(into, read string) (Phasor, *Workspace) {
			d := c.clone()
			d.CurrentSources = append(d.CurrentSources, CurrentSource{From: Earth, To: into, IReAmp: 1})
			p, ws := mustSolve(t, d, a, b)
			k, _ := p.Node(read)
			return ws.Voltage(k, 0), ws
		}
		ab, ws := at(a, b)
		ba, _ := at(b, a)
		if !(ab.Minus(ba).Abs() <= 1e-12*ab.Abs()) {
			t.Fatalf("a to b %v, b to a %v", ab, ba)
		}
		ws.impedances()
		z := ws.net.z[int(ws.plan.slot[0])*(ws.net.ports+1)+int(ws.plan.slot[1])]
		if !(z.Minus(ab).Abs() <= 1e-12*ab.Abs()) {
			t.Fatalf("port matrix %v, solution %v", z, ab)
		}
	})
}

// Voltages are linear in the sources.
func TestLinearity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCircuit(t)
		p, ws := mustSolve(t, c)
		before := make([]Phasor, p.sites)
		for k := range before {
			before[k] = ws.Voltage(k, 0)
		}
		f := rapid.Float64Range(-3, 3).Draw(t, "factor")
		for i, r := range c.VoltageSources {
			if err := ws.SetVoltage(i, Phasor{r.EReVolt * f, r.EImVolt * f}); err != nil {
				t.Fatal(err)
			}
		}
		for i, r := range c.CurrentSources {
			if err := ws.SetCurrent(i, Phasor{r.IReAmp * f, r.IImAmp * f}); err != nil {
				t.Fatal(err)
			}
		}
		if err := ws.Solve(); err != nil {
			t.Fatal(err)
		}
		for k := range before {
			want := before[k].Scaled(f)
			if got := ws.Voltage(k, 0); !(got.Minus(want).Abs() <= 1e-12*want.Abs()+1e-12) {
				t.Fatalf("%s: %v, want %v", p.names[k], got, want)
			}
		}
	})
}

// Setting values is compiling with them, to the last bit, and Reset undoes it.
func TestSettingIsCompiling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCircuit(t)
		p, ws := mustSolve(t, c)
		first := exactly(p, ws)
		d := c.clone()
		i := rapid.IntRange(0, len(c.Impedances)-1).Draw(t, "impedance")
		j := rapid.IntRange(0, len(c.Capacitors)-1).Draw(t, "capacitor")
		d.Impedances[i].ROhm = rapid.Float64Range(1e-3, 1e6).Draw(t, "ohm")
		d.Capacitors[j].CFarad = rapid.Float64Range(1e-12, 1e-6).Draw(t, "farad")
		d.VoltageSources[1].ROhm = 3
		p2, want := mustSolve(t, d)
		for _, err := range []error{
			ws.SetImpedance(i, d.Impedances[i].ROhm, d.Impedances[i].XOhm),
			ws.SetCapacitor(j, d.Capacitors[j].CFarad),
			ws.SetVoltageImpedance(1, 3, d.VoltageSources[1].XOhm),
			ws.Solve(),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
		if exactly(p, ws) != exactly(p2, want) {
			t.Fatal("set and compiled values differ")
		}
		ws.reset()
		for _, err := range []error{
			ws.SetImpedances([]int32{int32(i)}, d.Impedances[i].ROhm, d.Impedances[i].XOhm),
			ws.SetCapacitors([]int32{int32(j)}, d.Capacitors[j].CFarad),
			ws.SetVoltageImpedance(1, 3, d.VoltageSources[1].XOhm),
			ws.Solve(),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
		if exactly(p, ws) != exactly(p2, want) {
			t.Fatal("rows set together and compiled values differ")
		}
		ws.reset()
		if err := ws.Solve(); err != nil {
			t.Fatal(err)
		}
		if exactly(p, ws) != first {
			t.Fatal("Reset did not restore")
		}
	})
}

// exactly is every voltage to the last bit.
func exactly(p *Plan, ws *Workspace) string {
	s := ""
	for k := range p.sites {
		v := ws.Voltage(k, 0)
		s += fmt.Sprintf("%x %x\n", math.Float64bits(v.Re), math.Float64bits(v.Im))
	}
	return s
}

func TestResonanceIsReported(t *testing.T) {
	// 1 H and the capacitance that cancels it at 50 Hz meet at a node with
	// nothing else: ω²LC = 1.
	w := omega(50)
	c := Circuit{
		FHz: 50, Nodes: []string{"source", "tuned"},
		VoltageSources: []VoltageSource{{Plus: "source", Minus: Earth, EReVolt: 1}},
		Impedances:     []Impedance{{"coil", "source", "tuned", 0, w}},
		Capacitors:     []Capacitor{{"tank", "tuned", Earth, 1 / (w * w) * (1 + 1e-13)}},
	}
	p, err := Compile(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	ws := p.NewWorkspace()
	if err := ws.Solve(); err == nil {
		r, err := ws.Check()
		if ill, ok := err.(*IllConditionedError); !ok || r.PivotLoss > 1e-9 || ill.Report.WorstPivot != "tuned" || !strings.Contains(err.Error(), "resonance") {
			t.Errorf("got %+v, %v", r, err)
		}
	} else if _, ok := err.(*IllConditionedError); !ok {
		t.Errorf("got %v", err)
	}
}

func TestNothingIsAllocated(t *testing.T) {
	c, ports := servicePosition(3)
	_, ws := solved(t, c, ports...)
	pairs := somePairs(len(ports), 60)
	pairs[7].Curve = func(v float64) Phasor { return Phasor{1 / (1000 + v), 0} }
	out := make([]Phasor, len(pairs))
	list := []Attachment{{A: 0, B: 5, Y: Phasor{1e-6, 0}}, {A: 1, B: EarthPort, Curve: pairs[7].Curve}}
	if _, err := ws.Attach(list); err != nil {
		t.Fatal(err)
	}
	n := testing.AllocsPerRun(100, func() {
		if err := ws.SetImpedance(1, 0.05, 0.02); err != nil {
			t.Fatal(err)
		}
		if err := ws.Solve(); err != nil {
			t.Fatal(err)
		}
		if _, err := ws.LoadPairs(pairs, out); err != nil {
			t.Fatal(err)
		}
		if _, err := ws.Attach(list); err != nil {
			t.Fatal(err)
		}
	})
	if n != 0 {
		t.Errorf("%g allocations a solve, want none", n)
	}
}
