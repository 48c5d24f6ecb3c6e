package advice

import (
	"cmp"
	"slices"
	"strconv"

	"meterwright/diagnose"
	"meterwright/visit"
)

const (
	// maxFits bounds the leads of an advice, and maxAgainst the departures that are named as spoken
	// against.
	maxFits, maxAgainst = 5, 4
	// maxKeptIDs bounds the explanations of a lead that are kept by id.
	maxKeptIDs = 40
	// spoken is the log-evidence below the best single explanation from which the readings speak
	// against a departure: a twentieth of its likelihood.
	spoken = -3
	// differs is the least that an event must tell a departure from a healthy position, in nats.
	differs = 0.05
	// shown is the least probability of a lead that is listed after the first.
	shown = 0.0005
)

// fits gives the leads. Nobody is to read "nothing found" beside a reading that speaks against it, or
// where something dangerous fits much better and only its rarity keeps it from the first place.
func (s *session) fits(out *visit.Advised, x diagnose.Explanation, earlier bool) {
	for i, g := range x.Groups {
		// What is doubted is always named, however rare it is.
		doubted := len(x.Doubts) > 0 && g.Has(x.Doubts[0])
		if !doubted && (len(out.Fits) >= maxFits || i > 0 && g.Probability < shown) {
			continue
		}
		l := visit.Lead{Probability: share(g.Probability), Danger: g.Danger, Others: max(0, len(g.IDs)-maxKeptIDs)}
		switch {
		case !g.Healthy():
		case len(x.Doubts) > 0:
			l.Yet = visit.YetRare
		case s.place.healthy(s.after) < spoken || slices.ContainsFunc(s.seen, func(o seen) bool { return o.odd }):
			l.Yet = visit.YetSlip
		case earlier:
			l.Yet = visit.YetEarlier
		}
		for _, ids := range g.IDs[:min(maxKeptIDs, len(g.IDs))] {
			l.Departures = append(l.Departures, append(visit.Explanation{}, ids...))
		}
		out.Fits = append(out.Fits, l)
	}
	out.Outside, out.Untouched = share(x.Outside), x.Unseen
}

// share writes a probability with three decimals.
func share(p float64) string { return strconv.FormatFloat(min(max(p, 0), 1), 'f', 3, 64) }

// healthy is how a healthy position stands: as a departure that no reading can show.
func (p *place) healthy(standings []float64) float64 {
	for i := range p.order {
		if d := &p.order[i]; d.Kind == "" && len(d.Changes) == 0 {
			return standings[i]
		}
	}
	return 0
}

// against gives what the last event newly spoke against: that nothing is wrong, then the
// dangerous, then what is met most often. What only fell behind because something else fits
// better is not in it: the event must have told it from a healthy position.
func (s *session) against(out *visit.Advised, upon string) {
	if len(s.seen) == 0 || s.seen[len(s.seen)-1].event != upon {
		return
	}
	was, is := s.place.healthy(s.before), s.place.healthy(s.after)
	if was >= spoken && is < spoken {
		out.Against = append(out.Against, visit.Explanation{})
	}
	var list []int
	for i := range s.after {
		if s.before[i] >= spoken && s.after[i] < spoken && s.after[i]-is < s.before[i]-was-differs {
			list = append(list, i)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int {
		x, y := &s.place.order[a], &s.place.order[b]
		if x.Danger != y.Danger {
			if x.Danger {
				return -1
			}
			return 1
		}
		return cmp.Compare(y.Prior.Rate, x.Prior.Rate)
	})
	for _, i := range list[:min(maxAgainst, len(list))] {
		out.Against = append(out.Against, visit.Explanation{s.place.order[i].ID})
	}
	out.AgainstMore = max(0, len(list)-maxAgainst)
}
