package circuit

import "math"

// Solve finds the voltage of every node, for each group of sources on its
// own. It allocates nothing unless it fails. The error is a *[FloatingError]
// if opened impedances left a node without a path to earth, or an
// *[IllConditionedError] if the numbers ran out of range.
func (ws *Workspace) Solve() error {
	if ws.dirty {
		ws.assemble()
	}
	p := ws.plan
	copy(ws.y, ws.baseY)
	copy(ws.j, ws.baseJ)
	bad := ws.eliminate(0, p.interior)
	ws.net.keep(ws)
	if bad < 0 {
		bad = ws.eliminate(p.interior, p.n)
	}
	if bad >= 0 {
		return ws.failed(bad)
	}
	for g := range p.groups {
		ws.carry(g, 0, p.interior)
		ws.net.keepSources(ws, g)
		ws.carry(g, p.interior, p.n)
		ws.back(g)
	}
	if len(p.rows.ct) > 0 {
		copy(ws.first, ws.v)
		ws.secondaries()
	}
	ws.solved = true
	return nil
}

// failed explains a pivot that is zero or not a number.
func (ws *Workspace) failed(position int) error {
	p := ws.plan
	if names := ws.adrift(); names != nil {
		return &FloatingError{Nodes: names}
	}
	return &IllConditionedError{Report{WorstNode: p.names[position], Residual: 1, WorstPivot: p.names[position]}}
}

// adrift lists the nodes that the present admittances do not join to earth.
func (ws *Workspace) adrift() []string {
	p := ws.plan
	held := make([]bool, p.sites)
	for i := p.n; i < p.sites; i++ {
		held[i] = true
	}
	for more := true; more; {
		more = false
		for row, y := range ws.rowY {
			a, b := p.rows.ends[row][0], p.rows.ends[row][1]
			if y != (Phasor{}) && held[a] != held[b] {
				held[a], held[b], more = true, true, true
			}
		}
	}
	var names []string
	for i, name := range p.circuit.Nodes {
		if !held[p.places[i+1]] {
			names = append(names, name)
		}
	}
	return names
}

// eliminate removes the nodes at positions from..to-1 and returns the first
// whose pivot is unusable, or -1.
func (ws *Workspace) eliminate(from, to int) int {
	g := &ws.plan.program
	y, shares := ws.y, ws.share
	for k := from; k < to; k++ {
		first, last := g.start[k], g.start[k+1]
		row := y[first:last]
		share := shares[first:last][:len(row)]
		sr, si := row[len(row)-1].Re, row[len(row)-1].Im
		for i := range row[:len(row)-1] {
			sr += row[i].Re
			si += row[i].Im
		}
		d := float64(sr*sr) + float64(si*si)
		if !(d > 0 && d < math.MaxFloat64) {
			return k
		}
		d = 1 / d
		ws.inv[k] = Phasor{float64(sr * d), -float64(si * d)}
		// Times the conjugate, then over the square: the products do not wait
		// for the division.
		for i := range row {
			r, m := row[i].Re, row[i].Im
			share[i] = Phasor{
				float64((float64(r*sr) + float64(m*si)) * d),
				float64((float64(m*sr) - float64(r*si)) * d),
			}
		}
		for _, o := range g.fills[k] {
			s, f, t := shares[o.share], y[o.from], &y[o.to]
			t.Re += float64(s.Re*f.Re) - float64(s.Im*f.Im)
			t.Im += float64(s.Re*f.Im) + float64(s.Im*f.Re)
		}
	}
	return -1
}

