package circuit

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"testing"
)

// fromBytes makes a circuit of whatever the bytes say, faults included.
func fromBytes(data []byte) Circuit {
	next := func() int {
		if len(data) == 0 {
			return 0
		}
		b := data[0]
		data = data[1:]
		return int(b)
	}
	value := func() float64 {
		switch k := next(); {
		case k < 240:
			return math.Pow(10, float64(k%24)-12) * float64(1+k/24)
		case k < 248 && len(data) >= 8:
			v := math.Float64frombits(binary.LittleEndian.Uint64(data))
			data = data[8:]
			return v
		default:
			return 0
		}
	}
	c := Circuit{FHz: 50}
	n := 1 + next()%12
	for i := range n {
		c.Nodes = append(c.Nodes, fmt.Sprint("n", i))
	}
	node := func() string {
		switch k := next() % (n + 3); {
		case k < n:
			return c.Nodes[k]
		case k == n && next() == 255:
			return "nowhere"
		default:
			return Earth
		}
	}
	if next()%4 > 0 {
		for _, name := range c.Nodes {
			c.Capacitors = append(c.Capacitors, Capacitor{"", name, Earth, 1e-11})
		}
	}
	for len(data) > 0 {
		switch next() % 6 {
		case 0, 1:
			c.Impedances = append(c.Impedances, Impedance{fmt.Sprint("z", len(c.Impedances)), node(), node(), value(), value()})
		case 2:
			c.VoltageSources = append(c.VoltageSources, VoltageSource{"", node(), node(), value(), value(), value(), value(), next() % 3})
		case 3:
			c.CurrentSources = append(c.CurrentSources, CurrentSource{"", node(), node(), value(), value(), next() % 3})
		case 4:
			c.Contacts = append(c.Contacts, Contact{"", node(), node(), next()%2 == 0})
		case 5:
			c.Transformers = append(c.Transformers, CurrentTransformer{"", fmt.Sprint("z", next()%4), node(), node(), value()})
		}
	}
	return c
}

// Any circuit is refused with a typed error, reported as ill-conditioned, or
// solved with finite voltages that satisfy Kirchhoff's law; loading a pair
// and attaching the same thing agree.
func FuzzCircuit(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte{3, 1, 2, 0, 12, 50, 60, 61, 62, 0, 0, 1, 12, 80, 1, 2, 14, 90})
	f.Add([]byte{5, 0, 0, 0, 1, 100, 248, 2, 2, 6, 70, 248, 248, 248, 0, 4, 1, 2, 0, 5, 0, 2, 3, 90})
	f.Add([]byte{9, 1, 0, 1, 2, 240, 0, 0, 0, 0, 0, 0, 0xf8, 0x7f, 5})
	f.Fuzz(func(t *testing.T, data []byte) {
		c := fromBytes(data)
		p, err := Compile(c, c.Nodes)
		if err != nil {
			var row *RowError
			var floating *FloatingError
			if !errors.As(err, &row) && !errors.As(err, &floating) {
				t.Fatalf("untyped: %v", err)
			}
			return
		}
		ws := p.NewWorkspace()
		if err := ws.Solve(); err != nil {
			var ill *IllConditionedError
			if !errors.As(err, &ill) {
				t.Fatalf("%v", err)
			}
			return
		}
		report, err := ws.Check()
		if err != nil {
			return // said to be ill-conditioned
		}
		highest := 0.0
		for k := range p.sites {
			for g := range p.groups {
				v := ws.Voltage(k, g)
				if !v.finite() {
					t.Fatalf("%s: %v, but %+v", p.names[k], v, report)
				}
				highest = max(highest, v.Abs())
			}
		}
		y := Phasor{1e-6, 1e-8}
		a, b := 0, len(c.Nodes)-1
		out := make([]Phasor, len(p.groups))
		if _, err := ws.LoadPairs([]Pair{{A: a, B: b, Y: y}}, out); err != nil {
			t.Fatal(err)
		}
		d, err := ws.Attach([]Attachment{{A: a, B: b, Y: y}})
		if err != nil {
			t.Fatal(err)
		}
		for g := range out {
			// A load that resonates can raise what the report has not seen.
			if e := d.Across(0, g).Minus(out[g]).Abs(); report.PivotLoss > 0.01 && report.Feedback < 0.5 && e > 1e-6*highest {
				t.Fatalf("group %d: loaded %v, attached %v, highest %g V, %+v", g, out[g], d.Across(0, g), highest, report)
			}
		}
	})
}
