package diagnose

import (
	"math"
	"slices"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

const (
	// fineDraws is the number of worlds of a fine trial, and manyDraws where they
	// would not be enough.
	fineDraws, manyDraws = 128, 512
	// enough is the effective number of draws that a fine trial should have.
	enough = 30
	// turns bounds the steps towards the worlds that fit best.
	turns = 8
	// nudge is the step of a difference quotient, in the logit of a range.
	nudge = 0.02
	// farthest bounds the logit of a share.
	farthest = 12
	// wider is how much wider than the fit the draws spread.
	wider = 1.15
)

// fine is a trial in draws from around the worlds that fit best.
type fine struct {
	cloud
	// rough is what the rough trial made of the observations when it was fitted.
	rough float64
	// fitted is how many observations it was fitted to, effective the number of draws
	// that counted then, and close whether as many draws were made as ever are.
	fitted    int
	effective float64
	close     bool
	// height is that of the highest peak that was found.
	height float64
}

// dim is one unknown of a fit: a parameter in an epoch, for the visit where epoch is
// below zero, or a trait.
type dim struct {
	param site.ParamID
	epoch int
	trait int // below zero for a parameter
}

// fitted is an observation as a fit has it.
type fitted struct {
	g    gauge
	test int
}

// fitTest is a reading that a fit makes, once for all observations of it.
type fitTest struct {
	at     key
	in     instrument.Instrument
	points []site.PointID
}

// setting is the tests of one epoch in one state.
type setting struct {
	epoch int
	world *world.World
	tests []int
}

// fit looks for the unknowns under which a hypothesis explains the observations
// best. Each unknown is the logit x of the share u of its range, so that no step
// leaves the range; its density is u·(1−u).
type fit struct {
	e        *Engine
	h        *hypothesis
	dims     []dim
	epochs   []int
	settings []setting
	tests    []fitTest
	seen     []fitted
	provings float64
	signals  []signal
}

func (e *Engine) newFit(h *hypothesis) (*fit, error) {
	f := &fit{e: e, h: h}
	at := map[key]int{}
	for i := range e.seen {
		t := &e.seen[i]
		if t.Proving != "" {
			f.provings += log(e.proving(h, &t.Observation))
			continue
		}
		n, ok := at[t.at]
		if !ok {
			n = len(f.tests)
			at[t.at] = n
			f.tests = append(f.tests, fitTest{t.at, e.instrumentOf(h, t.Kind), t.Points})
			w, err := e.worldOf(h, t.at.state)
			if err != nil {
				return nil, err
			}
			k := slices.IndexFunc(f.settings, func(s setting) bool { return s.epoch == t.Epoch && s.world == w })
			if k < 0 {
				k = len(f.settings)
				f.settings = append(f.settings, setting{t.Epoch, w, nil})
			}
			f.settings[k].tests = append(f.settings[k].tests, n)
			if !slices.Contains(f.epochs, t.Epoch) {
				f.epochs = append(f.epochs, t.Epoch)
			}
		}
		f.seen = append(f.seen, fitted{e.gaugeOf(f.tests[n].in, t), n})
	}
	if len(f.epochs) == 0 {
		f.epochs = []int{0}
	}
	// The order of the observations does not matter to what is drawn.
	slices.Sort(f.epochs)
	u := &e.unknowns
	for i := range u.params {
		p := &u.params[i]
		switch {
		case p.fixed():
		case p.Epoch == site.PerVisit:
			f.dims = append(f.dims, dim{p.ID, -1, -1})
		default:
			for _, n := range f.epochs {
				f.dims = append(f.dims, dim{p.ID, n, -1})
			}
		}
	}
	for i := range u.traits {
		kind := u.traits[i].Kind
		if slices.ContainsFunc(f.tests, func(t fitTest) bool { return t.in.Kind == kind }) {
			f.dims = append(f.dims, dim{-1, -1, i})
		}
	}
	f.signals = make([]signal, len(f.tests))
	return f, nil
}

// share is the share of a range that a logit stands for.
func share(x float64) float64 { return 1 / (1 + exp(-x)) }

func logit(u float64) float64 {
	u = min(max(u, 1e-5), 1-1e-5)
	return log(u / (1 - u))
}

// from returns the unknowns of one draw of a cloud.
func (f *fit) from(c *cloud, draw, scale int) []float64 {
	u := &f.e.unknowns
	x := make([]float64, len(f.dims))
	for j, d := range f.dims {
		switch {
		case d.trait >= 0:
			x[j] = logit(u.traits[d.trait].shareOf(c.traits[draw][d.trait]))
		default:
			epoch := d.epoch
			if epoch < 0 {
				epoch = c.first
			}
			values, ok := c.epochs[epoch]
			if !ok {
				values = f.e.epochOf(c, epoch)
			}
			v := values[draw][d.param]
			if d.param == site.SupplyVolt {
				v = float64(v * c.scales[scale])
			}
			x[j] = logit(u.params[d.param].shareOf(v))
		}
	}
	return x
}

// values returns the parameters of an epoch, and fills the traits.
func (f *fit) values(x []float64, epoch int, v *site.Values, traits []float64) {
	u := &f.e.unknowns
	for j, d := range f.dims {
		switch {
		case d.trait >= 0:
			traits[d.trait] = u.traits[d.trait].at(share(x[j]))
		case d.epoch < 0 || d.epoch == epoch:
			v[d.param] = u.params[d.param].at(share(x[j]))
		}
	}
}

// read fills the signals of every test, or of those that unknown only bears on where
// it is not below zero.
func (f *fit) read(x []float64, only int, out []signal) error {
	v := site.Usual()
	traits := make([]float64, len(f.e.unknowns.traits))
	for i := range f.settings {
		s := &f.settings[i]
		if only >= 0 && f.dims[only].epoch >= 0 && f.dims[only].epoch != s.epoch {
			continue
		}
		f.values(x, s.epoch, &v, traits)
		if err := f.readIn(s, &v, traits, only, out); err != nil {
			return err
		}
	}
	return nil
}

// readIn is read in one setting.
func (f *fit) readIn(s *setting, v *site.Values, traits []float64, only int, out []signal) error {
	u := &f.e.unknowns
	if err := s.world.Redraw(v); err != nil {
		return err
	}
	for _, n := range s.tests {
		t := &f.tests[n]
		in := t.in
		if only >= 0 && f.dims[only].trait >= 0 && u.traits[f.dims[only].trait].Kind != in.Kind {
			continue
		}
		u.build(&in, traits)
		r, err := s.world.Sense(in, t.points...)
		if err != nil {
			return err
		}
		out[n] = sensed(in, &r)
	}
	f.e.thought.work += 1 + len(s.tests)
	return nil
}

// loglik is the log-likelihood of the observations under signals.
func (f *fit) loglik(signals []signal) float64 {
	sum := f.provings
	for i := range f.seen {
		sum += log(f.seen[i].g.of(signals[f.seen[i].test], 1))
	}
	return sum
}

// logDensity is the density of a logit whose share is spread evenly.
func logDensity(x float64) float64 {
	a := math.Abs(x)
	l := log(1 + exp(-a))
	return -a - float64(2*l)
}

func (f *fit) logPrior(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += logDensity(v)
	}
	return sum
}

