package diagnose

import (
	"math"
	"slices"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// Candidate is a test that the method, the person's authorisation and the stops
// allow now. The caller decides that; nothing else is ever advised.
type Candidate struct {
	Switching site.Switching
	Epoch     int
	Kind      instrument.Kind
	Points    []site.PointID
}

// Advice is a candidate with what it is worth.
type Advice struct {
	Candidate
	// Nats is the expected information about which explanation is true.
	Nats float64
	// Exposure is the probability that a part which the test is made on stands above
	// 50 V to true earth without being expected to.
	Exposure float64
}

const (
	// exposureWeight is how many nats the certainty of a live part costs [P].
	exposureWeight = 0.5
	// mostAsked is how many explanations a test is judged by.
	mostAsked = 8
	// samples is how many draws of each.
	samples = 16
)

// outcome is how a test would come out under a hypothesis, in a number of draws of
// equal weight.
type outcome struct {
	names []instrument.Shows
	p     []float64
	// value holds the numbers shown, where one is shown.
	value []float64
	n     int
}

// picked returns n draws of a cloud of equal weight, each as often as its weight asks
// for, with the scale of the supply.
func (c *cloud) picked(n int) (draws, scales []int) {
	weights := c.weights()
	sum, i := 0.0, 0
	for k := range n {
		at := (float64(k) + 0.5) / float64(n)
		for i < len(weights)-1 && sum+weights[i] < at {
			sum += weights[i]
			i++
		}
		draws, scales = append(draws, i/len(c.scales)), append(scales, i%len(c.scales))
	}
	return draws, scales
}

// trial is the trial of a hypothesis that is known best. Several departures have no
// other than the fine one.
func (e *Engine) trial(h *hypothesis) *cloud {
	if h.fine != nil && (h.fine.upto == len(e.seen) || len(h.ids) > 1) {
		return &h.fine.cloud
	}
	return &h.rough
}

// foresee returns how a test would come out under a hypothesis.
func (e *Engine) foresee(h *hypothesis, t *taken, n int) (outcome, float64, error) {
	c := e.trial(h)
	in := e.instrumentOf(h, t.Kind)
	out := outcome{n: n}
	values := e.epochOf(c, t.Epoch)
	w, err := e.worldOf(h, t.at.state)
	if err != nil {
		return out, 0, err
	}
	known := c.cache[t.at]
	draws, scales := c.picked(n)
	live := 0.0
	light := e.light(&in, t.Points)
	for k, d := range draws {
		scale := c.scales[scales[k]]
		var s signal
		if known != nil {
			s = known[d]
		}
		if known == nil || k == 0 {
			if s, err = e.unknowns.sense(w, &in, &values[d], c.traits[d], t.Points); err != nil {
				return out, 0, err
			}
			e.thought.work += 2
		}
		if k == 0 {
			for _, p := range t.Points {
				if p == site.Body || p == site.Reference {
					continue
				}
				v, err := w.Volts(p)
				if err != nil {
					return out, 0, err
				}
				if float64(v*scale) > world.TouchLimitVolt {
					live = 1
				}
			}
		}
		out.take(in, light, s, scale)
	}
	return out, live, nil
}

func (o *outcome) class(s instrument.Shows, p float64) {
	if p <= 0 {
		return
	}
	i := slices.Index(o.names, s)
	if i < 0 {
		o.names, o.p = append(o.names, s), append(o.p, 0)
		i = len(o.p) - 1
	}
	o.p[i] += p
}

// take adds what an instrument would show of a signal.
func (o *outcome) take(in instrument.Instrument, light threshold, s signal, scale float64) {
	g := gauge{in: in, pattern: -1, light: light}
	m, _ := instrument.Lookup(in.Kind)
	if m.Unit != "" {
		g.shows = instrument.Over
		if over := g.proper(s, scale); over >= 0.5 {
			o.class(instrument.Over, 1)
			return
		}
		x := s[0]
		if in.Kind == instrument.Voltmeter || in.Kind == instrument.Clamp {
			x = float64(x * scale)
		}
		o.value = append(o.value, x)
		return
	}
	sum := 0.0
	var shares [8]float64
	for i, shows := range m.Shows {
		if i < len(shares) && shows != instrument.Value {
			g.shows = shows
			shares[i] = max(0, g.proper(s, scale))
			sum += shares[i]
		}
	}
	for i, shows := range m.Shows {
		if i < len(shares) && sum > 0 {
			o.class(shows, shares[i]/sum)
		}
	}
}

// moments are the mean and variance of the numbers, and the share of draws in which
// a number is shown.
func (o *outcome) moments() (share, mean, variance float64) {
	if len(o.value) == 0 {
		return 0, 0, 0
	}
	n := float64(len(o.value))
	for _, v := range o.value {
		mean += v
	}
	mean /= n
	for _, v := range o.value {
		variance += float64((v - mean) * (v - mean))
	}
	return n / float64(o.n), mean, variance / n
}

// apart is the total variation between the outcomes of a test under two hypotheses,
// without what few draws alone put between them.
func apart(kind instrument.Kind, a, b *outcome) float64 {
	sum := 0.0
	noise := func(p, q float64) float64 {
		d := math.Abs(p - q)
		return max(0, d-math.Sqrt(float64(float64(p*(1-p))/float64(a.n))+float64(float64(q*(1-q))/float64(b.n))))
	}
	for i, n := range a.names {
		q := 0.0
		if j := slices.Index(b.names, n); j >= 0 {
			q = b.p[j] / float64(b.n)
		}
		sum += noise(a.p[i]/float64(a.n), q)
	}
	for j, n := range b.names {
		if !slices.Contains(a.names, n) {
			sum += noise(0, b.p[j]/float64(b.n))
		}
	}
	sa, ma, va := a.moments()
	sb, mb, vb := b.moments()
	sum += noise(sa, sb)
	total := float64(sum / 2)
	if both := min(sa, sb); both > 0 {
		accuracy := resolved(kind, (ma+mb)/2)
		vn := float64(va/float64(len(a.value))) + float64(vb/float64(len(b.value)))
		gap := math.Sqrt(max(0, float64((ma-mb)*(ma-mb))-float64(2*vn)))
		spread := math.Sqrt(float64(accuracy*accuracy) + float64((va+vb)/2))
		// The total variation of two normal distributions of one width that are z widths
		// apart is erf(z/√8), which is at most √(1 − exp(−z²/2π)), Pólya's bound.
		z := gap / spread
		total += float64(both * math.Sqrt(1-exp(-float64(float64(z*z)/6.283185307179586))))
	}
	return min(1, total)
}

// resolved is the standard uncertainty of a number near x.
func resolved(kind instrument.Kind, x float64) float64 {
	a := kind.Accuracy()
	step := 0.01
	if kind == instrument.Voltmeter {
		step = 0.1
	}
	half := float64(a.RelativePct*math.Abs(x))/100 + float64(a.Digits*step) + a.AbsoluteFixed
	return max(half/math.Sqrt(3), step/2)
}

// planned is a candidate as an observation that has shown nothing yet.
func (e *Engine) planned(c Candidate) taken {
	return e.taken(Observation{Switching: c.Switching, Epoch: c.Epoch, Kind: c.Kind, Points: c.Points})
}

// Next orders the candidates by the information expected of them, less what they
// expose a hand to.
func (e *Engine) Next(candidates []Candidate) ([]Advice, error) {
	if e.thought.seen != len(e.seen) {
		if _, err := e.Think(Effort); err != nil {
			return nil, err
		}
	}
	top := e.leading(mostAsked)
	total := 0.0
	for _, x := range top {
		total += x.mass
	}
	list := make([]Advice, 0, len(candidates))
	for _, c := range candidates {
		t := e.planned(c)
		a := Advice{Candidate: c}
		outcomes := make([]outcome, len(top))
		shares := make([]float64, len(top))
		_, usual, err := e.foresee(e.single[0], &t, 1)
		if err != nil {
			return nil, err
		}
		for i, x := range top {
			shares[i] = x.mass / total
			var live float64
			if outcomes[i], live, err = e.foresee(x.h, &t, samples); err != nil {
				return nil, err
			}
			if live > usual {
				a.Exposure += shares[i]
			}
		}
		a.Nats = information(c.Kind, outcomes, shares)
		list = append(list, a)
	}
	slices.SortStableFunc(list, func(a, b Advice) int {
		return compare(b.Nats-float64(exposureWeight*b.Exposure), a.Nats-float64(exposureWeight*a.Exposure))
	})
	return list, nil
}

// information is how much a test is expected to tell which explanation is true, in
// nats: the entropy of its outcome less that which each explanation leaves.
func information(kind instrument.Kind, outcomes []outcome, shares []float64) float64 {
	// Numbers fall into bins of half their standard uncertainty, each draw spread over
	// the bins around it.
	low, high := math.Inf(1), math.Inf(-1)
	for i := range outcomes {
		for _, v := range outcomes[i].value {
			low, high = min(low, v), max(high, v)
		}
	}
	const most = 256
	width, bins := 1.0, 0
	if low <= high {
		width = resolved(kind, low) / 2
		if float64(float64(high-low)/width) > most-16 {
			width = (high - low) / (most - 16)
		}
		low -= float64(8 * width)
		bins = min(most, int((high-low)/width)+9)
	}
	var names []instrument.Shows
	for i := range outcomes {
		for _, n := range outcomes[i].names {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	mixed := make([]float64, len(names)+bins)
	left := 0.0
	row := make([]float64, len(mixed))
	for i := range outcomes {
		o := &outcomes[i]
		clear(row)
		for k, n := range o.names {
			row[slices.Index(names, n)] = o.p[k] / float64(o.n)
		}
		_, _, variance := o.moments()
		for _, v := range o.value {
			sd := math.Sqrt(float64(resolved(kind, v)*resolved(kind, v)) + float64(variance/4))
			smear(row[len(names):], float64(v-low)/width, sd/width, 1/float64(o.n))
		}
		left += float64(shares[i] * entropy(row))
		for k, p := range row {
			mixed[k] += float64(shares[i] * p)
		}
	}
	return max(0, entropy(mixed)-left)
}

// smear spreads a weight over bins around a place.
func smear(bins []float64, at, sd, weight float64) {
	sum := 0.0
	from, to := max(0, int(at-float64(4*sd))), min(len(bins)-1, int(at+float64(4*sd))+1)
	kernel := func(i int) float64 {
		z := (float64(i) + 0.5 - at) / sd
		return exp(-float64(z*z) / 2)
	}
	for i := from; i <= to; i++ {
		sum += kernel(i)
	}
	if sum <= 0 {
		return
	}
	for i := from; i <= to; i++ {
		bins[i] += float64(weight*kernel(i)) / sum
	}
}

func entropy(p []float64) float64 {
	sum := 0.0
	for _, x := range p {
		if x > 1e-12 {
			sum -= float64(x * log(x))
		}
	}
	return sum
}

type weighed struct {
	h    *hypothesis
	mass float64
}

// leading returns the heaviest hypotheses with their masses, as shares of the
// heaviest.
func (e *Engine) leading(n int) []weighed {
	var list []weighed
	for h := range e.all() {
		list = append(list, weighed{h, e.weight(h)})
	}
	slices.SortStableFunc(list, func(a, b weighed) int { return compare(b.mass, a.mass) })
	list = list[:min(n, len(list))]
	most := list[0].mass
	for i := range list {
		list[i].mass = exp(list[i].mass - most)
	}
	return list
}
