package diagnose

import (
	"math"
	"slices"

	"meterwright/instrument"
)

const (
	// turns bounds the steps towards the worlds that fit best.
	turns = 8
	// nudge is the step of a difference quotient, in the logit of a range.
	nudge = 0.02
	// farthest bounds the logit of a share.
	farthest = 12
)

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
		for j, d := range f.dims {
			if d.trait >= 0 || f.follows[d.param] {
				p.active = append(p.active, j)
			}
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

// likely lists the unknowns that the numbers may bear on, given those that they bear on
// at a peak elsewhere: those, and what is drawn anew in each epoch.
func (f *fit) likely(p *peak) []int {
	var list []int
	for j, d := range f.dims {
		if d.epoch >= 0 && f.follows[d.param] || slices.Contains(p.active, j) {
			list = append(list, j)
		}
	}
	return list
}

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