// peak is a place where a hypothesis explains the observations best.
type peak struct {
	x []float64
	// height is the log-posterior there.
	height float64
	// active lists the unknowns that the numbers shown bear on, told how much each of
	// them is told, in units of what its range tells.
	active []int
	told   []float64
	info   [][]float64 // about the active ones, its lower half
}

// climb goes from x to a place that explains the observations better, in at most so
// many steps of Levenberg's and Marquardt's method on the numbers that were shown. Only
// the listed unknowns are moved, or all where none is.
func (f *fit) climb(x []float64, listed []int, turns int) (*peak, error) {
	p := &peak{x: x, active: slices.Clone(listed)}
	if listed == nil {
		for j := range f.dims {
			p.active = append(p.active, j)
		}
	}
	if err := f.read(x, -1, f.signals); err != nil {
		return nil, err
	}
	here := f.loglik(f.signals) + f.logPrior(x)
	trial := make([]signal, len(f.tests))
	damping := 0.01
	for turn := 0; ; turn++ {
		info, slope, err := f.slopes(p, turn == 0)
		if err != nil {
			return nil, err
		}
		moved := false
		for range 4 {
			if turn == turns {
				break
			}
			chol := cholesky(info, damping)
			step := solve(chol, slope)
			y := slices.Clone(p.x)
			for k, j := range p.active {
				y[j] = min(max(y[j]+min(max(step[k], -2), 2), -farthest), farthest)
			}
			if err := f.read(y, -1, trial); err != nil {
				return nil, err
			}
			there := f.loglik(trial) + f.logPrior(y)
			if there > here {
				moved = there > here+0.05
				p.x, here = y, there
				copy(f.signals, trial)
				damping /= 5
				break
			}
			damping *= 10
		}
		if !moved {
			p.height, p.info = here, info
			return p, nil
		}
	}
}

