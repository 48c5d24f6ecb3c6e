package diagnose

import (
	"math"
	"slices"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// Group is explanations that these tests cannot tell apart.
type Group struct {
	// IDs lists the explanations, each a departure or a pair; empty where nothing
	// is wrong.
	IDs [][]string
	// Probability is rounded to a thousandth.
	Probability float64
	// Danger says that at least one of them can put a dangerous voltage on what is
	// touched, or hide one.
	Danger bool
}

// Healthy reports whether the group says that nothing is wrong.
func (g *Group) Healthy() bool { return len(g.IDs) == 1 && len(g.IDs[0]) == 0 }

// Has reports whether the group holds a departure, alone or in a pair.
func (g *Group) Has(id string) bool {
	for _, set := range g.IDs {
		if slices.Contains(set, id) {
			return true
		}
	}
	return false
}

// Explanation is what the observations so far leave.
type Explanation struct {
	// Groups are in order of their probability.
	Groups []Group
	// Outside is the probability that the truth is not in the model.
	Outside float64
	// Unseen is how many departures no observation bears on: nothing has been said
	// against them or for them.
	Unseen int
}

// unseenShift is the change of log-evidence against a healthy position under
// which nothing has been said of a departure.
const unseenShift = 0.05

// mostCompared is how many explanations are compared with others test by test.
const mostCompared = 20

// groupLeast is the probability from which an explanation is compared with others
// test by test.
const groupLeast = 1e-3

// Explain returns what explains the observations, best first. Explanations that
// neither the tests made nor the ones offered tell apart are one group.
func (e *Engine) Explain(offered ...Candidate) (Explanation, error) {
	if err := e.findKin(); err != nil {
		return Explanation{}, err
	}
	if err := e.tryPairs(); err != nil {
		return Explanation{}, err
	}
	type entry struct {
		h    *hypothesis
		mass float64
	}
	healthy := e.single[0].mass
	var list []entry
	most := math.Inf(-1)
	var out Explanation
	for _, hs := range [][]*hypothesis{e.single, e.pairs} {
		for _, h := range hs {
			w := h.weight()
			most = max(most, w)
			list = append(list, entry{h, w})
			if d := h.mass - healthy; len(h.ids) == 1 && d < unseenShift && d > -unseenShift {
				out.Unseen++
			}
		}
	}
	outside := log(outsideRate) + e.outside
	most = max(most, outside)
	sum := exp(outside - most)
	for i := range list {
		list[i].mass = exp(list[i].mass - most)
		sum += list[i].mass
	}
	slices.SortStableFunc(list, func(a, b entry) int { return compare(b.mass, a.mass) })
	tests := e.distinctTests(offered)
	known := map[*hypothesis][]outcome{}
	compared := 0
	leaders := []*hypothesis{}
	masses := []float64{}
	for _, x := range list {
		p := x.mass / sum
		if p < 1e-6 && len(leaders) > 0 {
			continue
		}
		at := -1
		compared++
		for i, l := range leaders {
			within := tests
			if p < groupLeast || compared > mostCompared || x.h == e.single[0] || l == e.single[0] {
				within = nil
			}
			same, err := e.same(l, x.h, within, known)
			if err != nil {
				return Explanation{}, err
			}
			// Without tests to compare, only what no test could tell apart is one.
			if same && (within != nil || e.kindred(l, x.h)) {
				at = i
				break
			}
		}
		if at < 0 {
			leaders, masses = append(leaders, x.h), append(masses, 0)
			out.Groups = append(out.Groups, Group{})
			at = len(leaders) - 1
		}
		g := &out.Groups[at]
		ids := []string{}
		for _, id := range x.h.ids {
			ids = append(ids, e.catalogue[id].ID)
			g.Danger = g.Danger || e.catalogue[id].Danger
		}
		g.IDs = append(g.IDs, ids)
		masses[at] += p
	}
	order := make([]int, len(leaders))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return compare(masses[b], masses[a]) })
	sorted := make([]Group, len(order))
	for i, k := range order {
		sorted[i] = out.Groups[k]
		sorted[i].Probability = thousandth(masses[k])
	}
	out.Groups = sorted
	out.Outside = thousandth(exp(outside-most) / sum)
	return out, nil
}

func thousandth(p float64) float64 { return math.Round(float64(p*1000)) / 1000 }

// near is the greatest total variation, over every test, under which two
// explanations are one group.
const near = 0.05

// same reports whether no test of these instruments can tell two hypotheses apart
// (found once for the site), or none of the tests made or offered does in practice.
func (e *Engine) same(a, b *hypothesis, tests []Observation, known map[*hypothesis][]outcome) (bool, error) {
	if len(a.ids) != len(b.ids) {
		return false, nil
	}
	if e.kindred(a, b) {
		return true, nil
	}
	for i := range tests {
		apart, err := e.apart(a, b, tests, i, known)
		if err != nil || apart > near {
			return false, err
		}
	}
	return true, nil
}

