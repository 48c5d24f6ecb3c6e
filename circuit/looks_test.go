package circuit

import "fmt"

// What tests alone ask of a solution, and change in it.

// ImpedanceCurrent is [Workspace.ImpedanceCurrent] with the things attached.
func (d Attached) ImpedanceCurrent(i, group int) Phasor {
	p := d.ws.plan
	if i < 0 || i >= p.rows.firstCap || group < 0 || group >= len(p.groups) {
		return Phasor{}
	}
	return d.ws.rowCurrent(i, group, d.ws.net.v)
}

// Current returns the current in amperes through attachment i, from its A to
// its B, due to one group. It is zero out of range.
func (d Attached) Current(i, group int) Phasor {
	if i < 0 || i >= len(d.ws.net.at) {
		return Phasor{}
	}
	a := &d.ws.net.at[i]
	v := d.Across(i, group)
	if group == a.group {
		v = v.Minus(a.e)
	}
	return v.Times(a.y)
}

// Gap returns by how many volts the voltage across any attachment with a
// curve differs from the one its admittance was taken at. It is zero without
// curves and small when the iteration has settled.
func (d Attached) Gap() float64 {
	gap := 0.0
	for i := range d.ws.net.seek {
		gap = max(gap, d.ws.net.seek[i].gap)
	}
	return gap
}

// SetImpedance gives row i of the impedances another value in ohms.
func (ws *Workspace) SetImpedance(i int, rOhm, xOhm float64) error {
	rows := ws.plan.circuit.Impedances
	if i < 0 || i >= len(rows) {
		return noRow("impedances", i, len(rows))
	}
	if field, mend, err := ohms(rOhm, xOhm); err != nil {
		return &RowError{Table: "impedances", Row: i, Name: rows[i].Name, Field: field, Mend: mend, Err: err}
	}
	ws.rowY[i] = siemens(rOhm, xOhm)
	ws.touch()
	return nil
}

// OpenImpedance takes row i of the impedances out until it is set again.
// Solve reports a *[FloatingError] if nothing else holds a node.
func (ws *Workspace) OpenImpedance(i int) error {
	if n := len(ws.plan.circuit.Impedances); i < 0 || i >= n {
		return noRow("impedances", i, n)
	}
	ws.rowY[i] = Phasor{}
	ws.touch()
	return nil
}

// SetCapacitor gives row i of the capacitors another value in farads.
func (ws *Workspace) SetCapacitor(i int, cFarad float64) error {
	rows := ws.plan.circuit.Capacitors
	if i < 0 || i >= len(rows) {
		return noRow("capacitors", i, len(rows))
	}
	if mend, err := amount(cFarad, minSiemens/ws.w, maxSiemens/ws.w); err != nil {
		return &RowError{Table: "capacitors", Row: i, Name: rows[i].Name, Field: "CFarad", Mend: mend, Err: err}
	}
	ws.rowY[ws.plan.rows.firstCap+i] = Phasor{0, ws.w * cFarad}
	ws.touch()
	return nil
}

// Sum returns the voltage of a position in volts when the groups do run in
// step, group g scaled by factors[g]: superposition, without solving again.
// Missing factors count as zero.
func (ws *Workspace) Sum(position int, factors []float64) Phasor {
	var sum Phasor
	for g := range min(len(factors), len(ws.plan.groups)) {
		sum = sum.Plus(ws.Voltage(position, g).Scaled(factors[g]))
	}
	return sum
}

// PortRow is one branch of the circuit reduced to its ports.
type PortRow struct {
	A, B int    // positions, B of earth or of a later port
	Y    Phasor // siemens
	J    Phasor // source current of the group in amperes, from A to B through the branch
}

// PortRows appends to dst the exact network that one group of sources and
// everything between the ports amounts to, and returns it: with these rows
// alone the ports have the same voltages, whatever is attached to them. What
// current transformers drive is not in it. Call Solve first.
func (ws *Workspace) PortRows(dst []PortRow, group int) ([]PortRow, error) {
	p, t := ws.plan, &ws.net
	if !ws.solved {
		return dst, errNotSolved
	}
	if group < 0 || group >= len(p.groups) {
		return dst, fmt.Errorf("circuit: group %d %w", group, errUnknownGroup)
	}
	if !t.known {
		t.spread(p)
	}
	for a := range t.ports {
		for b := a + 1; b <= t.ports; b++ {
			at := a*(t.ports+1) + b
			y, j := t.baseY[at], t.baseJ[group*len(t.y)+at]
			if y != (Phasor{}) || j != (Phasor{}) {
				dst = append(dst, PortRow{A: p.interior + a, B: p.interior + b, Y: y, J: j})
			}
		}
	}
	return dst, nil
}