// slopes returns the information about the active unknowns and the slope of the
// log-posterior. At first it finds which unknowns the numbers bear on.
func (f *fit) slopes(p *peak, first bool) (info [][]float64, slope []float64, err error) {
	columns := make([][]float64, 0, len(p.active))
	nudged := slices.Clone(f.signals)
	var active []int
	p.told = p.told[:0]
	weights := make([]float64, len(f.seen))
	misses := make([]float64, len(f.seen))
	for i := range f.seen {
		g := &f.seen[i].g
		shown, ok := g.shown(f.signals[f.seen[i].test])
		if !ok {
			continue
		}
		misses[i] = g.value - shown
		z := misses[i] / g.sigma
		weights[i] = 5 / float64((4+float64(z*z))*float64(g.sigma*g.sigma))
	}
	for _, j := range p.active {
		y := slices.Clone(p.x)
		y[j] += nudge
		copy(nudged, f.signals)
		if err := f.read(y, j, nudged); err != nil {
			return nil, nil, err
		}
		column := make([]float64, len(f.seen))
		told := 0.0
		for i := range f.seen {
			if weights[i] == 0 {
				continue
			}
			g, n := &f.seen[i].g, f.seen[i].test
			a, _ := g.shown(f.signals[n])
			if b, ok := g.shown(nudged[n]); ok {
				column[i] = (b - a) / nudge
			}
			told += float64(float64(column[i]*column[i]) / float64(g.sigma*g.sigma))
		}
		if first && told < 1e-3 {
			continue
		}
		active, columns = append(active, j), append(columns, column)
		p.told = append(p.told, told)
	}
	p.active = active
	info = make([][]float64, len(active))
	slope = make([]float64, len(active))
	for a := range active {
		info[a] = make([]float64, a+1)
		u := share(p.x[active[a]])
		slope[a] = 1 - float64(2*u)
		for i, w := range weights {
			if w == 0 {
				continue
			}
			wc := float64(w * columns[a][i])
			if wc == 0 {
				continue
			}
			slope[a] += float64(wc * misses[i])
			for b := range a + 1 {
				info[a][b] += float64(wc * columns[b][i])
			}
		}
		info[a][a] += max(float64(2*u*(1-u)), leastTells)
	}
	return info, slope, nil
}

// farBeyond is beyond what any instrument shows a number for, in volts, ohms or amperes.
const farBeyond = 1e4

// shown is the number that a gauge's instrument would show, where the observation is
// a number and it would show one.
func (g *gauge) shown(s signal) (float64, bool) {
	if g.shows != instrument.Value || !(s[0] < farBeyond) {
		return 0, false
	}
	return s[0], true
}

// leastTells is the least information about each unknown, so that no pivot is smaller
// but by rounding.
const leastTells = 0.1

// cholesky factors a symmetric matrix, given by its lower half, with its diagonal
// enlarged by a share.
func cholesky(m [][]float64, damping float64) [][]float64 {
	c := make([][]float64, len(m))
	for i := range m {
		c[i] = make([]float64, i+1)
		for j := range i + 1 {
			sum := m[i][j]
			if i == j {
				sum += float64(sum * damping)
			}
			for k := range j {
				sum -= float64(c[i][k] * c[j][k])
			}
			if i == j {
				c[i][i] = math.Sqrt(max(sum, leastTells))
			} else {
				c[i][j] = sum / c[j][j]
			}
		}
	}
	return c
}

