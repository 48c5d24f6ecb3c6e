package diagnose

import (
	"math"
	"slices"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// hypothesis is a set of departures, with the worlds that have been made of it.
type hypothesis struct {
	ids    []int   // of the catalogue, ascending
	prior  float64 // logarithm of its rate
	like   *hypothesis
	worlds []*world.World // by the place of the state in Engine.states
	// rough is a trial in draws that all hypotheses share; only single ones have it.
	rough cloud
	// fine is a trial in draws from around the worlds that fit best, or nil.
	fine *fine
	// glanced is the explanation from whose peak this was last looked at, and gap by how
	// much its evidence was above that one's then.
	glanced *hypothesis
	gap     float64
	looks   [2]int // with how many observations, and how often with those
	// surprises is how well a trial gives each observation, worked out last for surprised.
	surprises []float64
	surprised *cloud
}

// cloud is worlds of one hypothesis, each weighed by what was observed.
type cloud struct {
	draws  int
	scales []float64
	epochs map[int][]site.Values
	first  int // one of the epochs
	// shared says that its draws are those of every rough trial.
	shared bool
	traits [][]float64
	// loglik[d·len(scales)+q] is the log-likelihood in draw d at scale q of the supply,
	// with the draw's own weight.
	loglik []float64
	// mass is the evidence of loglik, upto how many observations it counts.
	mass float64
	upto int
	// effective is the effective number of draws, once it has been asked for; below zero
	// before.
	effective float64
	cache     map[key][]signal
}

func (e *Engine) newHypothesis(prior float64, ids ...int) *hypothesis {
	h := &hypothesis{ids: ids, prior: prior}
	if len(ids) == 1 && len(e.catalogue[ids[0]].Changes) == 0 {
		h.like = e.single[0]
	}
	return h
}

// newRough is a rough trial that has counted nothing yet.
func (u *unknowns) newRough() cloud {
	return cloud{draws: roughDraws, scales: u.scales, epochs: u.rough, traits: u.roughTraits, shared: true,
		loglik: make([]float64, roughDraws*supplies), cache: map[key][]signal{}}
}

func (h *hypothesis) forget() {
	h.fine, h.surprises, h.surprised, h.glanced = nil, nil, nil, nil
	h.looks = [2]int{}
	h.rough.effective = -1
	h.rough.mass, h.rough.upto = 0, 0
	clear(h.rough.loglik)
}

// signals returns what the test of an observation would be made of in each draw of
// a cloud.
func (e *Engine) signals(h *hypothesis, c *cloud, t *taken) ([]signal, error) {
	if list, ok := c.cache[t.at]; ok {
		return list, nil
	}
	w, err := e.worldOf(h, t.at.state)
	if err != nil {
		return nil, err
	}
	values := e.epochOf(c, t.Epoch)
	in := e.instrumentOf(h, t.Kind)
	list := make([]signal, c.draws)
	for d := range list {
		if list[d], err = e.unknowns.sense(w, &in, &values[d], c.traits[d], t.Points); err != nil {
			return nil, err
		}
	}
	e.thought.work += 2 * c.draws
	c.cache[t.at] = list
	return list, nil
}

// sense is what a test is made of in one draw of a world, with an instrument of the draw's traits.
func (u *unknowns) sense(w *world.World, in *instrument.Instrument, values *site.Values, traits []float64, points []site.PointID) (signal, error) {
	if err := w.Redraw(values); err != nil {
		return signal{}, err
	}
	u.build(in, traits)
	r, err := w.Sense(*in, points...)
	if err != nil {
		return signal{}, err
	}
	return sensed(*in, &r), nil
}

// epochOf returns the values of an epoch. Of one that the cloud has not met they are made: what lasts for
// the visit as in its other epochs, loads drawn anew.
func (e *Engine) epochOf(c *cloud, epoch int) []site.Values {
	if list, ok := c.epochs[epoch]; ok {
		return list
	}
	u := &e.unknowns
	if c.shared {
		return u.epoch(epoch)
	}
	list := slices.Clone(c.epochs[c.first])
	prior := u.prior(epoch)
	for d := range list {
		for i := range u.params {
			if u.params[i].Epoch == site.PerSwitching {
				list[d][i] = prior[d][i]
			}
		}
	}
	c.epochs[epoch] = list
	return list
}

// weigh multiplies the observations that a cloud has not counted into it.
func (e *Engine) weigh(h *hypothesis, c *cloud) error {
	if c.upto == len(e.seen) {
		return nil
	}
	for ; c.upto < len(e.seen); c.upto++ {
		if err := e.multiply(h, c, &e.seen[c.upto]); err != nil {
			return err
		}
	}
	c.mass = evidence(c.loglik)
	c.effective = -1
	return nil
}

func (e *Engine) multiply(h *hypothesis, c *cloud, t *taken) error {
	if t.Proving != "" {
		l := log(e.proving(h, &t.Observation))
		for i := range c.loglik {
			c.loglik[i] += l
		}
		return nil
	}
	list, err := e.signals(h, c, t)
	if err != nil {
		return err
	}
	g := e.gaugeOf(e.instrumentOf(h, t.Kind), t)
	n := len(c.scales)
	for d := range list {
		row := c.loglik[d*n : (d+1)*n]
		if l, ok := g.everywhere(list[d], c.scales); ok {
			for q := range row {
				row[q] += l
			}
			continue
		}
		for q, x := range c.scales {
			row[q] += log(g.of(list[d], x))
		}
	}
	return nil
}

// everywhere returns the log-probability of the observation where the scale of the
// supply does not matter to it.
func (g *gauge) everywhere(s signal, scales []float64) (float64, bool) {
	low := g.of(s, scales[0])
	if len(scales) > 1 {
		if g.shows == instrument.Value && (g.in.Kind == instrument.Voltmeter || g.in.Kind == instrument.Clamp) {
			return 0, false
		}
		// What lights does so the sooner the higher the voltage, and a range of voltage
		// in which an instrument works is wider than that of the supply.
		if g.of(s, scales[len(scales)-1]) != low {
			return 0, false
		}
	}
	return log(low), true
}

// proving is the probability of a proving under a hypothesis: it tells of the
// instrument alone.
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

func (e *Engine) gaugeOf(in instrument.Instrument, t *taken) gauge {
	o := &t.Observation
	g := gauge{in: in, shows: o.Shows.Shows(), pattern: instrument.Pattern(o.Shows)}
	g.light = e.light(&in, o.Points)
	if v, _, ok := o.Shows.Reading(); ok {
		g.value, g.step = v.Float(), v.Resolution()
		g.sigma = max(in.Kind.Accuracy().StandardUncertainty(v), g.step/2)
	}
	return g
}

func (e *Engine) light(in *instrument.Instrument, points []site.PointID) threshold {
	onePole := len(points) == 1 || len(points) == 2 && points[1] == site.Body
	return e.unknowns.lights[lightKey{in.Kind, onePole && in.Kind == instrument.TwoPole, in.Condition == instrument.WeakBattery}]
}

// negligible is the logarithm of a share of the weight that does not matter.
const negligible = -36

// evidence is the log of the mean likelihood over the draws.
func evidence(loglik []float64) float64 {
	most := slices.Max(loglik)
	sum := 0.0
	for _, l := range loglik {
		if l-most > negligible {
			sum += exp(l - most)
		}
	}
	return most + log(sum/float64(len(loglik)))
}

// spread is the effective number of draws: 1 where one holds all the weight.
func (c *cloud) spread() float64 {
	if c.effective > 0 {
		return c.effective
	}
	most := slices.Max(c.loglik)
	sum, squares := 0.0, 0.0
	for _, l := range c.loglik {
		if l-most <= negligible {
			continue
		}
		w := exp(l - most)
		sum += w
		squares += float64(w * w)
	}
	c.effective = float64(sum*sum) / squares
	return c.effective
}

// hopeless is how many nats below the best explanation a single departure is no
// longer weighed. What it could still reach is bounded by what any world gives.
const hopeless = 30

// screen weighs every single departure roughly that may still matter: its evidence
// so far, with the best that any world could give the rest, bounds it.
func (e *Engine) screen() error {
	best := math.Inf(-1)
	if err := e.weigh(e.single[0], &e.single[0].rough); err != nil {
		return err
	}
	for _, h := range e.single {
		if h.rough.upto == len(e.seen) {
			best = max(best, h.prior+h.rough.mass)
		}
	}
	behind := e.behind()
	slices.SortStableFunc(behind, func(a, b *hypothesis) int { return compare(e.bound(b), e.bound(a)) })
	for _, h := range behind {
		if e.bound(h) < best-hopeless {
			break
		}
		if err := e.weigh(h, &h.rough); err != nil {
			return err
		}
		best = max(best, h.prior+h.rough.mass)
	}
	return nil
}

// behind lists the single departures that have not counted every observation.
func (e *Engine) behind() []*hypothesis {
	var list []*hypothesis
	for _, h := range e.single {
		if h.rough.upto < len(e.seen) {
			list = append(list, h)
		}
	}
	return list
}

// bound is the most that the weight of a hypothesis can be in the rough trial.
func (e *Engine) bound(h *hypothesis) float64 {
	return h.prior + h.rough.mass + e.rest(h.rough.upto)
}

// rest is the most that the observations from number n on can add.
func (e *Engine) rest(n int) float64 {
	sum := 0.0
	for i := n; i < len(e.seen); i++ {
		sum += e.seen[i].peak
	}
	return sum
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
