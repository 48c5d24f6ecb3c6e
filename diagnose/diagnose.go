// Package diagnose says which departures explain what was seen at a position.
//
// An Engine holds hypotheses: nothing wrong, each departure of the site's
// catalogue on its own, pairs of them where no single one explains what was seen,
// and that the truth is not in the model. Each is tried in many worlds, drawn from
// the ranges of the model's parameters, and the voltage of the supply is integrated
// on a grid. What comes out are groups of departures that these tests cannot tell
// apart, with a probability each.
//
// Everything is a lead, not a finding. Nothing here may open or close a guard:
// stops come from the method's own rules on what was observed.
//
// The same observations give the same bits everywhere: no clock, no random
// numbers, fixed orders, and the exponential and the logarithm are our own.
package diagnose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

const (
	// draws is the number of worlds that each hypothesis is tried in.
	draws = 32
	// supplies is the number of voltages of the supply that each world is tried at.
	supplies = 12
	// outsideRate is how often the truth is not in the model [P].
	outsideRate = 1e-4
	// fits is the least probability that the best single explanation may give an
	// observation before pairs are tried.
	fits = 0.01
	// seeds is how many of the best single departures pairs are made of, each with
	// every other departure.
	seeds = 4
	// maxObservations bounds a visit.
	maxObservations = 500
)

// Caution stands under every explanation and every advice.
const Caution = "An explanation ranked first is a lead, not a finding. Advice never leads past a stop of the method."

// Observation is one reading as the person read it.
type Observation struct {
	// Switching is the state of the switches when it was read.
	Switching site.Switching
	// Epoch counts how often a switch has been moved before, since loads may change
	// with each.
	Epoch  int
	Kind   instrument.Kind
	Points []site.PointID
	Shows  instrument.Indication
	// Proving is the source on which the instrument was proved, empty for a reading
	// at the position. A proving has no points.
	Proving instrument.SourceKind
}

// hypothesis is a set of departures, with the worlds that have been made of it.
type hypothesis struct {
	ids    []int // of the catalogue, ascending
	prior  float64
	worlds []*world.World // by the place of the state in Engine.states
	// loglik[d·supplies+q] is the log-likelihood in draw d at voltage q.
	loglik []float64
	// mass is the evidence of loglik.
	mass  float64
	cache map[key][]signal
}

// Engine holds what was observed at one position and weighs what explains it. One
// goroutine at a time may use it.
type Engine struct {
	site      *site.Site
	catalogue []site.Departure
	states    []site.Switching
	single    []*hypothesis // the first is that nothing is wrong
	pairs     []*hypothesis
	outside   float64 // log-likelihood of what is not in the model
	seen      []Observation
	tried     int                   // how many observations pairs have been tried with
	values    map[int][]site.Values // by epoch, one for each draw
	steps     []float64
	scale     [supplies]float64
	kin       []int // of each departure, the first that no test can tell from it
}

// key names a test in a state and an epoch.
type key struct {
	state, epoch int
	test         string
}

// New returns an engine for a site with nothing observed yet.
func New(s *site.Site) (*Engine, error) {
	e := &Engine{site: s, catalogue: s.Departures()}
	e.steps = roots(2*site.ParameterCount + len(instrument.AllTraits()))
	v := site.Parameters()[site.SupplyVolt]
	for q := range supplies {
		volt := v.Low + float64((v.High-v.Low)*(float64(q)+0.5))/supplies
		e.scale[q] = volt / v.Usual
	}
	e.values = map[int][]site.Values{}
	healthy := 1 - outsideRate
	for i := range e.catalogue {
		healthy -= e.catalogue[i].Prior.Rate
	}
	e.single = append(e.single, newHypothesis(healthy))
	for i := range e.catalogue {
		e.single = append(e.single, newHypothesis(e.catalogue[i].Prior.Rate, i))
	}
	return e, nil
}

func newHypothesis(prior float64, ids ...int) *hypothesis {
	return &hypothesis{ids: ids, prior: prior, loglik: make([]float64, draws*supplies), cache: map[key][]signal{}}
}

