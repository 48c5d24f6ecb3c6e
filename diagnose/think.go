package diagnose

import (
	"iter"
	"math"
	"slices"
)

const (
	// Effort is the work, in solutions of the model, after which an explanation is given
	// with what is known, but for the piece that is being worked on. Think goes on from there.
	Effort = 10000
	// compileWork is what compiling one world costs, in solutions.
	compileWork = 150
	// within is how many nats below the best explanation another is tried finely.
	within = 7
	// closely is how many nats below it another is tried with many draws.
	closely = 4
	// glancing is how many nats below it another is looked at from where it has its peak.
	glancing = 14
	// newsworthy is the change of evidence against the best, in nats, from which it is
	// looked at again.
	newsworthy = 0.3
	// mostLooks bounds how often it is looked at with the same observations, since the
	// best can change to and fro.
	mostLooks = 2
	// fits is the least probability that the best explanation may give an observation
	// before departures are tried together.
	fits = 0.2
	// bases is how many of the best explanations are tried with every other departure.
	bases = 4
	// mostSurprises is how many surprising observations a further departure is tried on.
	mostSurprises = 6
	// probes is how many draws of an explanation it is tried in.
	probes = 6
	// worthwhile is how many nats a further departure must explain.
	worthwhile = 1
	// mostSteps bounds the pieces of work for the same observations.
	mostSteps = 20000
	// mostTogether is the most departures that are tried together.
	mostTogether = 3
	// kept is how many nats below the best explanation several departures are forgotten.
	kept = 20
)

// thought is how far the engine has come with the observations so far.
type thought struct {
	// seen is the number of observations that it is about.
	seen int
	work int
	done bool
	// steps counts the pieces of work.
	steps int
	// queue lists what is still to be probed, found what a probe found worth a fit.
	queue []extension
	found []extension
	// surplus is the most by which a fit came out better than its probe had promised.
	surplus float64
	guide   *guide
	// tried lists the bases that have been extended.
	tried []*hypothesis
}

// extension is a departure that may be there besides others.
type extension struct {
	base  *hypothesis
	more  int
	worth float64 // the weight that it promises
}

// Think goes on explaining the observations until all is done or the work is used
// up, in solutions of the model, and reports whether all is done. The same calls with
// the same work give the same.
func (e *Engine) Think(work int) (done bool, err error) {
	t := &e.thought
	if t.seen != len(e.seen) {
		*t = thought{seen: len(e.seen)}
	}
	t.work = 0
	for !t.done && t.work < work {
		if err := e.ponder(); err != nil {
			return false, err
		}
		// Every piece of work leaves less to do but for ties that rounding could make.
		if t.steps++; t.steps > mostSteps {
			t.done = true
		}
	}
	return t.done, nil
}

// ponder does the next piece of work.
func (e *Engine) ponder() error {
	t := &e.thought
	if h := e.toRefine(); h != nil {
		return e.bring(h)
	}
	if h, err := e.toGlance(); h != nil || err != nil {
		if err != nil {
			return err
		}
		return e.glance(h, t.guide)
	}
	if len(t.queue) > 0 {
		x := t.queue[0]
		t.queue = t.queue[1:]
		return e.probe(x)
	}
	if len(t.found) > 0 {
		return e.tryFound()
	}
	more, err := e.ask()
	if err != nil {
		return err
	}
	t.done = !more
	return nil
}

// mass is the evidence of a hypothesis as far as it is known: from its fine trial, or
// from its rough one with what fine trials of others gained.
func (e *Engine) mass(h *hypothesis) float64 {
	switch {
	case h.fine == nil:
		return h.rough.mass + e.rest(h.rough.upto) + e.gain()
	case h.fine.upto == len(e.seen):
		return h.fine.mass
	case len(h.ids) > 1:
		return h.fine.mass + float64(e.rest(h.fine.upto)/2)
	}
	return h.fine.mass + h.rough.mass - h.fine.rough
}

