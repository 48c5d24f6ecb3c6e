package circuit

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// withRow is the circuit with an admittance as a row of its own, so that a
// plain solve can judge an attachment.
func withRow(c Circuit, a, b string, rOhm, cFarad float64) Circuit {
	c = c.clone()
	c.Impedances = append(c.Impedances, Impedance{"attached r", a, b, rOhm, 0})
	if cFarad > 0 {
		c.Capacitors = append(c.Capacitors, Capacitor{"attached c", a, b, cFarad})
	}
	return c
}

// inSecondary adds a metering transformer to a random circuit: its primary is
// the first impedance, its secondary an island with one end earthed.
func inSecondary(c Circuit) Circuit {
	c = c.clone()
	c.Nodes = append(c.Nodes, "s1", "s2", "burden")
	for _, n := range c.Nodes[len(c.Nodes)-3:] {
		c.Capacitors = append(c.Capacitors, Capacitor{"to earth/" + n, n, Earth, 1e-11})
	}
	c.Impedances = append(c.Impedances,
		Impedance{"lead", "s1", "burden", 0.1, 0}, Impedance{"burden", "burden", "s2", 0.2, 0.1},
		Impedance{"earthed", "s2", Earth, 0.5, 0})
	c.Transformers = append(c.Transformers, CurrentTransformer{"ct", "z0", "s2", "s1", 40})
	return c
}

// highest is the greatest voltage of any node. A difference of two voltages
// can be no better than the last digits of this one: 0.2 A driven through a
// gigaohm makes it hundreds of megavolts.
func highest(ws *Workspace) float64 {
	most := 0.0
	for _, v := range ws.v {
		most = max(most, v.Abs())
	}
	return most
}

// Each pair loaded alone, several things attached together, and rows of the
// circuit must agree, on mild circuits, on those with islands, and with a
// current transformer.
func TestLoadedPairsAgainstRows(t *testing.T) {
	for seed := range uint64(times(40)) {
		for kind, s := range []span{mild, floats, hard} {
			c := randomCircuit(3000+seed, 14, s)
			if seed%2 == 1 {
				c = inSecondary(c)
			}
			ports := append([]string{Earth, c.Nodes[0]}, c.Nodes[4:len(c.Nodes)]...)
			_, ws := solved(t, c, ports...)
			for _, load := range []struct{ ohm, farad float64 }{{1e6, 30e-12}, {250e3, 0}, {10, 0}, {0.02, 0}} {
				for n := range 6 {
					a := (int(seed) + n) % len(ports)
					b := (a + 1 + n) % len(ports)
					y := Phasor{1 / load.ohm, ws.w * load.farad}
					var out [1]Phasor
					if _, err := ws.LoadPairs([]Pair{{A: a, B: b, Y: y}}, out[:]); err != nil {
						t.Fatal(err)
					}
					d, err := ws.Attach([]Attachment{{A: a, B: b, Y: y}})
					if err != nil {
						t.Fatal(err)
					}
					rows := withRow(c, ports[a], ports[b], load.ohm, load.farad)
					p2, ws2 := solved(t, rows)
					i, _ := p2.Node(ports[a])
					j, _ := p2.Node(ports[b])
					want := ws2.Voltage(i, 0).Minus(ws2.Voltage(j, 0))
					floor := 1e-10 + 1e-15*highest(ws2)
					tol := 1e-9*want.Abs() + floor
					what := fmt.Sprintf("kind %d seed %d %g Ω on %s, %s", kind, seed, load.ohm, ports[a], ports[b])
					near(t, what+" alone", out[0], want, tol)
					near(t, what+" attached", d.Across(0, 0), want, tol)
					// And everywhere else in the circuit.
					for _, node := range c.Nodes {
						k, _ := ws.plan.Node(node)
						k2, _ := p2.Node(node)
						near(t, what+" at "+node, d.Voltage(k, 0), ws2.Voltage(k2, 0), 1e-9*ws2.Voltage(k2, 0).Abs()+floor)
					}
				}
			}
		}
	}
}