// solve solves c·cᵀ·x = b.
func solve(c [][]float64, b []float64) []float64 {
	x := slices.Clone(b)
	for i := range x {
		for k := range i {
			x[i] -= float64(c[i][k] * x[k])
		}
		x[i] /= c[i][i]
	}
	backward(c, x)
	return x
}

// backward solves cᵀ·x = b in place.
func backward(c [][]float64, x []float64) {
	for i := len(x) - 1; i >= 0; i-- {
		x[i] /= c[i][i]
		for k := range i {
			x[k] -= float64(c[i][k] * x[i])
		}
	}
}

// mound is what draws are made from: around a peak in the unknowns that the numbers
// tell of, anywhere in the range of the rest.
type mound struct {
	x      []float64
	height float64
	active []int
	chol   [][]float64 // lower Cholesky factor of the information, divided by width
	detail float64     // logarithm of its determinant
}

const (
	// rangeTells is the information that the range of an unknown holds about its logit:
	// one over the variance of the logistic distribution, 3/π².
	rangeTells = 0.30396355092701331
	// tells is the least information from which an unknown is drawn around a peak.
	tells = 0.02
	// unit is the scale of a logistic deviate with a variance of one, √3/π; its tails are
	// heavier than a normal one's.
	unit = 0.5513288954217921
)

// mound narrows a peak down to the unknowns that the numbers tell enough of.
func (f *fit) mound(p *peak) *mound {
	m := &mound{x: p.x, height: p.height}
	var rows []int
	for k, j := range p.active {
		if p.told[k] >= tells {
			m.active, rows = append(m.active, j), append(rows, k)
		}
	}
	part := make([][]float64, len(rows))
	for a, i := range rows {
		part[a] = make([]float64, a+1)
		for b := range a + 1 {
			part[a][b] = p.info[i][rows[b]]
		}
		u := share(p.x[p.active[i]])
		part[a][a] += rangeTells - max(float64(2*u*(1-u)), leastTells)
	}
	m.chol = cholesky(part, 0)
	m.scale(wider)
	return m
}

// scale makes the draws wider by a factor.
func (m *mound) scale(width float64) {
	m.detail = 0
	for i := range m.chol {
		for j := range m.chol[i] {
			m.chol[i][j] /= float64(width * unit)
		}
		m.detail += log(m.chol[i][i])
	}
}

// widened is the same mound, wider by a factor.
func (m *mound) widened(width float64) *mound {
	w := *m
	w.chol = make([][]float64, len(m.chol))
	for i := range m.chol {
		w.chol[i] = slices.Clone(m.chol[i])
	}
	w.scale(width / unit)
	return &w
}

// density is the logarithm of how often a draw of the mound has x in the unknowns
// that are listed.
func (m *mound) density(x []float64, listed []int) float64 {
	l := m.detail
	for k := range m.active {
		y := 0.0
		for i := k; i < len(m.active); i++ {
			j := m.active[i]
			y += float64(m.chol[i][k] * (x[j] - m.x[j]))
		}
		l += logDensity(y)
	}
	for _, j := range listed {
		if !slices.Contains(m.active, j) {
			l += logDensity(x[j])
		}
	}
	return l
}

// priorShare is the share of an unknown in a draw before anything is known.
func (f *fit) priorShare(d int, j dim) float64 {
	if j.trait >= 0 {
		return hashed(d, traitColumn+j.trait)
	}
	return hashed(d, column(j.param, j.epoch))
}