// gain is what the fine trial of the single explanation that is roughly the best
// gained over its rough one.
func (e *Engine) gain() float64 {
	most, gain := math.Inf(-1), 0.0
	for _, h := range e.single {
		if h.fine != nil && h.rough.mass > most {
			most, gain = h.rough.mass, h.fine.mass-h.fine.rough
		}
	}
	return gain
}

func (e *Engine) weight(h *hypothesis) float64 { return h.prior + e.mass(h) }

// all gives every hypothesis, those of one departure first.
func (e *Engine) all() iter.Seq[*hypothesis] {
	return func(yield func(*hypothesis) bool) {
		for _, list := range [][]*hypothesis{e.single, e.several} {
			for _, h := range list {
				if !yield(h) {
					return
				}
			}
		}
	}
}

// best returns the heaviest explanation.
func (e *Engine) best() *hypothesis {
	best, most := e.single[0], math.Inf(-1)
	for h := range e.all() {
		if w := e.weight(h); w > most {
			best, most = h, w
		}
	}
	return best
}

// settled reports whether the trial of a hypothesis needs no more work.
func (e *Engine) settled(h *hypothesis, close bool) bool {
	f := h.fine
	if f == nil || f.upto < len(e.seen) {
		return false
	}
	if close && !f.close && f.counted < enough {
		return false
	}
	return f.fitted == len(e.seen) || f.spread() >= min(enough, max(5, f.counted/2))
}

// toRefine returns the heaviest hypothesis that matters and is not settled, or nil.
func (e *Engine) toRefine() *hypothesis {
	most := e.weight(e.best())
	var next *hypothesis
	heaviest := most - within
	for h := range e.all() {
		if w := e.weight(h); w > heaviest && !e.settled(h, w > most-closely) {
			next, heaviest = h, w
		}
	}
	return next
}

// toGlance returns a hypothesis that is to be looked at from the peak of the best one,
// or nil.
func (e *Engine) toGlance() (*hypothesis, error) {
	t := &e.thought
	best := e.best()
	if t.guide == nil || t.guide.of != best {
		if best.fine == nil || best.fine.upto < len(e.seen) {
			return nil, nil
		}
		g, err := e.newGuide(best)
		if err != nil {
			return nil, err
		}
		t.guide = g
	}
	least := e.weight(best) - glancing
	for h := range e.all() {
		if h == best || e.weight(h) <= least || h.looks[0] == len(e.seen) && h.looks[1] >= mostLooks || h.glanced == best && math.Abs(h.gap-(e.mass(h)-e.mass(best))) < newsworthy {
			continue
		}
		if len(h.ids) < 2 && len(best.ids) < 2 && h.rough.mass == best.rough.mass && slices.Equal(h.rough.loglik, best.rough.loglik) {
			continue // nothing has told them apart
		}
		return h, nil
	}
	return nil, nil
}

// bring brings the fine trial of a hypothesis up to the observations: as that of one
// that no observation has told from it, by weighing, or by fitting again.
func (e *Engine) bring(h *hypothesis) error {
	close := e.weight(h) > e.weight(e.best())-closely
	if len(h.ids) < 2 {
		if err := e.weigh(h, &h.rough); err != nil {
			return err
		}
		for _, twin := range e.single {
			if twin != h && e.settled(twin, close) && twin.rough.upto == len(e.seen) && twin.rough.mass == h.rough.mass && slices.Equal(twin.rough.loglik, h.rough.loglik) {
				c := twin.fine.cloud
				c.loglik = slices.Clone(c.loglik)
				c.cache = map[key][]signal{}
				h.fine = new(*twin.fine)
				h.fine.cloud = c
				e.thought.work++
				return nil
			}
		}
	}
	if h.fine == nil {
		return e.refine(h, close, &h.rough)
	}
	if h.fine.upto < len(e.seen) {
		if err := e.weigh(h, &h.fine.cloud); err != nil {
			return err
		}
		h.fine.rough = h.rough.mass
		e.thought.work++
		return nil
	}
	from := []*cloud{&h.fine.cloud}
	if len(h.ids) < 2 {
		from = append(from, &h.rough)
	}
	return e.refine(h, close, from...)
}

