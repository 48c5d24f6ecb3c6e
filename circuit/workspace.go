package circuit

import "fmt"

// Workspace holds one set of element values for a plan, and the latest
// results. It is reused from solve to solve without allocating. One goroutine
// at a time may use it.
type Workspace struct {
	plan *Plan
	w    float64 // angular frequency

	// Values, one a row. rowY joins the admittances of impedances,
	// capacitors and voltage sources; inverse ratios are of transformers.
	rowY    []Phasor
	emf     []Phasor
	current []Phasor
	ct      []float64
	dirty   bool

	// As assembled from the rows.
	baseY []Phasor
	baseJ []Phasor // group by group, slots each

	// During and after elimination.
	y     []Phasor // by branch
	share []Phasor // by branch: its share of the pivot
	inv   []Phasor // by position: one over the pivot
	j     []Phasor // group by group, slots each
	push  []Phasor // group by group, n each: what the sources add to each voltage
	v     []Phasor // group by group, one a position
	first []Phasor // the same before current transformers drive anything

	solved bool
	net    portNet
}

// NewWorkspace returns a workspace with the values of the compiled rows.
func (p *Plan) NewWorkspace() *Workspace {
	g, branches, slots := len(p.groups), len(p.program.far), p.program.slots
	ws := &Workspace{
		plan: p, w: omega(p.circuit.FHz), dirty: true,
		rowY:    make([]Phasor, p.rows.firstAmp),
		emf:     make([]Phasor, len(p.circuit.VoltageSources)),
		current: make([]Phasor, len(p.circuit.CurrentSources)),
		ct:      make([]float64, len(p.circuit.Transformers)),
		baseY:   make([]Phasor, branches), baseJ: make([]Phasor, g*slots),
		y: make([]Phasor, branches), share: make([]Phasor, branches),
		inv: make([]Phasor, p.n),
		j:   make([]Phasor, g*slots), push: make([]Phasor, g*p.n), v: make([]Phasor, g*p.sites), first: make([]Phasor, g*p.sites),
	}
	ws.net.init(p)
	ws.reset()
	return ws
}

// reset gives every element the value of its compiled row again.
func (ws *Workspace) reset() {
	c, r := &ws.plan.circuit, &ws.plan.rows
	for i := range c.Impedances {
		ws.rowY[i] = siemens(c.Impedances[i].ROhm, c.Impedances[i].XOhm)
	}
	for i := range c.Capacitors {
		ws.rowY[r.firstCap+i] = Phasor{0, ws.w * c.Capacitors[i].CFarad}
	}
	for i := range c.VoltageSources {
		s := &c.VoltageSources[i]
		if !s.ideal() {
			ws.rowY[r.firstVolt+i] = siemens(s.ROhm, s.XOhm)
		}
		ws.emf[i] = Phasor{s.EReVolt, s.EImVolt}
	}
	for i := range c.CurrentSources {
		ws.current[i] = Phasor{c.CurrentSources[i].IReAmp, c.CurrentSources[i].IImAmp}
	}
	for i := range c.Transformers {
		ws.ct[i] = 1 / c.Transformers[i].Ratio
	}
	ws.touch()
}

func (ws *Workspace) touch() { ws.dirty, ws.solved = true, false }

// SetImpedances gives several rows of the impedances one value in ohms, for
// conductors that are alike. On an error nothing has changed.
func (ws *Workspace) SetImpedances(list []int32, rOhm, xOhm float64) error {
	rows := ws.plan.circuit.Impedances
	if field, mend, err := ohms(rOhm, xOhm); err != nil && len(list) > 0 {
		i := list[0]
		if uint(i) >= uint(len(rows)) {
			return noRow("impedances", int(i), len(rows))
		}
		return &RowError{Table: "impedances", Row: int(i), Name: rows[i].Name, Field: field, Mend: mend, Err: err}
	}
	y, to := siemens(rOhm, xOhm), ws.rowY[:len(rows)]
	for _, i := range list {
		if uint(i) >= uint(len(to)) {
			return noRow("impedances", int(i), len(rows))
		}
	}
	for _, i := range list {
		to[i] = y
	}
	ws.touch()
	return nil
}

