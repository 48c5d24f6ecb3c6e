package say

import (
	"cmp"
	"slices"
	"strings"

	"meterwright/method"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

// Need is one reason why a visit needs somebody.
func (s *Speaker) Need(n *replay.Need) string {
	return s.Say("need."+string(n.Code), "stop", lowerFirst(s.Stop(n.Stop, n.Words)), "owner", s.Owner(n.Owner), "words", n.Words,
		"act", s.Act(n.Act), "kind", s.Event(n.Kind), "count", n.Count, "step", s.Step(n.Step), "finding", s.code("does-not-fit", string(n.Finding)))
}

// Event is the name of a kind of event.
func (l *Language) Event(k visit.Kind) string { return l.code("event", string(k)) }

// Explanation is departures that are there together.
func (s *Speaker) Explanation(e visit.Explanation) string {
	if len(e) == 0 {
		return s.Say("means.nothing")
	}
	words := s.departures()
	return strings.Join(each(e, func(id string) string { return cmp.Or(words[id], s.Say("means.unknown")) }), s.raw("means.together"))
}

// namedExplanations is how many explanations of a meaning are named.
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
		return s.Say("means.that-nothing")
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

// Meaning is what the readings may mean: explanations that the tests made do not tell apart.
func (s *Speaker) Meaning(m *visit.Meaning) string {
	if m.Yet != "" {
		return s.Say("means." + string(m.Yet))
	}
	if len(m.Departures)+m.Others == 1 {
		return s.Explanation(m.Departures[0])
	}
	named := m.Departures[:min(namedExplanations, len(m.Departures))]
	words := strings.Join(each(named, s.Explanation), "; ")
	if n := len(m.Departures) + m.Others - len(named); n > 0 {
		return s.Say("means.more", "list", words, "n", n)
	}
	return s.Say("means.one-of", "list", words)
}

// FirstMeaning is a meaning in a few words: what it names first, and that there are others.
func (s *Speaker) FirstMeaning(m *visit.Meaning) string {
	n := len(m.Departures) + m.Others
	switch {
	case m.Yet != "" || n == 1:
		return s.Meaning(m)
	case n == 2 && m.Others == 0:
		return s.Say("means.or", "one", s.Explanation(m.Departures[0]), "other", s.Explanation(m.Departures[1]))
	}
	return s.Say("means.or-like", "one", s.Explanation(m.Departures[0]))
}

// Odds is how likely something is, in a word.
func (l *Language) Odds(o visit.Odds) string { return l.code("odds", string(o)) }

// Outside is that the truth is not in the model, with its odds, where that is more than not left out.
func (l *Language) Outside(x *visit.Advised) string {
	if o := x.OutsideOdds(); o != visit.NotLeftOut {
		return l.Say("means.line", "odds", l.Odds(o), "words", l.Say("means.outside"))
	}
	return ""
}

// MeaningLine is a meaning with its odds, and that it is dangerous.
func (s *Speaker) MeaningLine(m *visit.Meaning, words string) string {
	key := "means.line"
	if m.Danger {
		key = "means.line.danger"
	}
	return s.Say(key, "odds", s.Odds(m.Odds()), "words", words)
}

// Repeats names each reading that none of what is likeliest explains.
func (s *Speaker) Repeats(a *visit.Account, x *visit.Advised) []string {
	var list []string
	for i := range a.Story {
		if l := &a.Story[i]; slices.Contains(x.Repeat, l.Event) {
			list = append(list, s.Say("means.repeat", "at", l.At, "reading", s.Line(a, l)))
		}
	}
	return list
}

// NextTest is what the next test would tell, and where it would be made on something live.
func (s *Speaker) NextTest(a *visit.Advised) string {
	n := a.Next
	var apart []string
	for _, i := range n.Apart {
		if m := &a.Fits[i]; m.Healthy() {
			apart = append(apart, s.Meaning(m))
		} else {
			apart = append(apart, s.Explanation(m.Departures[0]))
		}
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
