package circuit

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
)

// divider is 230 V over 1 kΩ and 3 kΩ, "mid" between them.
func divider() Circuit {
	return Circuit{
		FHz:            50,
		Nodes:          []string{"top", "mid"},
		Impedances:     []Impedance{{"upper", "top", "mid", 1000, 0}, {"lower", "mid", Earth, 3000, 0}},
		Capacitors:     []Capacitor{{"stray", "mid", Earth, 1e-12}},
		VoltageSources: []VoltageSource{{Name: "supply", Plus: "top", Minus: Earth, EReVolt: 230}},
		CurrentSources: []CurrentSource{{Name: "leak", From: Earth, To: "mid"}},
		Contacts:       []Contact{{"switch", "top", "mid", false}},
		Transformers:   []CurrentTransformer{{"ct", "upper", Earth, "mid", 1e6}},
	}
}

func TestRefusedRows(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, tc := range []struct {
		name  string
		spoil func(*Circuit)
		want  error
		says  string
	}{
		{"frequency not a number", func(c *Circuit) { c.FHz = nan }, errNotANumber, "FHz"},
		{"frequency zero", func(c *Circuit) { c.FHz = 0 }, errOutOfRange, "FHz"},
		{"frequency negative", func(c *Circuit) { c.FHz = -50 }, errNegative, "FHz"},
		{"node without a name", func(c *Circuit) { c.Nodes[0] = "" }, errEmptyName, "nodes row 0"},
		{"node twice", func(c *Circuit) { c.Nodes = append(c.Nodes, "mid") }, errDuplicate, "mid"},
		{"earth declared", func(c *Circuit) { c.Nodes = append(c.Nodes, Earth) }, errDuplicate, "earth"},
		{"group", func(c *Circuit) { c.Groups = []int{-1} }, errNegative, "groups"},
		{"resistance not a number", func(c *Circuit) { c.Impedances[0].ROhm = nan }, errNotANumber, `impedances row 0 ("upper"): ROhm`},
		{"resistance infinite", func(c *Circuit) { c.Impedances[0].ROhm = inf }, errNotANumber, "ROhm"},
		{"resistance negative", func(c *Circuit) { c.Impedances[1].ROhm = -1 }, errNegative, "lower"},
		{"reactance negative", func(c *Circuit) { c.Impedances[1].XOhm = -1 }, errNegative, "capacitor"},
		{"reactance not a number", func(c *Circuit) { c.Impedances[1].XOhm = nan }, errNotANumber, "XOhm"},
		{"no impedance", func(c *Circuit) { c.Impedances[0].ROhm = 0 }, errOutOfRange, "closed contact"},
		{"resistance too large", func(c *Circuit) { c.Impedances[0].ROhm = 1e16 }, errOutOfRange, "ROhm"},
		{"impedance to nowhere", func(c *Circuit) { c.Impedances[0].B = "nowhere" }, errUnknownNode, `B "nowhere"`},
		{"impedance from nowhere", func(c *Circuit) { c.Impedances[0].A = "" }, errUnknownNode, `A ""`},
		{"name twice", func(c *Circuit) { c.Impedances[1].Name = "upper" }, errDuplicate, "rename"},
		{"capacitance negative", func(c *Circuit) { c.Capacitors[0].CFarad = -1e-12 }, errNegative, "CFarad"},
		{"capacitance zero", func(c *Circuit) { c.Capacitors[0].CFarad = 0 }, errOutOfRange, "CFarad"},
		{"capacitance not a number", func(c *Circuit) { c.Capacitors[0].CFarad = nan }, errNotANumber, "CFarad"},
		{"capacitor to nowhere", func(c *Circuit) { c.Capacitors[0].A = "x" }, errUnknownNode, "capacitors"},
		{"voltage not a number", func(c *Circuit) { c.VoltageSources[0].EImVolt = nan }, errNotANumber, "EImVolt"},
		{"voltage too high", func(c *Circuit) { c.VoltageSources[0].EReVolt = -1e13 }, errOutOfRange, "EReVolt"},
		{"source impedance negative", func(c *Circuit) { c.VoltageSources[0].ROhm = -1 }, errNegative, "voltage sources"},
		{"source group negative", func(c *Circuit) { c.VoltageSources[0].Group = -1 }, errNegative, "Group"},
		{"source to nowhere", func(c *Circuit) { c.VoltageSources[0].Minus = "x" }, errUnknownNode, "Minus"},
		{"ideal source between nodes", func(c *Circuit) { c.VoltageSources[0].Minus = "mid" }, errNotToEarth, "supply"},
		{"ideal source on itself", func(c *Circuit) { c.VoltageSources[0].Plus = Earth }, errShorted, "supply"},
		{"ideal source shorted", func(c *Circuit) {
			c.Contacts = append(c.Contacts, Contact{"", "top", Earth, true})
		}, errShorted, "supply"},
		{"two ideal sources", func(c *Circuit) {
			c.VoltageSources = append(c.VoltageSources, VoltageSource{Name: "other", Plus: "mid", Minus: Earth})
			c.Contacts[0].Closed = true
		}, errConflict, "other"},
		{"current not a number", func(c *Circuit) { c.CurrentSources[0].IReAmp = nan }, errNotANumber, "IReAmp"},
		{"current group negative", func(c *Circuit) { c.CurrentSources[0].Group = -2 }, errNegative, "Group"},
		{"current to nowhere", func(c *Circuit) { c.CurrentSources[0].To = "x" }, errUnknownNode, "To"},
		{"contact to nowhere", func(c *Circuit) { c.Contacts[0].B = "x" }, errUnknownNode, "contacts"},
		{"ratio zero", func(c *Circuit) { c.Transformers[0].Ratio = 0 }, errOutOfRange, "Ratio"},
		{"ratio negative", func(c *Circuit) { c.Transformers[0].Ratio = -40 }, errNegative, "Ratio"},
		{"no such primary", func(c *Circuit) { c.Transformers[0].Primary = "x" }, errUnknownRow, "Primary"},
		{"secondary to nowhere", func(c *Circuit) { c.Transformers[0].From = "x" }, errUnknownNode, "From"},
	} {
		c := divider()
		tc.spoil(&c)
		p, err := Compile(c, nil)
		if p != nil || !errors.Is(err, tc.want) || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: got %v, want %v and the words %q", tc.name, err, tc.want, tc.says)
		}
		var row *RowError
		if !errors.As(err, &row) {
			t.Errorf("%s: %T is not a RowError", tc.name, err)
		}
	}
}

