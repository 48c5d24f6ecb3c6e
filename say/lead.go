package say

import (
	"cmp"
	"strings"

	"meterwright/method"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

// Need is one reason why a visit needs somebody.
func (s *Speaker) Need(n *replay.Need) string {
	return s.Say("need."+string(n.Code), "stop", lowerFirst(s.Stop(n.Stop, n.Words)), "owner", s.Owner(n.Owner), "words", n.Words,
		"act", s.Act(n.Act), "kind", s.Event(n.Kind), "count", n.Count, "step", s.Step(n.Step), "lead", "")
}

// Event is the name of a kind of event.
func (l *Language) Event(k visit.Kind) string { return l.code("event", string(k)) }

// Explanation is departures that are there together.
func (s *Speaker) Explanation(e visit.Explanation) string {
	if len(e) == 0 {
		return s.Say("lead.nothing")
	}
	words := s.departures()
	return strings.Join(each(e, func(id string) string { return cmp.Or(words[id], id) }), s.raw("lead.together"))
}

// namedExplanations is how many explanations of a lead are named.
const namedExplanations = 4

// Away is one thing that an overlay takes away from the method.
func (s *Speaker) Away(a method.Away) string {
	what := a.What
	switch a.Kind {
	case method.AwayProtection:
		what = s.List(s.Items([]string{a.What}))
	case method.AwayNeed, method.AwayReadings:
		what = s.Proof(a.What)
	case method.AwayState:
		what = s.Switch(site.SwitchID(a.What))
	case method.AwayLater:
		what = s.Act(site.ActID(a.What))
	}
	return s.Say("away."+string(a.Kind), "step", a.Step, "what", what, "overlay", a.Overlay)
}

// Against is what a reading spoke against.
func (s *Speaker) Against(e visit.Explanation) string {
	if len(e) == 0 {
		return s.Say("lead.nothing-wrong")
	}
	return s.Explanation(e)
}

// Discrepancy is why this engine does not accept an entry of a record.
func (s *Speaker) Discrepancy(d *visit.Discrepancy) string {
	if d.Refusal == nil {
		return d.Fault
	}
	what, lacks, _ := s.Refusal(d.Refusal)
	return strings.Join(append([]string{what}, lacks...), " ")
}

// Lead is explanations that the tests made do not tell apart.
func (s *Speaker) Lead(l *visit.Lead) string {
	if l.Yet != "" {
		return s.Say("lead." + string(l.Yet))
	}
	if len(l.Departures)+l.Others == 1 {
		return s.Explanation(l.Departures[0])
	}
	named := l.Departures[:min(namedExplanations, len(l.Departures))]
	words := strings.Join(each(named, s.Explanation), "; ")
	if n := len(l.Departures) + l.Others - len(named); n > 0 {
		return s.Say("lead.more", "list", words, "n", n)
	}
	return s.Say("lead.one-of", "list", words)
}

// FirstLead is a lead in a few words: what it names first, and that there are others.
func (s *Speaker) FirstLead(l *visit.Lead) string {
	n := len(l.Departures) + l.Others
	switch {
	case l.Yet != "" || n == 1:
		return s.Lead(l)
	case n == 2 && l.Others == 0:
		return s.Say("lead.or", "one", s.Explanation(l.Departures[0]), "other", s.Explanation(l.Departures[1]))
	}
	return s.Say("lead.or-like", "one", s.Explanation(l.Departures[0]))
}

// Chance is the probability of a lead in a word.
func (l *Language) Chance(p float64) string {
	for _, c := range []struct {
		from float64
		key  string
	}{{0.9, "very-likely"}, {0.6, "likely"}, {0.3, "may-be"}, {0.05, "less-likely"}} {
		if p >= c.from {
			return l.Say("chance." + c.key)
		}
	}
	return l.Say("chance.unlikely")
}

// NextTest is what the next test would tell, and where it would be made on something live.
func (s *Speaker) NextTest(a *visit.Advised) string {
	n := a.Next
	var apart []string
	for _, i := range n.Apart {
		apart = append(apart, s.Explanation(a.Fits[i].Departures[0]))
	}
	words := s.Say("next.more")
	if len(apart) > 1 {
		words = s.Say("next.apart", "list", strings.Join(apart, "; "))
	}
	if len(n.Live) > 0 {
		words += " " + s.Say("next.caution", "points", s.List(each(n.Live, func(p site.PointID) string { return s.Point(string(p)) })))
	}
	return words
}