func TestSeveralAttachments(t *testing.T) {
	for seed := range uint64(times(30)) {
		c := randomCircuit(4000+seed, 16, []span{mild, floats, hard}[seed%3])
		if seed%2 == 0 {
			c = inSecondary(c)
		}
		c.Groups = []int{3}
		ports := append([]string{Earth}, c.Nodes[3:]...)
		_, ws := solved(t, c, ports...)
		n := len(ports)
		list := []Attachment{
			{A: 1, B: n - 1, Y: Phasor{1e-6, 0}},
			{A: n / 2, B: EarthPort, Y: Phasor{1e-3, 0}},
			{A: 2, B: 0, Y: Phasor{0.1, 0}, E: Phasor{9, 1}, Group: 3},
		}
		d, err := ws.Attach(list)
		if err != nil {
			t.Fatal(err)
		}
		rows := withRow(withRow(c, ports[1], ports[n-1], 1e6, 0), ports[n/2], Earth, 1e3, 0)
		rows.Impedances[len(rows.Impedances)-1].Name = "second"
		rows.VoltageSources = append(rows.VoltageSources, VoltageSource{Name: "own", Plus: ports[2], Minus: Earth, EReVolt: 9, EImVolt: 1, ROhm: 10, Group: 3})
		p2, ws2 := solved(t, rows)
		floor := 1e-11 + 1e-15*highest(ws2)
		for g := range 2 {
			for _, node := range c.Nodes {
				k, _ := ws.plan.Node(node)
				k2, _ := p2.Node(node)
				want := ws2.Voltage(k2, g)
				near(t, fmt.Sprintf("seed %d group %d %s", seed, g, node), d.Voltage(k, g), want, 1e-9*want.Abs()+floor)
			}
			for i := range c.Impedances {
				want := ws2.ImpedanceCurrent(i, g)
				y := ws2.rowY[i].Abs()
				near(t, fmt.Sprintf("seed %d group %d current %d", seed, g, i), d.ImpedanceCurrent(i, g), want, 1e-8*want.Abs()+floor*y)
			}
		}
		own := d.Current(2, 1)
		near(t, "current of the active one", own, d.Across(2, 1).Minus(Phasor{9, 1}).Times(Phasor{0.1, 0}), 1e-12)
	}
}

