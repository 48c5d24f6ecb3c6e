package circuit

import (
	"fmt"
	"math"
)

// Attachment is a thing put on two ports together with others: an instrument,
// a lamp, a person, a connecting lead.
type Attachment struct {
	A, B  int    // port numbers, or EarthPort
	Y     Phasor // its admittance in siemens
	Curve Curve  // if not nil, used instead of Y
	// E raises A above B behind the admittance: an instrument that has a
	// source of its own. An r.m.s. phasor in volts.
	E     Phasor
	Group int // number of the group E belongs to, known to the plan
}

// placed is an attachment on positions.
type placed struct {
	a, b  int
	y     Phasor
	e     Phasor
	group int // place in the plan's groups
}

// portNet is the circuit reduced to its ports: a branch between any two and
// from each to earth. Branches of port a are counted from a; row a of a table
// holds those to the ports after it and, last, to earth.
type portNet struct {
	ports int
	rawY  []Phasor // branches of the ports as the interior left them
	rawJ  []Phasor // and their source currents, group by group
	known bool     // baseY and baseJ hold them too

	baseY, y, share []Phasor
	baseJ, j        []Phasor // group by group
	inv, push       []Phasor // push group by group
	v               []Phasor // group by group, every position
	first           []Phasor // before the current transformers

	z      []Phasor
	size   []float64
	zKnown bool

	at     []placed
	seek   []settler
	single [1]placed
}

func (t *portNet) init(p *Plan) {
	g := len(p.groups)
	t.ports = p.n - p.interior
	t.rawY = make([]Phasor, len(p.program.far)-int(p.program.start[p.interior]))
	t.rawJ = make([]Phasor, g*(p.program.slots-p.firstPortSlot))
	t.z = make([]Phasor, (t.ports+1)*(t.ports+1))
	t.size = make([]float64, t.ports+1)
}

// room makes the full tables, which most workspaces never need.
func (t *portNet) room(p *Plan) {
	g, area := len(p.groups), t.ports*(t.ports+1)
	t.baseY, t.y, t.share = make([]Phasor, area), make([]Phasor, area), make([]Phasor, area)
	t.baseJ, t.j = make([]Phasor, g*area), make([]Phasor, g*area)
	t.inv, t.push = make([]Phasor, t.ports), make([]Phasor, g*t.ports)
	t.v = make([]Phasor, g*p.sites)
	t.first = make([]Phasor, g*p.sites)
}

func (t *portNet) keep(ws *Workspace) {
	copy(t.rawY, ws.y[ws.plan.program.start[ws.plan.interior]:])
	t.known, t.zKnown = false, false
}

func (t *portNet) keepSources(ws *Workspace, group int) {
	p := ws.plan
	n := p.program.slots - p.firstPortSlot
	copy(t.rawJ[group*n:(group+1)*n], ws.j[group*p.program.slots+p.firstPortSlot:])
}

// spread writes the branches into the full tables.
func (t *portNet) spread(p *Plan) {
	if t.v == nil {
		t.room(p)
	}
	g := &p.program
	slots, area := p.program.slots-p.firstPortSlot, len(t.y)
	first := g.start[p.interior]
	for k := p.interior; k < p.n; k++ {
		for e := g.start[k]; e < g.start[k+1]; e++ {
			at := (k-p.interior)*(t.ports+1) + int(g.far[e]) - p.interior
			t.baseY[at] = t.rawY[e-first]
			if s := p.branchSlot[e]; s >= 0 {
				for group := range p.groups {
					t.baseJ[group*area+at] = t.rawJ[group*slots+int(s)-p.firstPortSlot]
				}
			}
		}
	}
	t.known = true
}

// add puts an admittance with an electromotive force, or a source current,
// between two positions.
func (t *portNet) add(ws *Workspace, a, b int, y, e Phasor, group int) {
	p := ws.plan
	x, w, reversed := min(a, p.n), min(b, p.n), false
	if x == w {
		return
	}
	if x > w {
		x, w, reversed = w, x, true
	}
	at := (x-p.interior)*(t.ports+1) + w - p.interior
	t.y[at] = t.y[at].Plus(y)
	area := len(t.y)
	if e != (Phasor{}) {
		t.addSource(group*area+at, y.Times(e), !reversed)
	}
	// A held node at either end drives the branch with its own voltage.
	for g := range p.groups {
		v := ws.v[g*p.sites:]
		if a > p.n {
			t.addSource(g*area+at, y.Times(v[a]), true)
		}
		if b > p.n {
			t.addSource(g*area+at, y.Times(v[b]), true)
		}
	}
}

