package circuit

// Report is how far the latest solution can be relied on.
type Report struct {
	// Residual is the largest sum of currents into a node, as a share of the
	// currents that meet there, a voltage below a thousandth of the highest
	// counting as that; WorstNode names it.
	Residual  float64
	WorstNode string
	// PivotLoss is the smallest pivot of the elimination as a share of the
	// sizes of all admittances added up for it; WorstPivot names its node. It
	// is far below 1 only where an inductance and a capacitance cancel.
	PivotLoss  float64
	WorstPivot string
	// Feedback is the largest change that the secondary currents of the
	// current transformers make to a primary current, as a share of it. The
	// one-way model holds while it is small.
	Feedback float64
}

// Limits of a solution that Check accepts.
const (
	maxResidual  = 1e-11
	minPivotLoss = 1e-9
)

// Check puts the solution back into Kirchhoff's current law at every node and
// measures what the elimination lost. The error is an *[IllConditionedError]
// if either is beyond what a displayed digit could bear. Call Solve first.
func (ws *Workspace) Check() (Report, error) {
	if !ws.solved {
		return Report{}, errNotSolved
	}
	r := Report{PivotLoss: 1}
	ws.checkPivots(&r)
	for g := range ws.plan.groups {
		ws.checkNodes(g, &r)
		for i := range ws.plan.rows.ct {
			row := int(ws.plan.rows.ct[i].primary)
			was, is := ws.rowCurrent(row, g, ws.first), ws.rowCurrent(row, g, ws.v)
			if d := is.Minus(was).Abs(); d > 0 {
				r.Feedback = max(r.Feedback, d/max(was.Abs(), is.Abs()))
			}
		}
	}
	if !(r.Residual <= maxResidual && r.PivotLoss >= minPivotLoss) {
		return r, &IllConditionedError{r}
	}
	return r, nil
}

// checkPivots compares each pivot with the sizes of all that was added up to
// make it, from the rows on. After elimination the branches of node k still
// hold what its pivot was summed from, since later steps change only branches
// of later nodes.
func (ws *Workspace) checkPivots(r *Report) {
	p := ws.plan
	g := &p.program
	size := make([]float64, len(g.far))
	for _, a := range p.rows.admittance {
		size[a.branch] += ws.rowY[a.row].Abs()
	}
	for k := range p.n {
		var sum Phasor
		terms := 0.0
		for e := g.start[k]; e < g.start[k+1]; e++ {
			sum, terms = sum.Plus(ws.y[e]), terms+size[e]
		}
		for _, o := range g.fills[k] {
			size[o.to] += float64(ws.share[o.share].Abs() * ws.y[o.from].Abs())
		}
		if kept := sum.Abs() / terms; !(kept >= r.PivotLoss) {
			r.PivotLoss, r.WorstPivot = kept, p.names[k]
		}
	}
}

func (ws *Workspace) checkNodes(group int, r *Report) {
	p := ws.plan
	rows := &p.rows
	v := ws.v[group*p.sites : (group+1)*p.sites]
	floor := 0.0
	for _, x := range v {
		floor = max(floor, x.Abs())
	}
	floor = float64(floor * 1e-3)
	sum, size := make([]Phasor, p.sites), make([]float64, p.sites)
	flow := func(a, b int32, amp Phasor, bulk float64) {
		if a == b {
			return // shorted by contacts
		}
		sum[a], sum[b] = sum[a].Plus(amp), sum[b].Minus(amp)
		size[a], size[b] = size[a]+bulk, size[b]+bulk
	}
	for row := range ws.rowY {
		a, b := rows.ends[row][0], rows.ends[row][1]
		y, drop := ws.rowY[row], v[a].Minus(v[b])
		bulk := v[a].Abs() + v[b].Abs() + floor
		if s := row - rows.firstVolt; s >= 0 && p.group(p.circuit.VoltageSources[s].Group) == int32(group) {
			drop = drop.Minus(ws.emf[s])
			bulk += ws.emf[s].Abs()
		}
		flow(a, b, y.Times(drop), float64(y.Abs()*bulk))
	}
	for i := range ws.current {
		if p.group(p.circuit.CurrentSources[i].Group) == int32(group) {
			ends := rows.ends[rows.firstAmp+i]
			flow(ends[0], ends[1], ws.current[i], ws.current[i].Abs())
		}
	}
	for i := range rows.ct {
		c := &rows.ct[i]
		amp := ws.rowCurrent(int(c.primary), group, ws.first).Scaled(ws.ct[i])
		flow(c.from, c.to, amp, amp.Abs())
	}
	for k := range p.n {
		if size[k] == 0 {
			continue
		}
		if rest := sum[k].Abs() / size[k]; !(rest <= r.Residual) {
			r.Residual, r.WorstNode = rest, p.names[k]
		}
	}
}
