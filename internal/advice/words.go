package advice

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"meterwright/diagnose"
	"meterwright/visit"
)

const (
	// maxFits bounds the leads of an advice, maxNamed the explanations that one lead names, and
	// maxAgainst the departures that are named as spoken against.
	maxFits, maxNamed, maxAgainst = 5, 4, 4
	// maxKeptIDs bounds the explanations of a lead that are kept by id.
	maxKeptIDs = 40
	// maxWords bounds the words of one lead in bytes.
	maxWords = 1900
	// spoken is the log-evidence below the best single explanation from which the readings speak
	// against a departure: a twentieth of its likelihood.
	spoken = -3
	// differs is the least that an event must tell a departure from a healthy position, in nats.
	differs = 0.05
	// shown is the least probability of a lead that is listed after the first.
	shown = 0.0005
)

// ifSlip is said of the lead that nothing is wrong where a reading speaks against it, or is not
// as the method expects: nobody is to read "nothing found" beside such a reading.
const ifSlip = visit.NothingFound + ", if one of the readings was a slip"

// ifLater is said of it where a reading that is not weighed any more was not as the method expects.
const ifLater = visit.NothingFound + " in the later readings; an earlier one was not as expected"

// ifRare is said of it where something dangerous fits much better and only its rarity keeps it from
// the first place: nobody is to be told then that nothing was found.
const ifRare = "nothing wrong, although something rarer and dangerous fits much better"

// nothingWrong is what is spoken against where a reading does not fit a healthy position.
const nothingWrong = "that nothing is wrong"

// fits writes the leads.
func (s *session) fits(out *visit.Advised, x diagnose.Explanation, earlier bool) {
	for i, g := range x.Groups {
		// What is doubted is always named, however rare it is.
		doubted := len(x.Doubts) > 0 && g.Has(x.Doubts[0])
		if !doubted && (len(out.Fits) >= maxFits || i > 0 && g.Probability < shown) {
			continue
		}
		l := visit.Lead{Words: s.place.group(g.IDs), Probability: share(g.Probability), Danger: g.Danger}
		if g.Healthy() && earlier {
			l.Words = ifLater
		}
		if g.Healthy() && (s.place.healthy(s.after) < spoken || slices.ContainsFunc(s.seen, func(o seen) bool { return o.odd })) {
			l.Words = ifSlip
		}
		if g.Healthy() && len(x.Doubts) > 0 {
			l.Words = ifRare
		}
		for _, ids := range g.IDs[:min(maxKeptIDs, len(g.IDs))] {
			l.Departures = append(l.Departures, append([]string{}, ids...))
		}
		out.Fits = append(out.Fits, l)
	}
	out.Outside, out.Untouched = share(x.Outside), x.Unseen
}

// share writes a probability with three decimals.
func share(p float64) string { return strconv.FormatFloat(min(max(p, 0), 1), 'f', 3, 64) }

// explanation writes departures that are there together.
func (p *place) explanation(ids []string) string {
	if len(ids) == 0 {
		return visit.NothingFound
	}
	var parts []string
	for _, id := range ids {
		words := id
		if d := p.departures[id]; d != nil {
			words = d.Words
		}
		parts = append(parts, words)
	}
	return strings.Join(parts, ", together with ")
}

// group writes explanations that the tests do not tell apart.
func (p *place) group(list [][]string) string {
	if len(list) == 1 {
		return clip(p.explanation(list[0]))
	}
	var parts []string
	for _, ids := range list[:min(maxNamed, len(list))] {
		parts = append(parts, p.explanation(ids))
	}
	words := "one of: " + strings.Join(parts, "; ")
	if n := len(list) - maxNamed; n > 0 {
		words += "; " + others(n, " like these")
	}
	return clip(words)
}

func others(n int, rest string) string {
	if n == 1 {
		return "1 other" + rest
	}
	return fmt.Sprintf("%d others%s", n, rest)
}

// healthy is how a healthy position stands: as a departure that no reading can show.
func (p *place) healthy(standings []float64) float64 {
	for i := range p.order {
		if d := &p.order[i]; d.Kind == "" && len(d.Changes) == 0 {
			return standings[i]
		}
	}
	return 0
}

// against writes what the last event newly spoke against: that nothing is wrong, then the
// dangerous, then what is met most often. What only fell behind because something else fits
// better is not in it: the event must have told it from a healthy position.
func (s *session) against(out *visit.Advised, upon string) {
	if len(s.seen) == 0 || s.seen[len(s.seen)-1].event != upon {
		return
	}
	was, is := s.place.healthy(s.before), s.place.healthy(s.after)
	if was >= spoken && is < spoken {
		out.Against = append(out.Against, nothingWrong)
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
		out.Against = append(out.Against, s.place.order[i].Words)
	}
	if n := len(list) - maxAgainst; n > 0 {
		out.Against = append(out.Against, "and "+others(n, ""))
	}
}

// clip keeps words under the bound of the record.
func clip(s string) string {
	if len(s) <= maxWords {
		return s
	}
	n := maxWords
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}

func list(words []string) string {
	switch n := len(words); n {
	case 0:
		return "the parts that it touches"
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}