func (t *portNet) addSource(at int, j Phasor, minus bool) {
	if minus {
		t.j[at] = t.j[at].Minus(j)
	} else {
		t.j[at] = t.j[at].Plus(j)
	}
}

// solve finds every voltage with the given things attached.
func (t *portNet) solve(ws *Workspace, list []placed) error {
	p := ws.plan
	if !t.known {
		t.spread(p)
	}
	copy(t.y, t.baseY)
	copy(t.j, t.baseJ)
	for i := range list {
		t.add(ws, list[i].a, list[i].b, list[i].y, list[i].e, list[i].group)
	}
	if bad := t.eliminate(); bad >= 0 {
		name := p.names[p.interior+bad]
		return &IllConditionedError{Report{WorstNode: name, Residual: 1, WorstPivot: name}}
	}
	for g := range p.groups {
		copy(t.v[g*p.sites+p.n:(g+1)*p.sites], ws.v[g*p.sites+p.n:(g+1)*p.sites])
	}
	t.voltages(ws)
	if len(p.rows.ct) == 0 {
		return nil
	}
	copy(t.first, t.v)
	copy(t.j, t.baseJ)
	area := len(t.y)
	for i := range list {
		// The admittances are eliminated already; only sources count here.
		t.add(ws, list[i].a, list[i].b, list[i].y, list[i].e, list[i].group)
	}
	for g := range p.groups {
		for i := range p.rows.ct {
			c := &p.rows.ct[i]
			x, w, reversed := min(int(c.from), p.n), min(int(c.to), p.n), false
			if x == w {
				continue
			}
			if x > w {
				x, w, reversed = w, x, true
			}
			amp := ws.rowCurrent(int(c.primary), g, t.first).Scaled(ws.ct[i])
			t.addSource(g*area+(x-p.interior)*(t.ports+1)+w-p.interior, amp, reversed)
		}
	}
	t.voltages(ws)
	return nil
}

// eliminate removes the ports in turn; see the package comment. It returns
// the first whose pivot is unusable, or -1.
func (t *portNet) eliminate() int {
	n := t.ports
	stride := n + 1
	for k := range n {
		row := t.y[k*stride+k+1 : (k+1)*stride]
		share := t.share[k*stride+k+1:][:len(row)]
		var s Phasor
		for i := range row {
			s = s.Plus(row[i])
		}
		d := s.abs2()
		if !(d > 0 && d < math.MaxFloat64) {
			return k
		}
		d = 1 / d
		inv := Phasor{float64(s.Re * d), -float64(s.Im * d)}
		t.inv[k] = inv
		for i := range row {
			q := row[i].Times(inv)
			share[i] = q
			if i == len(row)-1 || q == (Phasor{}) {
				continue
			}
			rest := row[i+1:]
			to := t.y[(k+1+i)*stride+k+2+i:][:len(rest)]
			for x := range rest {
				o, w := rest[x], &to[x]
				w.Re += float64(q.Re*o.Re) - float64(q.Im*o.Im)
				w.Im += float64(q.Re*o.Im) + float64(q.Im*o.Re)
			}
		}
	}
	return -1
}