// kindred reports whether no test in any state tells two hypotheses apart.
func (e *Engine) kindred(a, b *hypothesis) bool {
	if len(a.ids) != len(b.ids) {
		return false
	}
	for i := range a.ids {
		if e.kin[a.ids[i]] != e.kin[b.ids[i]] {
			return false
		}
	}
	return true
}

// outcome is how a test would come out under a hypothesis.
type outcome struct {
	names []string
	p     []float64
}

// outcomeOf is outcomes, each worked out once for an explanation.
func (e *Engine) outcomeOf(h *hypothesis, tests []Observation, i int, known map[*hypothesis][]outcome) (outcome, error) {
	list, ok := known[h]
	if !ok {
		list = make([]outcome, len(tests))
		known[h] = list
	}
	if list[i].names == nil {
		p, names, err := e.outcomes(h, &tests[i])
		if err != nil {
			return outcome{}, err
		}
		list[i] = outcome{names, p}
	}
	return list[i], nil
}

// apart is the total variation between the outcomes of a test under two hypotheses.
func (e *Engine) apart(a, b *hypothesis, tests []Observation, i int, known map[*hypothesis][]outcome) (float64, error) {
	o := &tests[i]
	if o.Proving != "" {
		x, y := e.instrumentOf(a, o.Kind), e.instrumentOf(b, o.Kind)
		return bit(world.Differ(o.Kind, x.Prove(o.Proving), y.Prove(o.Proving))), nil
	}
	x, err := e.outcomeOf(a, tests, i, known)
	if err != nil {
		return 0, err
	}
	y, err := e.outcomeOf(b, tests, i, known)
	if err != nil {
		return 0, err
	}
	sum := 0.0
	for k, n := range x.names {
		if j := slices.Index(y.names, n); j >= 0 {
			sum += math.Abs(x.p[k] - y.p[j])
		} else {
			sum += x.p[k]
		}
	}
	for j, n := range y.names {
		if !slices.Contains(x.names, n) {
			sum += y.p[j]
		}
	}
	return sum / 2, nil
}

// distinctTests are the tests made so far, each once, and those offered.
func (e *Engine) distinctTests(offered []Candidate) []Observation {
	known := map[key]bool{}
	var list []Observation
	add := func(o Observation) {
		k := key{e.stateOf(o.Switching), 0, string(o.Proving) + testName(o.Kind, o.Points)}
		if !known[k] {
			known[k] = true
			list = append(list, o)
		}
	}
	for _, o := range e.seen {
		add(o)
	}
	for _, c := range offered {
		add(Observation{Switching: c.Switching, Epoch: c.Epoch, Kind: c.Kind, Points: c.Points})
	}
	return list
}

// findKin finds, once for the site, departures that no reading in any state of a
// visit tells apart, with the parameters at their usual values.
func (e *Engine) findKin() error {
	if e.kin != nil {
		return nil
	}
	var all []world.Signature
	v := site.Usual()
	for _, d := range e.catalogue {
		sig, err := world.Sign(e.site, &v, d)
		if err != nil {
			return err
		}
		all = append(all, sig)
	}
	e.kin = make([]int, len(all))
	for i := range all {
		e.kin[i] = i
		for j := range i {
			if e.kin[j] == j && alike(all[i], all[j]) {
				e.kin[i] = j
				break
			}
		}
	}
	return nil
}

// alike is stricter than Signature.Against: the meter's display is no test of a
// visit's observations, and numbers may differ by a quarter of what is allowed.
func alike(a, b world.Signature) bool {
	for i := range a {
		k := a[i].Test.Kind
		if k == world.MeterDisplay {
			continue
		}
		x, _, isValue := a[i].Indication.Reading()
		y, _, both := b[i].Indication.Reading()
		if !isValue || !both {
			if world.Differ(k, a[i].Indication, b[i].Indication) {
				return false
			}
			continue
		}
		acc := k.Accuracy()
		if math.Abs(x.Float()-y.Float()) > float64(0.25*(acc.HalfWidth(x)+acc.HalfWidth(y))) {
			return false
		}
	}
	return true
}

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
	// Nats is the expected information about which group is true.
	Nats float64
	// Exposure is the probability that a part which the test is made on stands above
	// 50 V to true earth without being expected to.
	Exposure float64
}

// exposureWeight is how many nats the certainty of a live part costs [P].
const exposureWeight = 0.5

