package diagnose

import (
	"math"
	"slices"

	"meterwright/site"
	"meterwright/world"
)

// Group is explanations that these tests cannot tell apart.
type Group struct {
	// IDs lists the explanations, each departures that are there together; empty where nothing
	// is wrong. Those in which the wiring endangers come first, whatever is likelier: nobody
	// is to read of an instrument that may be wrong before a part that may be live.
	IDs [][]string
	// Probability is rounded to a thousandth.
	Probability float64
	// Danger says that at least one of them can put a dangerous voltage on what is
	// touched, or hide one.
	Danger bool
}

// Healthy reports whether the group says that nothing is wrong.
func (g *Group) Healthy() bool { return len(g.IDs) == 1 && len(g.IDs[0]) == 0 }

// Has reports whether the group holds a departure, alone or with others.
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
	// Doubts lists dangerous departures that explain the observations much better than
	// nothing wrong does, the likeliest first, where nothing wrong leads all the same
	// because they are rare. While there is one, nobody is to be told that nothing was
	// found.
	Doubts []string
}

// speaks is the evidence against nothing wrong, in nats, from which a dangerous
// departure is named however rare it is: ten to one is strong (Jeffreys, Theory of
// Probability, 3rd edition, appendix B, from memory).
const speaks = 2.302585092994046

// unseenShift is the change of log-evidence against a healthy position under
// which nothing has been said of a departure.
const unseenShift = 0.05

// mostCompared is how many explanations are compared with others test by test.
const mostCompared = 20

// bareMention is the most nats of evidence between explanations that the tests made do
// not tell apart: a factor of three is "not worth more than a bare mention" (Kass and
// Raftery, Bayes factors, JASA 90 (1995) 773, from memory).
const bareMention = 1.0986

// comparedDraws is how many draws of each are compared.
const comparedDraws = 64

// groupLeast is the probability from which an explanation is compared with others
// test by test.
const groupLeast = 1e-3

// Explain returns what explains the observations, best first. Explanations that
// neither the tests made nor the ones offered tell apart are one group. It thinks for
// Effort where that has not been done.
func (e *Engine) Explain(offered ...Candidate) (Explanation, error) {
	if err := e.findKin(); err != nil {
		return Explanation{}, err
	}
	if e.thought.seen != len(e.seen) {
		if _, err := e.Think(Effort); err != nil {
			return Explanation{}, err
		}
	}
	healthy := e.mass(e.single[0])
	var list []weighed
	outside := log(outsideRate) + e.outside
	most := outside
	var out Explanation
	for h := range e.all() {
		w := e.weight(h)
		most = max(most, w)
		list = append(list, weighed{h, w})
		if d := e.mass(h) - healthy; len(h.ids) == 1 && d < unseenShift && d > -unseenShift {
			out.Unseen++
		}
	}
	sum := exp(outside - most)
	for i := range list {
		list[i].mass = exp(list[i].mass - most)
		sum += list[i].mass
	}
	slices.SortStableFunc(list, func(a, b weighed) int { return compare(b.mass, a.mass) })
	var err error
	if out.Groups, err = e.groups(list, sum, offered); err != nil {
		return Explanation{}, err
	}
	if out.Groups[0].Healthy() {
		for _, x := range list {
			if len(x.h.ids) == 1 && e.catalogue[x.h.ids[0]].Danger && e.mass(x.h) > healthy+speaks {
				out.Doubts = append(out.Doubts, e.catalogue[x.h.ids[0]].ID)
			}
		}
	}
	out.Outside = thousandth(exp(outside-most) / sum)
	return out, nil
}