// ask makes the list of further departures to be tried, where the best explanation
// leaves an observation surprising. It reports whether there is anything to try.
func (e *Engine) ask() (bool, error) {
	t := &e.thought
	best := e.best()
	if len(best.ids) >= mostTogether || slices.Contains(t.tried, best) {
		return false, nil
	}
	each, err := e.surprises(best)
	if err != nil || len(each) == 0 || slices.Min(each) >= fits {
		return false, err
	}
	var order []*hypothesis
	for h := range e.all() {
		if len(h.ids) == max(1, len(best.ids)) && !slices.Contains(t.tried, h) {
			order = append(order, h)
		}
	}
	slices.SortStableFunc(order, func(a, b *hypothesis) int { return compare(e.weight(b), e.weight(a)) })
	order = order[:min(bases, len(order))]
	t.tried = append(t.tried, order...)
	if !slices.Contains(t.tried, best) {
		t.tried = append(t.tried, best)
	}
	for _, base := range order {
		for b := range e.catalogue {
			if e.joins(base, b) {
				t.queue = append(t.queue, extension{base, b, e.weight(base) + log(e.catalogue[b].Prior.Rate)})
			}
		}
	}
	// The likeliest come first, so that what is found before the work is used up is what
	// matters most.
	slices.SortStableFunc(t.queue, func(a, b extension) int { return compare(b.worth, a.worth) })
	return len(t.queue) > 0, nil
}

// joins reports whether a departure can be there besides those of a hypothesis as
// one more: not another condition of one instrument, and something that conducts or
// an instrument; and whether that has not been kept already.
func (e *Engine) joins(h *hypothesis, b int) bool {
	d := &e.catalogue[b]
	if d.Kind == "" && len(d.Changes) == 0 || len(h.ids) == 0 {
		return false
	}
	for _, id := range h.ids {
		a := &e.catalogue[id]
		if id == b || a.Kind != "" && a.Kind == d.Kind || a.Kind == "" && len(a.Changes) == 0 {
			return false
		}
	}
	ids := together(h.ids, b)
	return !slices.ContainsFunc(e.several, func(x *hypothesis) bool { return slices.Equal(x.ids, ids) })
}

func together(ids []int, b int) []int {
	list := append(slices.Clone(ids), b)
	slices.Sort(list)
	return list
}

// extended is a hypothesis with one more departure. The worlds of its base serve
// where the further one changes nothing that conducts.
func (e *Engine) extended(x extension) *hypothesis {
	h := e.newHypothesis(x.base.prior+log(e.catalogue[x.more].Prior.Rate), together(x.base.ids, x.more)...)
	if len(e.catalogue[x.more].Changes) == 0 {
		h.like = x.base
	} else if i := slices.IndexFunc(x.base.ids, func(id int) bool { return len(e.catalogue[id].Changes) > 0 }); i < 0 {
		h.like = e.single[x.more+1]
	}
	return h
}

// probe tries a further departure on what surprises its base most, in the draws that
// explain best.
func (e *Engine) probe(x extension) error {
	base := x.base
	if base.fine == nil || base.fine.upto < len(e.seen) {
		if err := e.bring(base); err != nil {
			return err
		}
	}
	each, err := e.surprises(base)
	if err != nil {
		return err
	}
	h := e.extended(x)
	c := &base.fine.cloud
	draws := c.heaviest(probes)
	gains := make([]float64, len(draws))
	for _, i := range e.surprising(each) {
		t := &e.seen[i]
		if t.Proving != "" {
			gain := log(e.proving(h, &t.Observation)) - log(e.proving(base, &t.Observation))
			for k := range gains {
				gains[k] += gain
			}
			continue
		}
		before, err := e.signals(base, c, t)
		if err != nil {
			return err
		}
		in, was := e.instrumentOf(h, t.Kind), e.instrumentOf(base, t.Kind)
		g, b := e.gaugeOf(in, t), e.gaugeOf(was, t)
		w, err := e.worldOf(h, t.at.state)
		if err != nil {
			return err
		}
		for k, d := range draws {
			s, err := e.unknowns.sense(w, &in, &c.epochs[t.Epoch][d], c.traits[d], t.Points)
			if err != nil {
				return err
			}
			gains[k] += log(g.of(s, 1)) - log(b.of(before[d], 1))
		}
		e.thought.work += 2 * len(draws)
	}
	e.thought.work++
	gain := slices.Max(gains)
	x.worth = h.prior + e.mass(base) + gain
	if gain > worthwhile && x.worth+e.thought.surplus > e.weight(e.best())-within {
		e.thought.found = append(e.thought.found, x)
	}
	return nil
}

