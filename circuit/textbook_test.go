package circuit

import (
	"math"
	"testing"
)

// Each check names where its theorem comes from; those bibliographic data are
// [M] from memory, and the numbers are worked by hand beside it.

func near(t *testing.T, what string, got, want Phasor, tol float64) {
	t.Helper()
	if d := got.Minus(want).Abs(); !(d <= tol) {
		t.Errorf("%s: got %v, want %v within %g", what, got, want, tol)
	}
}

func at(t *testing.T, p *Plan, ws *Workspace, node string) Phasor {
	t.Helper()
	k, ok := p.Node(node)
	if !ok {
		t.Fatalf("no node %q", node)
	}
	return ws.Voltage(k, 0)
}

// The divider rule: U·R2/(R1+R2) = 230·3000/4000 = 172.5 V. [P]
func TestVoltageDivider(t *testing.T) {
	c := divider()
	c.Transformers, c.Capacitors = nil, nil
	p, ws := solved(t, c)
	near(t, "mid", at(t, p, ws, "mid"), Phasor{172.5, 0}, 1e-12)
	near(t, "current", ws.ImpedanceCurrent(0, 0), Phasor{0.0575, 0}, 1e-15)
}

// Lost neutral by Millman's theorem (J. Millman, "A Useful Network Theorem",
// Proceedings of the IRE 28 (1940) 413–417): the star point of unequal loads
// without a neutral stands at ΣE·Y / ΣY. With 20, 40 and 80 Ω on 230 V that
// is 230·(1/20 + a²/40 + a/80)/(7/80) = 230·(2.5 − j·√3/2)/7 by hand.
func TestMillmanLostNeutral(t *testing.T) {
	h := math.Sqrt(3) / 2
	c := Circuit{FHz: 50, Nodes: []string{"l", "l2", "l3", "star"}}
	for i, e := range []Phasor{{230, 0}, {-115, -230 * h}, {-115, 230 * h}} {
		l := c.Nodes[i]
		c.VoltageSources = append(c.VoltageSources, VoltageSource{Plus: l, Minus: Earth, EReVolt: e.Re, EImVolt: e.Im})
		c.Impedances = append(c.Impedances, Impedance{A: l, B: "star", ROhm: 20 * float64(int(1)<<i)})
	}
	p, ws := solved(t, c)
	want := Phasor{230 * 2.5 / 7, -230 * h / 7}
	near(t, "star", at(t, p, ws, "star"), want, 1e-12)
	// The lightest load, 80 Ω, is overvolted to 230·|−6 + j4√3|/7 = 230·√84/7.
	k, _ := p.Node("star")
	l3, _ := p.Node("l3")
	if got, want := ws.RMS(l3, k), 230*math.Sqrt(84)/7; math.Abs(got-want) > 1e-11 {
		t.Errorf("across 80 Ω: %g V, want %g V", got, want)
	}
}

// A balanced Wheatstone bridge (C. Wheatstone, Philosophical Transactions 133
// (1843) 303–327) shows nothing across its middle whatever joins it there;
// out of balance by one part in a thousand in one of four equal arms it shows
// U/4·δ/(1 + δ/2). [P]
func TestWheatstoneBridge(t *testing.T) {
	bridge := func(x float64) Circuit {
		return Circuit{
			FHz: 50, Nodes: []string{"top", "left", "right"},
			VoltageSources: []VoltageSource{{Plus: "top", Minus: Earth, EReVolt: 10}},
			Impedances: []Impedance{
				{"1", "top", "left", 100, 0}, {"2", "left", Earth, 100, 0},
				{"3", "top", "right", 100, 0}, {"x", "right", Earth, x, 0},
			},
		}
	}
	c := bridge(100)
	c.Impedances = append(c.Impedances, Impedance{"detector", "left", "right", 3, 4})
	_, ws := solved(t, c)
	near(t, "detector", ws.ImpedanceCurrent(4, 0), Phasor{}, 1e-15)
	c = bridge(100.1)
	p, ws := solved(t, c, "right", "left")
	open, z, err := ws.Thevenin(0, 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "open middle", open, Phasor{10. / 4 * 0.001 / 1.0005, 0}, 1e-14)
	near(t, "seen from the middle", z, Phasor{50 + 100*100.1/200.1, 0}, 1e-12)
	near(t, "left", at(t, p, ws, "left"), Phasor{5, 0}, 1e-14)
}