// epoch returns the values of every draw in an epoch.
func (e *Engine) epoch(n int) []site.Values {
	if list, ok := e.values[n]; ok {
		return list
	}
	var list []site.Values
	for d := range draws {
		list = append(list, e.draw(d, n))
	}
	e.values[n] = list
	return list
}

// draw returns the values of one draw. What lasts for the visit is the same in
// every epoch; loads are drawn anew.
func (e *Engine) draw(d, epoch int) site.Values {
	var u [site.ParameterCount]float64
	for i, p := range site.Parameters() {
		k := i
		n := d + 1
		if p.Epoch == site.PerSwitching {
			k += site.ParameterCount
			n += epoch * draws
		}
		x := float64(float64(n) * e.steps[k])
		u[i] = x - math.Floor(x)
	}
	v := site.Draw(&u)
	v[site.SupplyVolt] = site.Parameters()[site.SupplyVolt].Usual
	return v
}

// Observe takes an observation in. It costs one reading in each world.
func (e *Engine) Observe(o Observation) error {
	if len(e.seen) >= maxObservations {
		return fmt.Errorf("diagnose: more than %d observations: begin another visit", maxObservations)
	}
	m, ok := instrument.Lookup(o.Kind)
	if !ok {
		return fmt.Errorf("diagnose: %q is no kind of instrument", o.Kind)
	}
	if err := m.Allows(o.Shows.Shows()); err != nil {
		return fmt.Errorf("diagnose: observation %d: %w", len(e.seen)+1, err)
	}
	if _, unit, isValue := o.Shows.Reading(); isValue && unit != m.Unit {
		return fmt.Errorf("diagnose: observation %d: a %s shows %s, not %s", len(e.seen)+1, m.Words, m.Unit, unit)
	}
	if o.Epoch < 0 || o.Epoch > maxObservations {
		return fmt.Errorf("diagnose: observation %d: epoch %d is out of range", len(e.seen)+1, o.Epoch)
	}
	if o.Proving != "" && (len(o.Points) > 0 || !slices.Contains(instrument.SourceKinds(), o.Proving)) {
		return fmt.Errorf("diagnose: observation %d: a proving has a known source and no points", len(e.seen)+1)
	}
	// The healthy position first: if the points are wrong, nothing has changed.
	if err := e.reads(&o); err != nil {
		return fmt.Errorf("diagnose: observation %d: %w", len(e.seen)+1, err)
	}
	for _, list := range [][]*hypothesis{e.single, e.pairs} {
		for _, h := range list {
			if err := e.weigh(h, &o); err != nil {
				return fmt.Errorf("diagnose: observation %d: %w", len(e.seen)+1, err)
			}
		}
	}
	g := e.gaugeOf(instrument.New(o.Kind, instrument.Sound), &o)
	e.outside += log(g.unexplained())
	e.seen = append(e.seen, o)
	return nil
}

// reads reports whether the instrument can be put on the points.
func (e *Engine) reads(o *Observation) error {
	if o.Proving != "" {
		return nil
	}
	_, err := e.signals(e.single[0], o)
	return err
}

// Begin forgets every observation. What has been solved is kept, so that the next
// visit to the same position costs less.
func (e *Engine) Begin() {
	e.seen, e.pairs, e.outside, e.tried = nil, nil, 0, 0
	for _, h := range e.single {
		h.mass = 0
		clear(h.loglik)
	}
}

// unexplained is the probability of an observation when nothing is known.
func (g *gauge) unexplained() float64 {
	if g.shows == instrument.Value {
		return min(0.5, float64(5*g.step)/span(g.in.Kind))
	}
	return 0.33
}

// instrumentOf is an instrument as a hypothesis has it.
func (e *Engine) instrumentOf(h *hypothesis, k instrument.Kind) instrument.Instrument {
	in := instrument.New(k, instrument.Sound)
	for _, id := range h.ids {
		if d := &e.catalogue[id]; d.Kind == string(k) {
			in.Condition = instrument.Condition(d.Condition)
		}
	}
	return in
}

