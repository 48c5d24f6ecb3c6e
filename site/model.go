package site

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"meterwright/circuit"
)

// Model is a site with its departures in one state of its switches, as rows of
// a circuit at 50 Hz. Its rows follow a set of parameter values; Apply gives
// them another one without compiling again.
type Model struct {
	Circuit circuit.Circuit
	// Ports names every test point in the order of Site.Points, then the floor
	// under a person's feet.
	Ports []string
	// Flags are what departures say of things that are no conductors, such as
	// "rcd-stuck", in the order in which they were met.
	Flags []string

	impedances alike[impedanceAmount]
	capacitors alike[amount]
	feeds      []feed
	injections []injection
	joints     map[string]int    // row of Impedances, -1 for an open joint
	sits       map[string]string // of exchanged ends, the one that sits in the place of each
}

type impedanceAmount struct{ r, x amount }

// alike lists rows by what their value follows from, since most conductors of a
// position are a good joint, a tail or a terminal like the next.
type alike[A comparable] struct {
	of   []A
	rows [][]int32
}

func (l *alike[A]) add(a A, row int) {
	i := slices.Index(l.of, a)
	if i < 0 {
		i = len(l.of)
		l.of, l.rows = append(l.of, a), append(l.rows, nil)
	}
	l.rows[i] = append(l.rows[i], int32(row))
}

// FHz is the frequency of every model: Electricity Safety, Quality and
// Continuity Regulations 2002, regulation 27 [S].
const FHz = 50

