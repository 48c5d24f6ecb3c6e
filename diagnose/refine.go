package diagnose

import (
	"math"
	"slices"

	"meterwright/site"
)

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

// fine is a trial in draws from around the worlds that fit best.
type fine struct {
	cloud
	// rough is what the rough trial made of the observations when it was fitted.
	rough float64
	// fitted is how many observations it was fitted to, counted the effective number of
	// draws then, and close whether as many draws were made as ever are.
	fitted  int
	counted float64
	close   bool
	// height is that of the highest peak that was found.
	height float64
}

const (
	// fineDraws is the number of worlds of a fine trial, and manyDraws where they
	// would not be enough.
	fineDraws, manyDraws = 128, 512
	// enough is the effective number of draws that a fine trial should have.
	enough = 30
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
	var listed []int
	for _, c := range from {
		draws, scales := c.starts(max(1, peaks-len(mounds)))
		for i := range draws {
			p, err := f.climb(f.from(c, draws[i], scales[i]), listed, turns)
			if err != nil {
				return err
			}
			listed = f.likely(p)
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
	h.fine = &fine{cloud: *c, rough: h.rough.mass, fitted: len(e.seen), counted: c.spread(), close: close, height: mounds[0].height}
	return nil
}

// guide is a peak of the best explanation, from which others are looked at.
type guide struct {
	of   *hypothesis
	peak *peak
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
	if h.looks[0] != len(e.seen) {
		h.looks = [2]int{len(e.seen), 0}
	}
	h.looks[1]++
	defer func() { h.glanced, h.gap = g.of, e.mass(h)-e.mass(g.of) }()
	f, err := e.newFit(h)
	if err != nil {
		return err
	}
	p, err := f.climb(slices.Clone(g.peak.x), f.likely(g.peak), glanceTurns)
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
		near.epochs[epoch] = []site.Values{e.unknowns.usual}
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