// build gives an instrument the traits of a draw, but for the voltages from which
// it lights: those the likelihood spreads over their range.
func (e *Engine) build(in *instrument.Instrument, d int) {
	for i, r := range instrument.AllTraits() {
		if r.Kind != in.Kind || r.Unit == "V" {
			continue
		}
		x := float64(float64(d+1) * e.steps[2*site.ParameterCount+i])
		p := site.Parameter{Low: r.Low, High: r.High, Log: true}
		r.Set(&in.Traits, p.At(x-math.Floor(x)))
	}
}

func (e *Engine) gaugeOf(in instrument.Instrument, o *Observation) gauge {
	onePole := len(o.Points) == 1 || len(o.Points) == 2 && o.Points[1] == site.Body
	g := gauge{in: in, shows: o.Shows.Shows(), pattern: instrument.Pattern(o.Shows)}
	g.light = thresholdOf(in.Kind, onePole && in.Kind == instrument.TwoPole, in.Condition == instrument.WeakBattery)
	if v, _, ok := o.Shows.Reading(); ok {
		g.value, g.step = v.Float(), v.Resolution()
		g.sigma = max(in.Kind.Accuracy().StandardUncertainty(v), g.step/2)
	}
	return g
}

func (e *Engine) stateOf(w site.Switching) int {
	if i := slices.Index(e.states, w); i >= 0 {
		return i
	}
	e.states = append(e.states, w)
	return len(e.states) - 1
}

func testName(k instrument.Kind, points []site.PointID) string {
	parts := []string{string(k)}
	for _, p := range points {
		parts = append(parts, string(p))
	}
	return strings.Join(parts, " ")
}

// signals returns what the test of an observation would be made of in each draw.
func (e *Engine) signals(h *hypothesis, o *Observation) ([]signal, error) {
	state := e.stateOf(o.Switching)
	at := key{state, o.Epoch, testName(o.Kind, o.Points)}
	if list, ok := h.cache[at]; ok {
		return list, nil
	}
	for len(h.worlds) <= state {
		h.worlds = append(h.worlds, nil)
	}
	if h.worlds[state] == nil {
		setup := world.Setup{Site: e.site, Values: &e.epoch(0)[0], Switching: o.Switching}
		for _, id := range h.ids {
			setup.Departures = append(setup.Departures, e.catalogue[id])
		}
		w, err := world.New(setup)
		if err != nil {
			return nil, err
		}
		h.worlds[state] = w
	}
	w := h.worlds[state]
	in := e.instrumentOf(h, o.Kind)
	list := make([]signal, draws)
	values := e.epoch(o.Epoch)
	for d := range list {
		if err := w.Redraw(&values[d]); err != nil {
			return nil, err
		}
		e.build(&in, d)
		r, err := w.Read(in, o.Points...)
		if err != nil {
			return nil, err
		}
		list[d] = sensed(in, &r)
	}
	h.cache[at] = list
	return list, nil
}

// weigh multiplies an observation into a hypothesis.
func (e *Engine) weigh(h *hypothesis, o *Observation) error {
	if o.Proving != "" {
		e.weighProving(h, o)
		return nil
	}
	list, err := e.signals(h, o)
	if err != nil {
		return err
	}
	g := e.gaugeOf(e.instrumentOf(h, o.Kind), o)
	for d := range list {
		for q := range supplies {
			h.loglik[d*supplies+q] += log(g.of(list[d], e.scale[q]))
		}
	}
	h.mass = evidence(h.loglik)
	return nil
}

// weighProving multiplies a proving in: it tells of the instrument alone.
func (e *Engine) weighProving(h *hypothesis, o *Observation) {
	l := log(e.proving(h, o))
	for i := range h.loglik {
		h.loglik[i] += l
	}
	h.mass += l
}

// proving is the probability of a proving under a hypothesis.
func (e *Engine) proving(h *hypothesis, o *Observation) float64 {
	in := e.instrumentOf(h, o.Kind)
	shown := in.Prove(o.Proving)
	p := bit(shown.Shows() == o.Shows.Shows())
	if x, _, ok := shown.Reading(); ok && p > 0 {
		got, _, _ := o.Shows.Reading()
		if math.Abs(got.Float()-x.Float()) > float64(0.1*x.Float())+float64(3*got.Resolution()) {
			p = 0
		}
	}
	return float64((1-slip)*p) + float64(slip*0.33)
}

