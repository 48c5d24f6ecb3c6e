package diagnose

import (
	"slices"

	"meterwright/site"
)

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
	// wider is how much wider than the fit the draws spread.
	wider = 1.15
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