// The reduced network stands for the circuit: as rows of a new circuit it
// gives the ports the same voltages, loaded or not.
func TestPortRowsStandForTheCircuit(t *testing.T) {
	for seed := range uint64(times(30)) {
		c := randomCircuit(5000+seed, 18, []span{mild, floats, hard}[seed%3])
		ports := c.Nodes[6:]
		p, ws := solved(t, c, ports...)
		rows, err := ws.PortRows(nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		// Kirchhoff at each port with the full solution's voltages.
		sum, size := map[int]Phasor{}, map[int]float64{}
		for _, r := range rows {
			if r.A < p.interior || r.B > p.n || r.A >= r.B {
				t.Fatalf("row from %d to %d", r.A, r.B)
			}
			va, vb := ws.Voltage(r.A, 0), ws.Voltage(r.B, 0)
			amp := r.Y.Times(va.Minus(vb)).Plus(r.J)
			bulk := r.Y.Abs()*(va.Abs()+vb.Abs()) + r.J.Abs()
			sum[r.A], sum[r.B] = sum[r.A].Plus(amp), sum[r.B].Minus(amp)
			size[r.A], size[r.B] = size[r.A]+bulk, size[r.B]+bulk
		}
		for k := p.interior; k < p.n; k++ {
			if !(sum[k].Abs() <= 1e-12*size[k]) {
				t.Errorf("seed %d: %s: currents of %g A leave %g A", seed, p.names[k], size[k], sum[k].Abs())
			}
		}
		if len(rows) == 0 {
			t.Error("no rows")
		}
	}
}

func TestTheveninOfAPort(t *testing.T) {
	c, ports := servicePosition(1)
	p, ws := solved(t, c, ports...)
	for i, name := range ports {
		open, z, err := ws.Thevenin(i, EarthPort, 0)
		if err != nil {
			t.Fatal(err)
		}
		k, _ := p.Node(name)
		near(t, name, open, ws.Voltage(k, 0), 0)
		// One ampere into the port, the supply dead.
		probe := c.clone()
		probe.VoltageSources[0].EReVolt = 0
		probe.CurrentSources = append(probe.CurrentSources, CurrentSource{Name: "probe", From: Earth, To: name, IReAmp: 1})
		p2, ws2 := solved(t, probe)
		k2, _ := p2.Node(name)
		near(t, name, z, ws2.Voltage(k2, 0), 1e-9*z.Abs())
	}
}

// A curve's fixed iteration must end where the curve and the circuit agree.
func TestCurvesSettle(t *testing.T) {
	c, ports := servicePosition(1)
	_, ws := solved(t, c, ports...)
	curves := map[string]Curve{
		// Invented, of the usual shapes.
		"falling with voltage": func(v float64) Phasor { return Phasor{(1 + v/50) / 6000, 1e-8} },
		"glow":                 func(v float64) Phasor { return Phasor{1e-9 + 1e-5*max(0, v-60)/(v+1), 0} },
		"filament":             func(v float64) Phasor { return Phasor{1 / (60 + float64(2*v)), 0} },
	}
	names := []string{"falling with voltage", "filament", "glow"}
	if len(names) != len(curves) {
		t.Fatal("a curve is not tried")
	}
	for _, name := range names {
		curve := curves[name]
		for a := range ports {
			for b := EarthPort; b < a; b++ {
				var out [1]Phasor
				gap, err := ws.LoadPairs([]Pair{{A: a, B: b, Curve: curve}}, out[:])
				if err != nil {
					t.Fatal(err)
				}
				open, z, _ := ws.Thevenin(a, b, 0)
				v := out[0].Abs()
				den := z.Times(curve(v))
				den.Re++
				if d := math.Abs(open.Over(den).Abs() - v); d > 1e-4 || gap > 1e-4 {
					t.Errorf("%s on %d, %d: %g V, off by %g V, gap %g V", name, a, b, v, d, gap)
				}
				d, err := ws.Attach([]Attachment{{A: a, B: b, Curve: curve}})
				if err != nil {
					t.Fatal(err)
				}
				near(t, name, d.Across(0, 0), out[0], 1e-4)
			}
		}
	}
	d, err := ws.Attach([]Attachment{
		{A: 0, B: 9, Curve: curves["filament"]},
		{A: 4, B: 11, Curve: curves["falling with voltage"]},
		{A: 2, B: 10, Y: Phasor{1e-6, 0}},
		{A: 3, B: EarthPort, Curve: curves["glow"]},
	})
	if err != nil {
		t.Fatal(err)
	}
	gap := d.Gap()
	if gap > 1e-3 {
		t.Errorf("three curves together leave a gap of %g V", gap)
	}
	// The gap is what it says: the curves at the voltages found give the
	// admittances used, to within it.
	for i, name := range []string{"filament", "falling with voltage", "", "glow"} {
		if name == "" {
			continue
		}
		v := d.Across(i, 0).Abs()
		used, now := d.Current(i, 0).Abs(), curves[name](v).Abs()*v
		if math.Abs(used-now) > 1e-4*used+1e-9 {
			t.Errorf("%s: %g A at %g V, its curve says %g A", name, used, v, now)
		}
	}
}

// What cannot settle is said: a curve that jumps has no solution at the jump.
func TestGapIsReported(t *testing.T) {
	c := divider()
	_, ws := solved(t, c, "mid")
	jump := func(v float64) Phasor {
		if v > 150 {
			return Phasor{1e-3, 0}
		}
		return Phasor{}
	}
	var out [1]Phasor
	gap, err := ws.LoadPairs([]Pair{{A: 0, B: EarthPort, Curve: jump}}, out[:])
	if err != nil {
		t.Fatal(err)
	}
	if gap < 1 {
		t.Errorf("gap of %g V for a curve that jumps", gap)
	}
}

// Groups are solved apart and add up as they should.
func TestGroups(t *testing.T) {
	for seed := range uint64(times(20)) {
		c := randomCircuit(6000+seed, 15, []span{mild, floats}[seed%2])
		c.VoltageSources[1].Group = 2
		c.CurrentSources[0].Group = 5
		if seed%3 == 0 {
			c = inSecondary(c)
		}
		p, ws := solved(t, c)
		groups := p.Groups()
		if !slices.Equal(groups, []int{0, 2, 5}) {
			t.Fatalf("groups %v", groups)
		}
		for g, number := range groups {
			want, err := c.twice(number, bigGauss)
			if err != nil {
				t.Fatal(err)
			}
			if e, at := worst(&c, p, ws, g, want, 1e-4); !(e <= 1e-9) {
				t.Errorf("seed %d group %d: %s is off by %.1e", seed, number, at, e)
			}
		}
		together := c.clone()
		together.VoltageSources[1].Group, together.CurrentSources[0].Group = 0, 0
		together.VoltageSources[1].EReVolt *= 2
		together.VoltageSources[1].EImVolt *= 2
		p2, ws2 := solved(t, together)
		a, _ := p.Node(c.Nodes[3])
		b, _ := p2.Node(c.Nodes[3])
		want := ws2.Voltage(b, 0)
		near(t, "superposed", ws.Sum(a, []float64{1, 2, 1}), want, 1e-12*want.Abs()+1e-11)
		square := 0.0
		for g := range groups {
			square += ws.Voltage(a, g).abs2()
		}
		k, _ := p.Node(Earth)
		if got := ws.RMS(a, k); math.Abs(got-math.Sqrt(square)) > 1e-12*got {
			t.Errorf("r.m.s. %g, want %g", got, math.Sqrt(square))
		}
	}
}

// 200/5 A on a load of 60 A gives 1.5 A in the burden, and 0.3 V over 0.2 Ω. [P]
func TestCurrentTransformer(t *testing.T) {
	c := Circuit{
		FHz: 50, Nodes: []string{"l", "load", "s1", "s2"},
		VoltageSources: []VoltageSource{{Plus: "l", Minus: Earth, EReVolt: 240}},
		Impedances: []Impedance{
			{"bar", "l", "load", 0.0001, 0}, {"load", "load", Earth, 3.9999, 0},
			{"burden", "s1", "s2", 0.2, 0},
		},
		Contacts:     []Contact{{"earthed", "s2", Earth, true}},
		Transformers: []CurrentTransformer{{"ct", "bar", "s2", "s1", 40}},
	}
	p, ws := solved(t, c)
	near(t, "primary", ws.ImpedanceCurrent(0, 0), Phasor{60, 0}, 1e-8)
	near(t, "burden", ws.ImpedanceCurrent(2, 0), Phasor{1.5, 0}, 1e-9)
	near(t, "terminals", at(t, p, ws, "s1"), Phasor{0.3, 0}, 1e-9)
	c.Transformers[0].From, c.Transformers[0].To = "s1", "s2"
	p, ws = solved(t, c)
	near(t, "reversed", at(t, p, ws, "s1"), Phasor{-0.3, 0}, 1e-9)
	c.Transformers[0].To = "l"
	_, ws = solved(t, c)
	if r, err := ws.Check(); err != nil || r.Feedback != 0 {
		t.Errorf("a secondary on an ideal source fed back %g (%v)", r.Feedback, err)
	}
	c.Transformers[0].To, c.Transformers[0].Ratio = "load", 2
	_, ws = solved(t, c)
	if r, err := ws.Check(); err != nil || r.Feedback < 0.1 {
		t.Errorf("a secondary across its own load fed back %g (%v)", r.Feedback, err)
	}
}

func TestMergedAndHeldPorts(t *testing.T) {
	c := divider()
	c.Contacts[0] = Contact{"switch", "mid", "twin", true}
	c.Nodes = append(c.Nodes, "twin")
	c.Transformers = nil
	_, ws := solved(t, c, "top", "mid", "twin", Earth)
	var out [4]Phasor
	y := Phasor{1. / 3000, 0}
	if _, err := ws.LoadPairs([]Pair{{A: 2, B: 3, Y: y}, {A: 0, B: 1, Y: y}, {A: 1, B: 2, Y: y}, {A: 0, B: EarthPort, Y: y}}, out[:]); err != nil {
		t.Fatal(err)
	}
	near(t, "twin loaded to earth", out[0], Phasor{230 * 1500 / 2500., 0}, 1e-4)
	near(t, "top to mid loaded", out[1], Phasor{230 * 750 / 3750., 0}, 1e-4)
	near(t, "mid to twin", out[2], Phasor{}, 0)
	near(t, "held", out[3], Phasor{230, 0}, 0)
}

// With several groups, a pair loaded alone and the same thing attached agree
// group by group, and a curve feels the r.m.s. of all groups.
func TestPairsInGroups(t *testing.T) {
	for seed := range uint64(times(12)) {
		c := randomCircuit(9000+seed, 14, []span{mild, floats}[seed%2])
		c.VoltageSources[1].Group = 1
		if seed%3 == 0 {
			c = inSecondary(c)
		}
		ports := c.Nodes[3:]
		_, ws := solved(t, c, ports...)
		felt := 0.0
		curve := func(v float64) Phasor { felt = v; return Phasor{1 / (1000 + v), 0} }
		for _, l := range []Pair{{A: 0, B: 5, Y: Phasor{1e-3, 1e-6}}, {A: 4, B: EarthPort, Curve: curve}} {
			var out [2]Phasor
			if _, err := ws.LoadPairs([]Pair{l}, out[:]); err != nil {
				t.Fatal(err)
			}
			if l.Curve != nil && math.Abs(felt-rms(out[:])) > 1e-4 {
				t.Errorf("seed %d: curve taken at %g V, voltage %g V", seed, felt, rms(out[:]))
			}
			d, err := ws.Attach([]Attachment{{A: l.A, B: l.B, Y: l.Y, Curve: l.Curve}})
			if err != nil {
				t.Fatal(err)
			}
			for g := range out {
				near(t, fmt.Sprintf("seed %d group %d", seed, g), d.Across(0, g), out[g], 1e-9*out[g].Abs()+1e-9+1e-15*highest(ws))
			}
		}
	}
}

func TestOutOfRangeShowsNothing(t *testing.T) {
	c := divider()
	p, ws := solved(t, c, "mid")
	d, err := ws.Attach([]Attachment{{A: 0, B: EarthPort, Y: Phasor{1e-6, 0}}})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []Phasor{
		ws.Voltage(-1, 0), ws.Voltage(99, 0), ws.Voltage(0, 1), d.Voltage(99, 0), d.Voltage(0, -1),
		ws.ImpedanceCurrent(2, 0), d.ImpedanceCurrent(-1, 0), d.Across(1, 0), d.Current(-1, 0),
	} {
		if v != (Phasor{}) {
			t.Errorf("got %v from nowhere", v)
		}
	}
	if _, ok := p.Node("nowhere"); ok {
		t.Error("found a node that is not there")
	}
	if _, _, err := ws.Thevenin(0, 3, 0); err == nil {
		t.Error("an equivalent at no port")
	}
	if _, _, err := ws.Thevenin(0, 0, 2); err == nil {
		t.Error("an equivalent in no group")
	}
	if _, err := ws.PortRows(nil, 2); err == nil {
		t.Error("rows of no group")
	}
	ws.touch()
	if _, _, err := ws.Thevenin(0, EarthPort, 0); err == nil {
		t.Error("an equivalent of values not solved")
	}
	if _, err := ws.PortRows(nil, 0); err == nil {
		t.Error("rows of values not solved")
	}
	if _, err := ws.Check(); err == nil {
		t.Error("a report of values not solved")
	}
}