// surprises returns the probability that a hypothesis, with what is known now, gives
// each observation, as a share of the greatest possible.
func (e *Engine) surprises(h *hypothesis) ([]float64, error) {
	each := make([]float64, len(e.seen))
	most := slices.Max(h.loglik)
	for i := range e.seen {
		o := &e.seen[i]
		if o.Proving != "" {
			each[i] = e.proving(h, o)
			continue
		}
		list, err := e.signals(h, o)
		if err != nil {
			return nil, err
		}
		g := e.gaugeOf(e.instrumentOf(h, o.Kind), o)
		sum, all := 0.0, 0.0
		for d := range list {
			for q := range supplies {
				w := exp(h.loglik[d*supplies+q] - most)
				all += w
				sum += float64(w * g.of(list[d], e.scale[q]))
			}
		}
		each[i] = sum / float64(all*max(g.peak(), 1e-12))
	}
	return each, nil
}

// peak is the greatest probability that any signal gives the observation.
func (g *gauge) peak() float64 {
	if g.shows == instrument.Value && g.sigma > 0 {
		return min(1, float64(0.375*g.step)/g.sigma)
	}
	return 1
}

// evidence is the log of the mean likelihood over the draws.
func evidence(loglik []float64) float64 {
	most := slices.Max(loglik)
	sum := 0.0
	for _, l := range loglik {
		sum += exp(l - most)
	}
	return most + log(sum/float64(len(loglik)))
}

// hopeless is how many nats below the best explanation a pair is dropped. The
// evidence only falls with each observation.
const hopeless = 12

// worthwhile is how many nats a pair must explain beyond either of the two.
const worthwhile = 1

// tryPairs adds pairs where no single departure explains every observation. It
// costs nothing where one does, and nothing again until more is observed.
func (e *Engine) tryPairs() error {
	if e.tried == len(e.seen) {
		return nil
	}
	e.tried = len(e.seen)
	order := slices.Clone(e.single[1:])
	slices.SortStableFunc(order, func(a, b *hypothesis) int { return compare(b.weight(), a.weight()) })
	best := order[0]
	if h := e.single[0]; h.weight() > best.weight() {
		best = h
	}
	each, err := e.surprises(best)
	if err != nil || slices.Min(each) >= fits {
		return err
	}
	top := best.weight()
	for _, h := range e.pairs {
		top = max(top, h.weight())
	}
	// What surprised the best explanation most comes first: it rules most out.
	turn := make([]int, len(e.seen))
	for i := range turn {
		turn[i] = i
	}
	slices.SortStableFunc(turn, func(a, b int) int { return compare(each[a], each[b]) })
	for _, a := range order[:min(seeds, len(order))] {
		for b := range e.catalogue {
			i, j := min(a.ids[0], b), max(a.ids[0], b)
			if i == j || !e.distinct(i, j) || e.paired(i, j) {
				continue
			}
			h := newHypothesis(float64(e.catalogue[i].Prior.Rate*e.catalogue[j].Prior.Rate), i, j)
			kept := true
			for _, k := range turn {
				if err := e.weigh(h, &e.seen[k]); err != nil {
					return err
				}
				if h.weight() < top-hopeless {
					kept = false
					break
				}
			}
			// A second departure must explain something that the first does not.
			if kept && h.mass > max(e.single[i+1].mass, e.single[j+1].mass)+worthwhile {
				top = max(top, h.weight())
				e.pairs = append(e.pairs, h)
			}
		}
	}
	return nil
}

// distinct reports whether two departures can be there together as two: not two
// conditions of one instrument, and neither changes nothing that conducts.
func (e *Engine) distinct(i, j int) bool {
	a, b := &e.catalogue[i], &e.catalogue[j]
	if a.Kind != "" && a.Kind == b.Kind {
		return false
	}
	silent := func(d *site.Departure) bool { return d.Kind == "" && len(d.Changes) == 0 }
	return !silent(a) && !silent(b)
}

func (e *Engine) paired(i, j int) bool {
	for _, h := range e.pairs {
		if h.ids[0] == i && h.ids[1] == j {
			return true
		}
	}
	return false
}

func (h *hypothesis) weight() float64 { return log(h.prior) + h.mass }

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