func TestEveryFaultAtOnce(t *testing.T) {
	c := divider()
	c.Impedances[0].ROhm = -1
	c.Capacitors[0].CFarad = math.NaN()
	_, err := Compile(c, nil)
	if !errors.Is(err, errNegative) || !errors.Is(err, errNotANumber) {
		t.Errorf("got %v, want both faults", err)
	}
}

func TestFloatingNodes(t *testing.T) {
	c := divider()
	c.Nodes = append(c.Nodes, "adrift", "beside", "pushed")
	c.Impedances = append(c.Impedances, Impedance{"bond", "adrift", "beside", 1, 0})
	c.Contacts = append(c.Contacts, Contact{"open", "adrift", "top", false})
	c.CurrentSources = append(c.CurrentSources, CurrentSource{Name: "push", From: "top", To: "pushed", IReAmp: 1})
	_, err := Compile(c, nil)
	var floating *FloatingError
	if !errors.As(err, &floating) || !slices.Equal(floating.Nodes, []string{"adrift", "beside", "pushed"}) || !strings.Contains(err.Error(), "adrift, beside, pushed") {
		t.Fatalf("got %v", err)
	}
	c.CurrentSources = c.CurrentSources[:1]
	c.Nodes = c.Nodes[:4]
	c.Contacts[1].Closed = true
	p, ws := solved(t, c)
	k, _ := p.Node("beside")
	if v := ws.Voltage(k, 0); v.Minus(Phasor{230, 0}).Abs() > 1e-9 {
		t.Errorf("beside is at %v, want 230 V through the contact", v)
	}
}

// An impedance opened by value can strand nodes too, and Solve says which.
func TestOpenedImpedanceStrands(t *testing.T) {
	c := divider()
	c.Transformers, c.Capacitors = nil, nil
	c.Nodes = append(c.Nodes, "end")
	c.Impedances = append(c.Impedances, Impedance{"tail", "mid", "end", 1, 0})
	_, ws := solved(t, c)
	if err := ws.OpenImpedance(2); err != nil {
		t.Fatal(err)
	}
	var floating *FloatingError
	if err := ws.Solve(); !errors.As(err, &floating) || !slices.Equal(floating.Nodes, []string{"end"}) {
		t.Fatalf("got %v", err)
	}
	if v := ws.Voltage(0, 0); v != (Phasor{}) {
		t.Errorf("a failed solve still shows %v", v)
	}
	ws.reset()
	if err := ws.Solve(); err != nil {
		t.Fatal(err)
	}
}