// The load that takes the most power is the conjugate of the source's
// impedance and takes E²/4R (the maximum power transfer theorem, attributed
// to Jacobi, 1840 [M] from memory).
func TestGreatestPower(t *testing.T) {
	c := Circuit{
		FHz: 50, Nodes: []string{"out"},
		VoltageSources: []VoltageSource{{Plus: "out", Minus: Earth, EReVolt: 230, ROhm: 2, XOhm: 3}},
	}
	_, ws := solved(t, c, "out")
	power := func(z Phasor) float64 {
		y := z.inverse()
		var out [1]Phasor
		if _, err := ws.LoadPairs([]Pair{{A: 0, B: EarthPort, Y: y}}, out[:]); err != nil {
			t.Fatal(err)
		}
		return out[0].abs2() * y.Re
	}
	best := power(Phasor{2, -3})
	if want := 230.0 * 230 / 8; math.Abs(best-want) > 1e-9 {
		t.Errorf("matched load takes %g W, want %g W", best, want)
	}
	for _, z := range []Phasor{{2.1, -3}, {1.9, -3}, {2, -3.1}, {2, -2.9}} {
		if p := power(z); p >= best {
			t.Errorf("%v takes %g W, more than the matched load's %g W", z, p, best)
		}
	}
}

// Delta to star (A. E. Kennelly, Electrical World and Engineer 34 (1899)
// 413–414): arms of 30, 60 and 90 Ω are the star 10, 15 and 30 Ω seen from
// any two corners (arms ab 30, bc 90, ca 60: a = 30·60/180 = 10, b = 30·90/180 = 15,
// c = 60·90/180 = 30).
func TestDeltaStar(t *testing.T) {
	c := Circuit{
		FHz: 50, Nodes: []string{"a", "b", "c"},
		Impedances: []Impedance{{"ab", "a", "b", 30, 0}, {"bc", "b", "c", 90, 0}, {"ca", "c", "a", 60, 0}},
		Capacitors: []Capacitor{{"", "a", Earth, 1e-15}},
	}
	_, ws := solved(t, c, "a", "b", "c")
	for _, tc := range []struct {
		a, b int
		want float64
	}{{0, 1, 25}, {1, 2, 45}, {2, 0, 40}} {
		// By the exact route, since only a femtofarad holds the delta.
		d, err := ws.Attach([]Attachment{{A: tc.a, B: tc.b, Y: Phasor{1, 0}, E: Phasor{1, 0}}})
		if err != nil {
			t.Fatal(err)
		}
		z := Phasor{-1, 0}.Over(d.Current(0, 0)).Minus(Phasor{1, 0})
		near(t, "between corners", z, Phasor{tc.want, 0}, 1e-9)
	}
}

// A series RL load of 3 + j4 Ω on 230 V takes 46 A lagging by arctan(4/3):
// 27.6 − j36.8 A (the 3-4-5 example of every handbook [P]).
func TestSeriesRL(t *testing.T) {
	c := Circuit{
		FHz: 50, Nodes: []string{"l"},
		VoltageSources: []VoltageSource{{Plus: "l", Minus: Earth, EReVolt: 230}},
		Impedances:     []Impedance{{"load", "l", Earth, 3, 4}},
	}
	_, ws := solved(t, c)
	near(t, "load", ws.ImpedanceCurrent(0, 0), Phasor{27.6, -36.8}, 1e-12)
}

// Earth fault loop (IEC 60364-4-41:2005, 411.4.4, Zs·Ia ≤ U0): with a source
// of 0.35 Ω, a line of 0.4 Ω and a protective conductor of 0.65 Ω the fault
// current is 230/1.4 A and the metalwork rises to 230·0.65/1.4 V. Values
// invented, formula from the standard.
func TestEarthFault(t *testing.T) {
	c := Circuit{
		FHz: 50, Nodes: []string{"supply", "fault", "met"},
		VoltageSources: []VoltageSource{{Plus: "supply", Minus: Earth, EReVolt: 230, ROhm: 0.35}},
		Impedances:     []Impedance{{"line", "supply", "fault", 0.4, 0}, {"cpc", "met", Earth, 0.65, 0}},
		Contacts:       []Contact{{"fault", "fault", "met", true}},
	}
	p, ws := solved(t, c)
	near(t, "fault current", ws.ImpedanceCurrent(0, 0), Phasor{230 / 1.4, 0}, 1e-10)
	near(t, "metalwork", at(t, p, ws, "met"), Phasor{230 * 0.65 / 1.4, 0}, 1e-11)
}
