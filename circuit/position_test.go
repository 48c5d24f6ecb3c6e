package circuit

import (
	"fmt"
	"testing"
)

// servicePosition is a fictional supply of one or three phases: a source with
// its neutral earthed, a main, a service, a cut-out, a meter, an isolator, a
// board and a socket outlet or a motor, with insulation between conductors
// and a capacitance from every node to earth. All values are invented but of
// the usual size.
func servicePosition(phases int) (c Circuit, ports []string) {
	c.FHz = 50
	has := map[string]bool{Earth: true}
	node := func(n string) string {
		if !has[n] {
			has[n] = true
			c.Nodes = append(c.Nodes, n)
			c.Capacitors = append(c.Capacitors, Capacitor{Name: "to earth/" + n, A: n, B: Earth, CFarad: 20e-12})
		}
		return n
	}
	join := func(a, b string, r, x float64) {
		c.Impedances = append(c.Impedances, Impedance{Name: a + "/" + b, A: node(a), B: node(b), ROhm: r, XOhm: x})
	}
	const sin120 = 0.8660254037844386
	emf := [3]Phasor{{230, 0}, {-115, -230 * sin120}, {-115, 230 * sin120}}
	names := [3]string{"l", "l2", "l3"}
	join("supply.star", Earth, 1, 0)
	join("supply.star", "joint.n", 0.05, 0.02)
	join("joint.n", "cutout.n-supply", 0.03, 0.005)
	join("cutout.n-supply", "meter.n-in", 0.0007, 0)
	join("meter.n-in", "meter.n-out", 0.0007, 0)
	join("meter.n-out", "isolator.n-in", 0.0009, 0)
	join("isolator.n-in", "isolator.n-out", 0.0007, 0)
	join("isolator.n-out", "board.n", 0.0009, 0)
	join("board.n", "socket.n", 0.1, 0)
	join("cutout.n-supply", "board.e", 0.002, 0)
	join("board.e", "socket.e", 0.2, 0)
	join("board.e", "metalwork.pipe", 0.01, 0)
	join("metalwork.pipe", Earth, 40, 0)
	join("metalwork.box", "board.e", 1e6, 0)
	join("reference.independent", Earth, 200, 0)
	for i := range phases {
		l := names[i]
		at := func(place, end string) string { return place + "." + l + end }
		c.VoltageSources = append(c.VoltageSources, VoltageSource{
			Name: "supply/" + l, Plus: node(at("supply", "")), Minus: "supply.star",
			EReVolt: emf[i].Re, EImVolt: emf[i].Im, ROhm: 0.01, XOhm: 0.02,
		})
		join(at("supply", ""), at("joint", ""), 0.05, 0.02)
		join(at("joint", ""), at("cutout", "-supply"), 0.03, 0.005)
		join(at("cutout", "-supply"), at("cutout", "-load"), 0.0007, 0)
		join(at("cutout", "-load"), at("meter", "-in"), 0.0007, 0)
		join(at("meter", "-in"), at("meter", "-out"), 0.0007, 0)
		join(at("meter", "-out"), at("isolator", "-in"), 0.0009, 0)
		join(at("isolator", "-in"), at("isolator", "-out"), 0.0007, 0)
		join(at("isolator", "-out"), at("board", ""), 0.0009, 0)
		join(at("board", ""), at("socket", ""), 0.1, 0)
		join(at("board", ""), "board.n", 60, 5)
		join(at("socket", ""), at("lamp", ""), 0.2, 0)
		join(at("lamp", ""), "socket.n", 500, 0)
		join(at("board", ""), "board.e", 1e8, 0)
		join(at("meter", "-out"), "meter.n-out", 1e9, 0)
		join(at("cutout", "-load"), "metalwork.box", 1e9, 0)
		ports = append(ports, at("cutout", "-supply"), at("meter", "-in"), at("meter", "-out"), at("isolator", "-out"), at("socket", ""))
		if i > 0 {
			join(at("board", ""), names[i-1]+"-filter", 1e5, 0)
			join(names[i-1]+"-filter", "board.n", 1e5, 0)
		}
	}
	ports = append(ports, "cutout.n-supply", "meter.n-in", "meter.n-out", "isolator.n-out", "socket.e", "metalwork.box", "reference.independent")
	return c, ports
}

// somePairs spreads count loaded pairs over the ports: two instruments in
// turn, of 1 MΩ with 30 pF and of 250 kΩ.
func somePairs(ports, count int) []Pair {
	var pairs []Pair
	for step := 1; len(pairs) < count; step++ {
		for a := 0; a+step < ports && len(pairs) < count; a++ {
			y := Phasor{1e-6, 1e-8}
			if len(pairs)%2 == 1 {
				y = Phasor{4e-6, 0}
			}
			pairs = append(pairs, Pair{A: a, B: a + step, Y: y})
		}
	}
	return pairs
}

func BenchmarkScenario(b *testing.B) {
	for _, phases := range []int{1, 3} {
		c, ports := servicePosition(phases)
		p, ws := solved(b, c, ports...)
		count := 40 * phases
		pairs := somePairs(len(ports), count)
		out := make([]Phasor, count)
		b.Run(fmt.Sprintf("%d-phase/%dnodes-%dports-%dpairs", phases, p.n, len(ports), count), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				// New values, so that everything is found again.
				if err := ws.SetImpedance(1, 0.05, 0.02); err != nil {
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

func BenchmarkNodeVoltages(b *testing.B) {
	for _, phases := range []int{1, 3} {
		c, ports := servicePosition(phases)
		p, ws := solved(b, c, ports...)
		b.Run(fmt.Sprintf("%d-phase/%dnodes", phases, p.n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				ws.touch()
				if err := ws.Solve(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkAttach(b *testing.B) {
	c, ports := servicePosition(1)
	_, ws := solved(b, c, ports...)
	body := Attachment{A: 0, B: EarthPort, Curve: func(v float64) Phasor { return Phasor{Re: 1 / (1000 + 50000/(v+20))} }}
	meter := Attachment{A: 1, B: 7, Y: Phasor{1e-6, 1e-8}}
	lamp := Attachment{A: 2, B: 9, Y: Phasor{4e-6, 0}}
	for _, bench := range []struct {
		name string
		list []Attachment
	}{{"two", []Attachment{meter, lamp}}, {"two-and-body", []Attachment{meter, lamp, body}}} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := ws.Attach(bench.list); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkCompile(b *testing.B) {
	c, ports := servicePosition(1)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Compile(c, ports); err != nil {
			b.Fatal(err)
		}
	}
}