func TestRefusedValues(t *testing.T) {
	c := divider()
	_, ws := solved(t, c, "top", "mid")
	out := make([]Phasor, 1)
	pair := func(p Pair) error { _, err := ws.LoadPairs([]Pair{p}, out); return err }
	attach := func(a Attachment) error { _, err := ws.Attach([]Attachment{a}); return err }
	for _, tc := range []struct {
		name string
		err  error
		want error
	}{
		{"impedance rows", ws.SetImpedances([]int32{0, 2}, 1, 0), errUnknownRow},
		{"impedances negative", ws.SetImpedances([]int32{0}, -1, 0), errNegative},
		{"impedances of no row", ws.SetImpedances([]int32{-1}, -1, 0), errUnknownRow},
		{"capacitor rows", ws.SetCapacitors([]int32{1}, 1e-9), errUnknownRow},
		{"capacitors", ws.SetCapacitors([]int32{0}, math.NaN()), errNotANumber},
		{"impedance row", ws.SetImpedance(2, 1, 0), errUnknownRow},
		{"impedance negative", ws.SetImpedance(0, -1, 0), errNegative},
		{"open row", ws.OpenImpedance(-1), errUnknownRow},
		{"capacitor row", ws.SetCapacitor(1, 1e-9), errUnknownRow},
		{"capacitor", ws.SetCapacitor(0, 0), errOutOfRange},
		{"voltage row", ws.SetVoltage(9, Phasor{}), errUnknownRow},
		{"voltage", ws.SetVoltage(0, Phasor{math.Inf(-1), 0}), errNotANumber},
		{"impedance of an ideal source", ws.SetVoltageImpedance(0, 1, 0), errOutOfRange},
		{"impedance of no source", ws.SetVoltageImpedance(3, 1, 0), errUnknownRow},
		{"current row", ws.SetCurrent(1, Phasor{}), errUnknownRow},
		{"current", ws.SetCurrent(0, Phasor{0, math.NaN()}), errNotANumber},
		{"pair port", pair(Pair{A: 0, B: 2}), errUnknownPort},
		{"pair port below", pair(Pair{A: -2, B: 0}), errUnknownPort},
		{"pair conductance", pair(Pair{A: 0, B: 1, Y: Phasor{-1, 0}}), errNegative},
		{"pair not a number", pair(Pair{A: 0, B: 1, Y: Phasor{0, math.NaN()}}), errNotANumber},
		{"pair too strong", pair(Pair{A: 0, B: 1, Y: Phasor{1e10, 0}}), errOutOfRange},
		{"pair curve", pair(Pair{A: 0, B: 1, Curve: func(float64) Phasor { return Phasor{-1, 0} }}), errNegative},
		{"attachment port", attach(Attachment{A: 7, B: 0}), errUnknownPort},
		{"attachment conductance", attach(Attachment{A: 1, B: 0, Y: Phasor{-1, 0}}), errNegative},
		{"attachment source", attach(Attachment{A: 1, B: 0, E: Phasor{math.NaN(), 0}}), errNotANumber},
		{"attachment group", attach(Attachment{A: 1, B: 0, E: Phasor{1, 0}, Group: 4}), errUnknownGroup},
		{"attachment curve", attach(Attachment{A: 1, B: 0, Curve: func(float64) Phasor { return Phasor{math.NaN(), 0} }}), errNotANumber},
	} {
		if !errors.Is(tc.err, tc.want) {
			t.Errorf("%s: got %v, want %v", tc.name, tc.err, tc.want)
		}
	}
	if _, err := Compile(c, []string{"nowhere"}); !errors.Is(err, errUnknownNode) {
		t.Errorf("unknown port: got %v", err)
	}
	if _, err := ws.LoadPairs([]Pair{{A: 0, B: 1}}, nil); err == nil {
		t.Error("no room for the result was accepted")
	}
	if err := ws.SetVoltage(0, Phasor{1, 0}); err != nil {
		t.Fatal(err)
	}
	if _, err := ws.Attach(nil); err == nil {
		t.Error("attaching before solving the new values was accepted")
	}
}