// surprising lists the observations that are hardest to explain, hardest first.
func (e *Engine) surprising(each []float64) []int {
	var list []int
	for i, p := range each {
		if p < fits {
			list = append(list, i)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int { return compare(each[a], each[b]) })
	return list[:min(mostSurprises, len(list))]
}

// heaviest lists the n draws of a cloud with the greatest weight.
func (c *cloud) heaviest(n int) []int {
	order := make([]int, c.draws)
	for d := range order {
		order[d] = d
	}
	slices.SortStableFunc(order, func(a, b int) int { return compare(c.loglik[b], c.loglik[a]) })
	return order[:min(n, len(order))]
}

// tryFound makes a fine trial of the most promising further departure.
func (e *Engine) tryFound() error {
	t := &e.thought
	most := 0
	for i := range t.found {
		if t.found[i].worth > t.found[most].worth {
			most = i
		}
	}
	x := t.found[most]
	t.found = slices.Delete(t.found, most, most+1)
	top := e.weight(e.best())
	if x.worth+t.surplus < top-within || !e.joins(x.base, x.more) {
		e.thought.work++
		return nil
	}
	h := e.extended(x)
	if err := e.refine(h, false, &x.base.fine.cloud); err != nil {
		return err
	}
	// A fit finds better worlds than those in which it was probed, and so would a fit of
	// others that promise as much.
	t.surplus = max(t.surplus, e.weight(h)-x.worth)
	// A further departure must explain something that the others do not.
	if h.fine.mass > e.mass(x.base)+worthwhile && e.weight(h) > top-kept {
		e.several = append(e.several, h)
	}
	return nil
}

// surprises returns the probability that a hypothesis, with what is known now, gives
// each observation, as a share of the greatest possible.
func (e *Engine) surprises(h *hypothesis) ([]float64, error) {
	c := e.trial(h)
	if h.surprised == c && len(h.surprises) == len(e.seen) && c.upto == len(e.seen) {
		return h.surprises, nil
	}
	each := make([]float64, len(e.seen))
	weights := c.weights()
	n := len(c.scales)
	for i := range e.seen {
		t := &e.seen[i]
		if t.Proving != "" {
			each[i] = e.proving(h, &t.Observation)
			continue
		}
		list, err := e.signals(h, c, t)
		if err != nil {
			return nil, err
		}
		g := e.gaugeOf(e.instrumentOf(h, t.Kind), t)
		sum := 0.0
		for d := range list {
			for q, x := range c.scales {
				if w := weights[d*n+q]; w > 0 {
					sum += float64(w * g.of(list[d], x))
				}
			}
		}
		each[i] = sum / max(g.peak(), 1e-12)
	}
	h.surprised, h.surprises = c, each
	return each, nil
}

// weights returns the share of the weight that each draw holds; nothing under a
// millionth of the heaviest.
func (c *cloud) weights() []float64 {
	most, sum := slices.Max(c.loglik), 0.0
	list := make([]float64, len(c.loglik))
	for i, l := range c.loglik {
		if l-most > -14 {
			list[i] = exp(l - most)
			sum += list[i]
		}
	}
	for i := range list {
		list[i] /= sum
	}
	return list
}