// SetCapacitors is [Workspace.SetImpedances] for capacitors, in farads.
func (ws *Workspace) SetCapacitors(list []int32, cFarad float64) error {
	rows := ws.plan.circuit.Capacitors
	if mend, err := amount(cFarad, minSiemens/ws.w, maxSiemens/ws.w); err != nil && len(list) > 0 {
		i := list[0]
		if uint(i) >= uint(len(rows)) {
			return noRow("capacitors", int(i), len(rows))
		}
		return &RowError{Table: "capacitors", Row: int(i), Name: rows[i].Name, Field: "CFarad", Mend: mend, Err: err}
	}
	y, to := Phasor{0, ws.w * cFarad}, ws.rowY[ws.plan.rows.firstCap:][:len(rows)]
	for _, i := range list {
		if uint(i) >= uint(len(to)) {
			return noRow("capacitors", int(i), len(rows))
		}
	}
	for _, i := range list {
		to[i] = y
	}
	ws.touch()
	return nil
}

// SetVoltage gives row i of the voltage sources another electromotive force,
// an r.m.s. phasor in volts.
func (ws *Workspace) SetVoltage(i int, e Phasor) error {
	rows := ws.plan.circuit.VoltageSources
	if i < 0 || i >= len(rows) {
		return noRow("voltage sources", i, len(rows))
	}
	if mend, err := sourceAmount(e); err != nil {
		return &RowError{Table: "voltage sources", Row: i, Name: rows[i].Name, Field: "electromotive force", Mend: mend, Err: err}
	}
	ws.emf[i] = e
	ws.touch()
	return nil
}

// SetVoltageImpedance gives row i of the voltage sources another series
// impedance in ohms. An ideal source has none and stays ideal.
func (ws *Workspace) SetVoltageImpedance(i int, rOhm, xOhm float64) error {
	rows := ws.plan.circuit.VoltageSources
	if i < 0 || i >= len(rows) {
		return noRow("voltage sources", i, len(rows))
	}
	field, mend, err := ohms(rOhm, xOhm)
	if err == nil && rows[i].ideal() {
		field, mend, err = "source", "compile it with a series impedance", errOutOfRange
	}
	if err != nil {
		return &RowError{Table: "voltage sources", Row: i, Name: rows[i].Name, Field: field, Mend: mend, Err: err}
	}
	ws.rowY[ws.plan.rows.firstVolt+i] = siemens(rOhm, xOhm)
	ws.touch()
	return nil
}

// SetCurrent gives row i of the current sources another current, an r.m.s.
// phasor in amperes.
func (ws *Workspace) SetCurrent(i int, amp Phasor) error {
	rows := ws.plan.circuit.CurrentSources
	if i < 0 || i >= len(rows) {
		return noRow("current sources", i, len(rows))
	}
	if mend, err := sourceAmount(amp); err != nil {
		return &RowError{Table: "current sources", Row: i, Name: rows[i].Name, Field: "current", Mend: mend, Err: err}
	}
	ws.current[i] = amp
	ws.touch()
	return nil
}

func sourceAmount(a Phasor) (mend string, err error) {
	if mend, err = amount(a.Re, -maxSource, maxSource); err != nil {
		return mend, err
	}
	return amount(a.Im, -maxSource, maxSource)
}

func noRow(table string, i, n int) error {
	return &RowError{Table: table, Row: i, Field: "row number", Mend: fmt.Sprintf("the table has %d rows", n), Err: errUnknownRow}
}

// assemble adds the rows up, branch by branch, in the order of the rows.
func (ws *Workspace) assemble() {
	p := ws.plan
	clear(ws.baseY)
	for _, a := range p.rows.admittance {
		y, to := &ws.rowY[a.row], &ws.baseY[a.branch]
		to.Re += y.Re
		to.Im += y.Im
	}
	clear(ws.baseJ)
	slots := int32(p.program.slots)
	for i := range p.rows.emf {
		a := &p.rows.emf[i]
		j := ws.rowY[a.row].Times(ws.emf[a.source])
		to := &ws.baseJ[a.group*slots+a.slot]
		if a.plus {
			*to = to.Plus(j)
		} else {
			*to = to.Minus(j)
		}
	}
	for i := range p.rows.current {
		a := &p.rows.current[i]
		to := &ws.baseJ[a.group*slots+a.slot]
		if a.minus {
			*to = to.Minus(ws.current[a.source])
		} else {
			*to = to.Plus(ws.current[a.source])
		}
	}
	for i := range p.rows.held {
		h := &p.rows.held[i]
		e := ws.emf[h.source]
		if h.minus {
			e = Phasor{-e.Re, -e.Im}
		}
		ws.v[int(h.group)*p.sites+int(h.position)] = e
	}
	ws.dirty = false
}