// Next orders the candidates by the information expected of them, less what they
// expose a hand to.
func (e *Engine) Next(candidates []Candidate) ([]Advice, error) {
	if err := e.tryPairs(); err != nil {
		return nil, err
	}
	top := e.leading(24)
	total := 0.0
	for _, x := range top {
		total += x.mass
	}
	healthyWorld := e.single[0]
	var list []Advice
	for _, c := range candidates {
		o := Observation{Switching: c.Switching, Epoch: c.Epoch, Kind: c.Kind, Points: c.Points}
		a := Advice{Candidate: c}
		mixed := map[string]float64{}
		var keys []string
		own := 0.0
		for _, x := range top {
			p := x.mass / total
			dist, names, err := e.outcomes(x.h, &o)
			if err != nil {
				return nil, err
			}
			for i, n := range names {
				if _, ok := mixed[n]; !ok {
					keys = append(keys, n)
				}
				mixed[n] += float64(p * dist[i])
				own += float64(p * float64(dist[i]*log(dist[i])))
			}
			live, err := e.live(x.h, &o)
			if err != nil {
				return nil, err
			}
			usual, err := e.live(healthyWorld, &o)
			if err != nil {
				return nil, err
			}
			if live && !usual {
				a.Exposure += p
			}
		}
		for _, n := range keys {
			own -= float64(mixed[n] * log(mixed[n]))
		}
		a.Nats = max(0, own)
		list = append(list, a)
	}
	slices.SortStableFunc(list, func(a, b Advice) int {
		return compare(b.Nats-float64(exposureWeight*b.Exposure), a.Nats-float64(exposureWeight*a.Exposure))
	})
	return list, nil
}

type weighed struct {
	h    *hypothesis
	mass float64
}

// leading returns the heaviest hypotheses with their masses.
func (e *Engine) leading(n int) []weighed {
	var list []weighed
	for _, hs := range [][]*hypothesis{e.single, e.pairs} {
		for _, h := range hs {
			list = append(list, weighed{h, h.weight()})
		}
	}
	slices.SortStableFunc(list, func(a, b weighed) int { return compare(b.mass, a.mass) })
	list = list[:min(n, len(list))]
	most := list[0].mass
	for i := range list {
		list[i].mass = exp(list[i].mass - most)
	}
	return list
}

// outcomes returns how a test would come out under a hypothesis: classes, and
// numbers in bins of a twelfth of a decade.
func (e *Engine) outcomes(h *hypothesis, o *Observation) ([]float64, []string, error) {
	list, err := e.signals(h, o)
	if err != nil {
		return nil, nil, err
	}
	in := e.instrumentOf(h, o.Kind)
	var names []string
	var p []float64
	weight := 0.0
	most := slices.Max(h.loglik)
	for d := range list {
		for q := range supplies {
			w := exp(h.loglik[d*supplies+q] - most)
			if w < 1e-6 {
				continue
			}
			weight += w
			n := e.outcome(in, list[d], e.scale[q])
			i := slices.Index(names, n)
			if i < 0 {
				names, p = append(names, n), append(p, 0)
				i = len(p) - 1
			}
			p[i] += w
		}
	}
	for i := range p {
		p[i] /= weight
	}
	return p, names, nil
}

func (e *Engine) outcome(in instrument.Instrument, s signal, scale float64) string {
	g := gauge{in: in, pattern: -1, light: thresholdOf(in.Kind, false, in.Condition == instrument.WeakBattery)}
	m, _ := instrument.Lookup(in.Kind)
	best, most := "", -1.0
	for _, shows := range m.Shows {
		if shows == instrument.Value {
			continue
		}
		g.shows = shows
		if p := g.proper(s, scale); p > most {
			best, most = string(shows), p
		}
	}
	if m.Unit != "" && most < 0.5 {
		x := s[0]
		if in.Kind == instrument.Voltmeter || in.Kind == instrument.Clamp {
			x = float64(x * scale)
		}
		bin := math.Floor(float64(12*log(max(x, 0.05))) / 2.302585092994046)
		return "value " + string(rune('0'+int(bin)+30))
	}
	return best
}

// live reports whether a point of a test stands above the touch limit.
func (e *Engine) live(h *hypothesis, o *Observation) (bool, error) {
	if _, err := e.signals(h, o); err != nil {
		return false, err
	}
	state := e.stateOf(o.Switching)
	if state >= len(h.worlds) || h.worlds[state] == nil {
		return false, nil
	}
	w := h.worlds[state]
	for _, p := range o.Points {
		if p == site.Body || p == site.Reference {
			continue
		}
		v, err := w.Volts(p)
		if err != nil {
			return false, err
		}
		if v > world.TouchLimitVolt {
			return true, nil
		}
	}
	return false, nil
}

// Standing is how one departure on its own stands against the observations.
type Standing struct {
	ID string
	// Nats is its log-evidence below that of the best single explanation, zero or less:
	// how strongly the observations speak against it, whatever its rarity.
	Nats float64
}

// Standings returns how each departure of the catalogue stands, in its order.
func (e *Engine) Standings() []Standing {
	best := e.single[0].mass
	for _, h := range e.single {
		best = max(best, h.mass)
	}
	list := make([]Standing, len(e.catalogue))
	for i := range e.catalogue {
		list[i] = Standing{e.catalogue[i].ID, e.single[i+1].mass - best}
	}
	return list
}