// draw makes a cloud of n draws from mounds, one in eight from the whole range. Each
// has the weight that makes the mean of the likelihood the evidence.
func (f *fit) draw(n int, mounds ...*mound) (*cloud, error) {
	u := &f.e.unknowns
	c := &cloud{draws: n, scales: one, epochs: map[int][]site.Values{}, first: f.epochs[0], loglik: make([]float64, n),
		cache: map[key][]signal{}, upto: len(f.e.seen), traits: make([][]float64, n)}
	for _, epoch := range f.epochs {
		c.epochs[epoch] = slices.Clone(u.prior(epoch)[:n])
	}
	var listed []int
	for _, m := range mounds {
		for _, j := range m.active {
			if !slices.Contains(listed, j) {
				listed = append(listed, j)
			}
		}
	}
	slices.Sort(listed)
	whole := &mound{}
	x := make([]float64, len(f.dims))
	y := make([]float64, len(listed))
	parts := make([]float64, len(mounds)+1)
	for d := range n {
		c.traits[d] = slices.Clone(u.manyTraits[d])
		for _, j := range listed {
			x[j] = logit(f.priorShare(d, f.dims[j]))
		}
		if d%8 != 7 {
			m := mounds[(d-d/8)%len(mounds)]
			y = y[:len(m.active)]
			for k := range y {
				y[k] = logit(hashed(d, k))
			}
			backward(m.chol, y)
			for k, j := range m.active {
				x[j] = min(max(m.x[j]+y[k], -3*farthest), 3*farthest)
				f.put(c, d, f.dims[j], share(x[j]))
			}
		}
		prior := whole.density(x, listed)
		parts[len(mounds)] = prior - log(8)
		for i, m := range mounds {
			parts[i] = m.density(x, listed) + log(float64(7.0/8)/float64(len(mounds)))
		}
		c.loglik[d] = prior - total(parts)
	}
	lists := make([][]signal, len(f.tests))
	for k := range lists {
		lists[k] = make([]signal, n)
		c.cache[f.tests[k].at] = lists[k]
	}
	signals := make([]signal, len(f.tests))
	for d := range n {
		for i := range f.settings {
			s := &f.settings[i]
			if err := f.readIn(s, &c.epochs[s.epoch][d], c.traits[d], -1, signals); err != nil {
				return nil, err
			}
		}
		for k := range lists {
			lists[k][d] = signals[k]
		}
		c.loglik[d] += f.loglik(signals)
	}
	c.mass = evidence(c.loglik)
	return c, nil
}

// total is the logarithm of a sum of exponentials.
func total(logs []float64) float64 {
	most, sum := slices.Max(logs), 0.0
	for _, l := range logs {
		sum += exp(l - most)
	}
	return most + log(sum)
}

// put gives one draw of a cloud the share of an unknown.
func (f *fit) put(c *cloud, d int, j dim, share float64) {
	u := &f.e.unknowns
	switch {
	case j.trait >= 0:
		c.traits[d][j.trait] = u.traits[j.trait].at(share)
	case j.epoch >= 0:
		c.epochs[j.epoch][d][j.param] = u.params[j.param].at(share)
	default:
		v := u.params[j.param].at(share)
		for _, epoch := range f.epochs {
			c.epochs[epoch][d][j.param] = v
		}
	}
}

// starts lists the draws of a cloud that explain the observations best, with the
// scale of the supply at which each does so.
func (c *cloud) starts(n int) (draws, scales []int) {
	k := len(c.scales)
	best := func(d int) int {
		most := 0
		for q := range k {
			if c.loglik[d*k+q] > c.loglik[d*k+most] {
				most = q
			}
		}
		return most
	}
	for d := range c.draws {
		draws = append(draws, d)
	}
	slices.SortStableFunc(draws, func(a, b int) int {
		return compare(c.loglik[b*k+best(b)], c.loglik[a*k+best(a)])
	})
	draws = draws[:min(n, len(draws))]
	for _, d := range draws {
		scales = append(scales, best(d))
	}
	return draws, scales
}

const (
	// peaks is how many places a fit climbs to, since it may get stuck in one.
	peaks = 3
	// kernels is how many of the best draws are drawn around once more, kernelWidth as
	// wide as around a peak.
	kernels, kernelWidth = 12, 0.7
)