// carry takes the source currents of one group through the elimination of
// the nodes at positions from..to-1.
func (ws *Workspace) carry(group, from, to int) {
	p := ws.plan
	g := &p.program
	j := ws.j[group*g.slots : (group+1)*g.slots]
	push, share := ws.push[group*p.n:(group+1)*p.n], ws.share
	for k := from; k < to; k++ {
		sums := g.sums[k]
		if len(sums) == 0 {
			continue
		}
		var sum Phasor
		for _, s := range sums {
			sum = sum.Plus(j[s])
		}
		push[k] = sum.Times(ws.inv[k])
		for _, o := range g.moves[k] {
			s, f, t := share[o.share], j[o.from], &j[o.to]
			re := float64(s.Re*f.Re) - float64(s.Im*f.Im)
			im := float64(s.Re*f.Im) + float64(s.Im*f.Re)
			if o.minus {
				re, im = -re, -im
			}
			t.Re += re
			t.Im += im
		}
		for _, o := range g.swaps[k] {
			a, b, fa, fb, t := share[o.a], share[o.b], j[o.fromA], j[o.fromB], &j[o.to]
			t.Re += float64(a.Re*fb.Re) - float64(a.Im*fb.Im) - (float64(b.Re*fa.Re) - float64(b.Im*fa.Im))
			t.Im += float64(a.Re*fb.Im) + float64(a.Im*fb.Re) - (float64(b.Re*fa.Im) + float64(b.Im*fa.Re))
		}
	}
}

// back finds the voltages of one group, last node first.
func (ws *Workspace) back(group int) { ws.backTo(group, 0, ws.plan.n, ws.v) }

// backTo finds the voltages of the nodes at positions to-1 down to from.
func (ws *Workspace) backTo(group, from, to int, v []Phasor) {
	p := ws.plan
	g := &p.program
	v = v[group*p.sites : (group+1)*p.sites]
	push := ws.push[group*p.n : (group+1)*p.n]
	for k := to - 1; k >= from; k-- {
		first, last := g.start[k], g.start[k+1]-1 // without the branch to earth
		far := g.far[first:last]
		share := ws.share[first:last][:len(far)]
		re, im := -push[k].Re, -push[k].Im
		for i, f := range far {
			s, o := share[i], v[f]
			re += float64(s.Re*o.Re) - float64(s.Im*o.Im)
			im += float64(s.Re*o.Im) + float64(s.Im*o.Re)
		}
		v[k] = Phasor{re, im}
	}
}

// secondaries adds what current transformers drive, from the primary
// currents just found.
func (ws *Workspace) secondaries() {
	p := ws.plan
	slots := p.program.slots
	copy(ws.j, ws.baseJ)
	for g := range p.groups {
		for i := range p.rows.ct {
			c := &p.rows.ct[i]
			if c.slot < 0 {
				continue
			}
			amp := ws.rowCurrent(int(c.primary), g, ws.v).Scaled(ws.ct[i])
			to := &ws.j[g*slots+int(c.slot)]
			if c.minus {
				*to = to.Minus(amp)
			} else {
				*to = to.Plus(amp)
			}
		}
		ws.carry(g, 0, p.n)
		ws.back(g)
	}
}

// rowCurrent is the current of an impedance or capacitor from A to B.
func (ws *Workspace) rowCurrent(row, group int, v []Phasor) Phasor {
	ends := ws.plan.rows.ends[row]
	v = v[group*ws.plan.sites:]
	return ws.rowY[row].Times(v[ends[0]].Minus(v[ends[1]]))
}

// Voltage returns the voltage of a position to earth, in volts, due to the
// sources of one group. Both count from 0; see [Plan.Node] and [Plan.Groups].
// It is zero out of range and while a value has changed since Solve.
func (ws *Workspace) Voltage(position, group int) Phasor {
	p := ws.plan
	if !ws.solved || position < 0 || position >= p.sites || group < 0 || group >= len(p.groups) {
		return Phasor{}
	}
	return ws.v[group*p.sites+position]
}

// RMS returns the voltage in volts between two positions when the groups do
// not run in step: the root of the sum of squares over the groups.
func (ws *Workspace) RMS(a, b int) float64 {
	sum := 0.0
	for g := range ws.plan.groups {
		sum += ws.Voltage(a, g).Minus(ws.Voltage(b, g)).abs2()
	}
	return math.Sqrt(sum)
}

// ImpedanceCurrent returns the current in amperes through row i of the
// impedances, from its A to its B, due to one group. It is zero
// out of range and while a value has changed since Solve.
func (ws *Workspace) ImpedanceCurrent(i, group int) Phasor {
	p := ws.plan
	if !ws.solved || i < 0 || i >= p.rows.firstCap || group < 0 || group >= len(p.groups) {
		return Phasor{}
	}
	return ws.rowCurrent(i, group, ws.v)
}