// voltages carries the source currents through and finds every voltage.
func (t *portNet) voltages(ws *Workspace) {
	p, n, area := ws.plan, t.ports, len(t.y)
	stride := n + 1
	for g := range p.groups {
		j := t.j[g*area : (g+1)*area]
		push := t.push[g*n : (g+1)*n]
		for k := range n {
			row := j[k*stride+k+1 : (k+1)*stride]
			share := t.share[k*stride+k+1:][:len(row)]
			var sum Phasor
			for i := range row {
				own := row[i]
				if own == (Phasor{}) {
					continue
				}
				sum = sum.Plus(own)
				// This branch's current goes on to every other branch of k.
				for x := range i {
					at := (k+1+x)*stride + k + 1 + i
					j[at] = j[at].Plus(share[x].Times(own))
				}
				if i == len(row)-1 {
					continue
				}
				to := j[(k+1+i)*stride+k+2+i:]
				for x, q := range share[i+1:] {
					to[x] = to[x].Minus(q.Times(own))
				}
			}
			push[k] = sum.Times(t.inv[k])
		}
		v := t.v[g*p.sites+p.interior:]
		for k := n - 1; k >= 0; k-- {
			share := t.share[k*stride+k+1 : (k+1)*stride-1]
			sum := Phasor{-push[k].Re, -push[k].Im}
			for i := range share {
				sum = sum.Plus(share[i].Times(v[k+1+i]))
			}
			v[k] = sum
		}
		ws.backTo(g, 0, p.interior, t.v)
	}
}

// Attached is the circuit with things attached. It reads its workspace and is
// good until that is used again.
type Attached struct {
	ws *Workspace
}

// Attach solves the circuit with all of list attached at once. Call Solve
// first. It allocates the first time, and when a list is longer than any before.
func (ws *Workspace) Attach(list []Attachment) (Attached, error) {
	t := &ws.net
	if !ws.solved {
		return Attached{}, errNotSolved
	}
	t.at, t.seek = t.at[:0], t.seek[:0]
	curves := false
	for i := range list {
		a, err := ws.place(&list[i])
		if err != nil {
			return Attached{}, fmt.Errorf("attachment %d: %w", i, err)
		}
		var s settler
		s.begin(ws.RMS(a.a, a.b))
		t.at, t.seek = append(t.at, a), append(t.seek, s)
		curves = curves || list[i].Curve != nil
	}
	if !curves {
		return Attached{ws}, t.solve(ws, t.at)
	}
	for range curveSteps {
		for i := range list {
			if list[i].Curve == nil {
				continue
			}
			y := list[i].Curve(t.seek[i].v)
			if err := checkAdmittance(y); err != nil {
				return Attached{}, fmt.Errorf("attachment %d: %w", i, err)
			}
			t.at[i].y = y
		}
		if err := t.solve(ws, t.at); err != nil {
			return Attached{}, err
		}
		for i := range t.at {
			if list[i].Curve == nil {
				continue
			}
			t.seek[i].step(Attached{ws}.RMS(t.at[i].a, t.at[i].b))
		}
	}
	return Attached{ws}, nil
}

func (ws *Workspace) place(l *Attachment) (placed, error) {
	p := ws.plan
	a, _, err := p.site(l.A)
	if err != nil {
		return placed{}, err
	}
	b, _, err := p.site(l.B)
	if err != nil {
		return placed{}, err
	}
	if err := checkAdmittance(l.Y); err != nil {
		return placed{}, err
	}
	if mend, err := sourceAmount(l.E); err != nil {
		return placed{}, fmt.Errorf("circuit: electromotive force %w: %s", err, mend)
	}
	g := int32(0)
	if l.E != (Phasor{}) {
		if g = p.group(l.Group); g < 0 {
			return placed{}, fmt.Errorf("circuit: group %d %w: list it in Circuit.Groups", l.Group, errUnknownGroup)
		}
	}
	return placed{a: a, b: b, y: l.Y, e: l.E, group: int(g)}, nil
}

// Voltage is [Workspace.Voltage] with the things attached.
func (d Attached) Voltage(position, group int) Phasor {
	p := d.ws.plan
	if position < 0 || position >= p.sites || group < 0 || group >= len(p.groups) {
		return Phasor{}
	}
	return d.ws.net.v[group*p.sites+position]
}

// RMS is [Workspace.RMS] with the things attached.
func (d Attached) RMS(a, b int) float64 {
	sum := 0.0
	for g := range d.ws.plan.groups {
		sum += d.Voltage(a, g).Minus(d.Voltage(b, g)).abs2()
	}
	return math.Sqrt(sum)
}

// Across returns the voltage in volts across attachment i, from its B to its
// A, due to one group. It is zero out of range.
func (d Attached) Across(i, group int) Phasor {
	if i < 0 || i >= len(d.ws.net.at) {
		return Phasor{}
	}
	a := &d.ws.net.at[i]
	return d.Voltage(a.a, group).Minus(d.Voltage(a.b, group))
}