// Compile writes the site with departures in a state of its switches as rows,
// with the values v. The error tells which departure does not fit.
func (s *Site) Compile(v *Values, state Switching, present ...Departure) (*Model, error) {
	w := s.wire(state)
	var errs []error
	for _, d := range present {
		for _, c := range d.Changes {
			if err := w.change(c); err != nil {
				errs = append(errs, fmt.Errorf("site: departure %s: %w", d.ID, err))
			}
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	w.stopWithoutSupply()
	return w.rows(v), nil
}

// stopWithoutSupply takes sources that run in step away where the supply does
// not reach them, and wakes those that a departure lets run alone.
func (w *wiring) stopWithoutSupply() {
	u := w.site.Spec.Units[0]
	if w.supplied(u) {
		return
	}
	w.injections = nil
	for _, src := range Sources() {
		if !w.flags["island."+string(src)] || w.site.away(w.state, sourceSwitch(src)) {
			continue
		}
		for i, l := range w.site.Lines() {
			w.feeds = append(w.feeds, feed{
				name: "island." + string(src) + "." + l, plus: "board." + u + "-" + l, minus: "board." + u + "-n",
				volt: of(islandVolt), phase: i + 1, r: of(islandOhm), r2: fixed(0), x: fixed(0), group: unsyncGroup,
			})
		}
		return
	}
}

func (w *wiring) rows(v *Values) *Model {
	m := &Model{joints: make(map[string]int, len(w.joints)), feeds: w.feeds, injections: w.injections, sits: w.sits}
	c := &m.Circuit
	c.FHz, c.Nodes = FHz, w.nodes
	c.Impedances = make([]circuit.Impedance, 0, len(w.joints))
	c.Capacitors = make([]circuit.Capacitor, 0, len(w.couplings)+len(w.nodes)+8)
	m.Ports = make([]string, 0, len(w.site.Points)+1)
	capacitor := func(name, a, b string, f amount) {
		if a == b {
			return
		}
		m.capacitors.add(f, len(c.Capacitors))
		c.Capacitors = append(c.Capacitors, circuit.Capacitor{Name: name, A: a, B: b, CFarad: f.at(v)})
	}
	for i := range w.joints {
		j := &w.joints[i]
		m.joints[j.name] = -1
		switch {
		case j.a == j.b:
		case j.open:
			capacitor("gap."+j.name, j.a, j.b, of(gapFarad))
		default:
			m.joints[j.name] = len(c.Impedances)
			m.impedances.add(impedanceAmount{j.r, j.x}, len(c.Impedances))
			c.Impedances = append(c.Impedances, circuit.Impedance{Name: j.name, A: j.a, B: j.b, ROhm: j.r.at(v), XOhm: j.x.at(v)})
		}
	}
	for i := range w.couplings {
		k := &w.couplings[i]
		capacitor(k.name, k.a, k.b, k.c)
	}
	for _, n := range w.nodes {
		if n != string(Body) && n != floorNode {
			capacitor("earth."+n, n, trueEarth, of(terminalFarad))
		}
	}
	for i := range w.feeds {
		f := &w.feeds[i]
		e := phaseTurns[f.phase].Scaled(f.volt.at(v))
		c.VoltageSources = append(c.VoltageSources, circuit.VoltageSource{
			Name: f.name, Plus: f.plus, Minus: f.minus, EReVolt: e.Re, EImVolt: e.Im,
			ROhm: f.r.at(v) + f.r2.at(v), XOhm: f.x.at(v), Group: f.group,
		})
	}
	for i := range w.injections {
		k := &w.injections[i]
		amp := phaseTurns[k.phase].Scaled(k.watt.at(v) / nominalVolt)
		c.CurrentSources = append(c.CurrentSources, circuit.CurrentSource{Name: k.name, From: k.from, To: k.to, IReAmp: amp.Re, IImAmp: amp.Im})
	}
	for _, t := range w.ct {
		if m.joints[t.primary] >= 0 {
			c.Transformers = append(c.Transformers, circuit.CurrentTransformer{Name: t.name, Primary: t.primary, From: t.from, To: t.to, Ratio: t.ratio})
		}
	}
	for _, p := range w.site.Points {
		m.Ports = append(m.Ports, string(p.ID))
	}
	m.Ports = append(m.Ports, floorNode)
	for _, f := range knownFlags {
		if w.flags[f] {
			m.Flags = append(m.Flags, f)
		}
	}
	return m
}

// Apply gives every row of a workspace of this model's circuit the value that
// follows from v. It allocates nothing.
func (m *Model) Apply(ws *circuit.Workspace, v *Values) error {
	for i := range m.impedances.of {
		r, x := m.impedances.of[i].at(v)
		if err := ws.SetImpedances(m.impedances.rows[i], r, x); err != nil {
			return err
		}
	}
	for i := range m.capacitors.of {
		if err := ws.SetCapacitors(m.capacitors.rows[i], m.capacitors.of[i].at(v)); err != nil {
			return err
		}
	}
	for i := range m.feeds {
		f := &m.feeds[i]
		if err := ws.SetVoltage(i, phaseTurns[f.phase].Scaled(f.volt.at(v))); err != nil {
			return err
		}
		if err := ws.SetVoltageImpedance(i, f.r.at(v)+f.r2.at(v), f.x.at(v)); err != nil {
			return err
		}
	}
	for i := range m.injections {
		k := &m.injections[i]
		if err := ws.SetCurrent(i, phaseTurns[k.phase].Scaled(k.watt.at(v)/nominalVolt)); err != nil {
			return err
		}
	}
	return nil
}

// Follows reports, for every parameter, whether any row follows from it.
func (m *Model) Follows() [ParameterCount]bool {
	var out [ParameterCount]bool
	note := func(list ...amount) {
		for _, a := range list {
			for _, p := range []ParamID{a.p, a.q} {
				if p >= 0 {
					out[p] = true
				}
			}
			if a.form != plain {
				out[LoadPF] = true
			}
		}
	}
	for _, z := range m.impedances.of {
		note(z.r, z.x)
	}
	note(m.capacitors.of...)
	for i := range m.feeds {
		f := &m.feeds[i]
		note(f.volt, f.r, f.r2, f.x)
	}
	for i := range m.injections {
		note(m.injections[i].watt)
	}
	return out
}

// Joint returns the row of Circuit.Impedances that a named conductor has; ok is
// false where it is open or does not exist.
func (m *Model) Joint(name string) (row int, ok bool) {
	row, known := m.joints[name]
	return row, known && row >= 0
}

// Conductor returns the row of Circuit.Impedances of the conductor that sits on a
// terminal, written joint:a or joint:b for the end that a healthy position has
// there. Reversed says that it is the other end that sits there, so that the
// current counts the other way. It is false where no current can flow.
func (m *Model) Conductor(terminal string) (row int, reversed, ok bool) {
	end := terminal
	if other, exchanged := m.sits[terminal]; exchanged {
		end = other
	}
	name, which, _ := strings.Cut(end, ":")
	row, ok = m.Joint(name)
	return row, which != terminal[len(terminal)-1:], ok
}

// Has reports whether a departure has raised a flag.
func (m *Model) Has(flag string) bool {
	for _, f := range m.Flags {
		if f == flag {
			return true
		}
	}
	return false
}