// refine makes a fine trial of a hypothesis, starting from the best draws of clouds.
// Where few draws would hold all the weight, a close one draws again from around the
// best of them.
func (e *Engine) refine(h *hypothesis, close bool, from ...*cloud) error {
	f, err := e.newFit(h)
	if err != nil {
		return err
	}
	var mounds []*mound
	for _, c := range from {
		draws, scales := c.starts(max(1, peaks-len(mounds)))
		for i := range draws {
			p, err := f.climb(f.from(c, draws[i], scales[i]), nil, turns)
			if err != nil {
				return err
			}
			mounds = append(mounds, f.mound(p))
		}
	}
	mounds = higher(mounds)
	c, err := f.draw(fineDraws, mounds...)
	if err != nil {
		return err
	}
	if close && c.spread() < enough {
		around := mounds
		for _, d := range c.heaviest(kernels) {
			x := f.from(c, d, 0)
			k := nearest(mounds, x).widened(kernelWidth)
			k.x = x
			around = append(around, k)
		}
		if c, err = f.draw(manyDraws, around...); err != nil {
			return err
		}
	}
	h.fine = &fine{cloud: *c, rough: h.rough.mass, fitted: len(e.seen), effective: c.spread(), close: close, height: mounds[0].height}
	return nil
}

// guide is a peak of the best explanation, from which others are looked at.
type guide struct {
	of   *hypothesis
	peak *peak
	// asked lists the explanations that have been looked at from here.
	asked []*hypothesis
}

// newGuide finds the peak of an explanation.
func (e *Engine) newGuide(of *hypothesis) (*guide, error) {
	f, err := e.newFit(of)
	if err != nil {
		return nil, err
	}
	c := &of.fine.cloud
	p, err := f.climb(f.from(c, c.heaviest(1)[0], 0), nil, turns)
	return &guide{of: of, peak: p}, err
}

// glanceTurns bounds the steps of a look from a guide.
const glanceTurns = 4

// glance looks for a peak of a hypothesis near that of the guide: what is alike has its
// peaks alike, a climb from elsewhere can get stuck below, and a rough trial can miss by
// several nats. One that may matter is then tried finely.
func (e *Engine) glance(h *hypothesis, g *guide) error {
	g.asked = append(g.asked, h)
	f, err := e.newFit(h)
	if err != nil {
		return err
	}
	p, err := f.climb(slices.Clone(g.peak.x), nil, glanceTurns)
	if err != nil {
		return err
	}
	promise := e.weight(g.of) + h.prior - g.of.prior + p.height - g.peak.height
	switch {
	case h.fine != nil && p.height < h.fine.height+1:
		return nil
	case promise < e.weight(g.of)-within && !(e.dangerous(h) && p.height > g.peak.height+speaks-1):
		return nil
	}
	near := &cloud{draws: 1, scales: one, epochs: map[int][]site.Values{}, first: f.epochs[0], loglik: []float64{0},
		traits: [][]float64{make([]float64, len(e.unknowns.traits))}}
	for i := range near.traits[0] {
		near.traits[0][i] = e.unknowns.traits[i].Usual
	}
	for _, epoch := range f.epochs {
		near.epochs[epoch] = []site.Values{site.Usual()}
		f.values(p.x, epoch, &near.epochs[epoch][0], near.traits[0])
	}
	from := []*cloud{near}
	if h.fine != nil {
		from = append(from, &h.fine.cloud)
	} else {
		from = append(from, &h.rough)
	}
	return e.refine(h, promise > e.weight(g.of)-closely, from...)
}

func (e *Engine) dangerous(h *hypothesis) bool {
	return slices.ContainsFunc(h.ids, func(id int) bool { return e.catalogue[id].Danger })
}

// higher leaves the mounds that hold most, the highest first: not those far below
// it, nor the same twice.
func higher(list []*mound) []*mound {
	slices.SortStableFunc(list, func(a, b *mound) int { return compare(b.height, a.height) })
	var out []*mound
	for _, m := range list {
		same := slices.ContainsFunc(out, func(o *mound) bool {
			d := 0.0
			for i := range m.x {
				d = max(d, math.Abs(m.x[i]-o.x[i]))
			}
			return d < 0.5
		})
		if !same && m.height > list[0].height-12 {
			out = append(out, m)
		}
	}
	return out
}

// nearest is the mound that a place most likely belongs to.
func nearest(list []*mound, x []float64) *mound {
	best, most := list[0], math.Inf(-1)
	for _, m := range list {
		if d := m.density(x, nil); d > most {
			best, most = m, d
		}
	}
	return best
}