// groups puts explanations together that the tests do not tell apart. list is in order of their mass,
// which is sum for all that there is.
func (e *Engine) groups(list []weighed, sum float64, offered []Candidate) ([]Group, error) {
	type led struct {
		Group
		by   *hypothesis
		mass float64
	}
	tests := e.distinctTests(offered)
	known := map[*hypothesis][]outcome{}
	var all []led
	for n, x := range list {
		p := x.mass / sum
		if p < 1e-6 && len(all) > 0 {
			break
		}
		var g *led
		for i := 0; i < len(all) && g == nil; i++ {
			l := all[i].by
			same := e.kindred(l, x.h)
			// Only what weighs is compared test by test, and nothing with a healthy position.
			if !same && p >= groupLeast && n < mostCompared && len(l.ids) == len(x.h.ids) && math.Abs(e.mass(l)-e.mass(x.h)) <= bareMention {
				var err error
				if same, err = e.alike(l, x.h, tests, known); err != nil {
					return nil, err
				}
			}
			if same {
				g = &all[i]
			}
		}
		if g == nil {
			all = append(all, led{by: x.h})
			g = &all[len(all)-1]
		}
		ids := []string{}
		for _, id := range x.h.ids {
			ids = append(ids, e.catalogue[id].ID)
			g.Danger = g.Danger || e.catalogue[id].Danger
		}
		g.IDs, g.mass = append(g.IDs, ids), g.mass+p
	}
	slices.SortStableFunc(all, func(a, b led) int { return compare(b.mass, a.mass) })
	out := make([]Group, len(all))
	for i, g := range all {
		out[i] = Group{IDs: g.IDs, Probability: thousandth(g.mass), Danger: g.Danger}
		e.gravest(out[i].IDs)
	}
	return out, nil
}

// gravest puts those explanations first in which the wiring endangers.
func (e *Engine) gravest(list [][]string) {
	endangers := func(ids []string) bool {
		return slices.ContainsFunc(e.catalogue, func(d site.Departure) bool {
			return d.Danger && d.Nature == site.OfWiring && slices.Contains(ids, d.ID)
		})
	}
	slices.SortStableFunc(list, func(a, b []string) int {
		return compare(bit(endangers(b)), bit(endangers(a)))
	})
}

func thousandth(p float64) float64 { return math.Round(float64(p*1000)) / 1000 }

// near is the greatest total variation, over every test, under which two
// explanations are one group.
const near = 0.05

// alike reports whether none of the tests tells two hypotheses apart in practice.
func (e *Engine) alike(a, b *hypothesis, tests []taken, known map[*hypothesis][]outcome) (bool, error) {
	for i := range tests {
		t := &tests[i]
		x, err := e.outcomeOf(a, tests, i, known)
		if err != nil {
			return false, err
		}
		y, err := e.outcomeOf(b, tests, i, known)
		if err != nil || apart(t.Kind, x, y) > near {
			return false, err
		}
	}
	return true, nil
}

// outcomeOf is foresee, worked out once for an explanation.
func (e *Engine) outcomeOf(h *hypothesis, tests []taken, i int, known map[*hypothesis][]outcome) (*outcome, error) {
	list, ok := known[h]
	if !ok {
		list = make([]outcome, len(tests))
		known[h] = list
	}
	if list[i].n == 0 {
		var err error
		if list[i], _, err = e.foresee(h, &tests[i], comparedDraws); err != nil {
			return nil, err
		}
	}
	return &list[i], nil
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

// distinctTests are the tests offered, each once.
func (e *Engine) distinctTests(offered []Candidate) []taken {
	known := map[key]bool{}
	var list []taken
	for _, c := range offered {
		t := e.planned(c)
		if k := (key{t.at.state, 0, t.at.test}); !known[k] {
			known[k] = true
			list = append(list, t)
		}
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
	for _, d := range e.catalogue {
		sig, err := world.Sign(e.site, &e.unknowns.usual, append(slices.Clone(e.stated), d)...)
		if err != nil {
			return err
		}
		all = append(all, sig)
	}
	e.kin = make([]int, len(all))
	for i := range all {
		e.kin[i] = i
		for j := range i {
			if e.kin[j] == j && indistinct(all[i], all[j]) {
				e.kin[i] = j
				break
			}
		}
	}
	return nil
}

// indistinct is stricter than world.Differ: the meter's display is no test of a
// visit's observations, and numbers may differ by a quarter of what is allowed.
func indistinct(a, b world.Signature) bool {
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

// Standing is how one departure on its own stands against the observations.
type Standing struct {
	ID string
	// Nats is its log-evidence below that of the best single explanation, zero or less:
	// how strongly the observations speak against it, whatever its rarity.
	Nats float64
}

// Standings returns how each departure of the catalogue stands, in its order.
func (e *Engine) Standings() []Standing {
	best := math.Inf(-1)
	for _, h := range e.single {
		best = max(best, e.mass(h))
	}
	list := make([]Standing, len(e.catalogue))
	for i := range e.catalogue {
		list[i] = Standing{e.catalogue[i].ID, e.mass(e.single[i+1]) - best}
	}
	return list
}
