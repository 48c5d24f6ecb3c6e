package terminal

import (
	"meterwright/say"
	"meterwright/visit"
)

// means writes what the readings so far may mean, under the sentence of the last one. Where there is nothing
// to say it says nothing.
func (t *Text) means(s *say.Speaker, a *visit.Account, x *visit.Advised) {
	line := func(words string) { t.Line("%*s%s  %s", hang, "", t.Say("terminal.means"), words) }
	for _, e := range x.Against {
		line(t.Say("terminal.means.against", "words", s.Against(e)))
	}
	if x.AgainstMore > 0 {
		line(t.Say("means.against-more", "n", x.AgainstMore))
	}
	if x.Quiet() {
		return
	}
	for i := range x.Fits {
		line(s.MeaningLine(&x.Fits[i], s.FirstMeaning(&x.Fits[i])))
	}
	for _, words := range s.Repeats(a, x) {
		line(words)
	}
	if x.Next != nil {
		line(t.Say("terminal.means.next", "step", s.Step(x.Next.Step), "why", s.NextTest(x)))
	}
}

// lastMeans writes what the readings may mean as it was worked out last, with every answer that was given to it.
func (t *Text) lastMeans(s *say.Speaker, a *visit.Account) {
	list := a.Advice
	if len(list) == 0 {
		return
	}
	last := &list[len(list)-1]
	t.Head("terminal.means.head", "at", say.Second(last.At), "engine", last.Engine)
	for i := range a.Story {
		if l := &a.Story[i]; l.Event == last.Upon {
			t.Put(2, "terminal.means.after", "at", say.Second(l.At), "words", s.Line(a, l))
		}
	}
	for i := range last.Fits {
		t.Line("  %s", s.MeaningLine(&last.Fits[i], s.Meaning(&last.Fits[i])))
	}
	if outside := s.Outside(&last.Advised); outside != "" {
		t.Line("  %s", outside)
	}
	for _, words := range s.Repeats(a, &last.Advised) {
		t.Line("  %s", words)
	}
	if last.Untouched > 0 {
		t.Put(2, "terminal.means.untouched", "n", last.Untouched)
	}
	if last.Skipped > 0 {
		t.Put(2, "terminal.means.skipped", "n", last.Skipped)
	}
	if n := last.Next; n != nil {
		t.Put(2, "terminal.means.next", "step", s.Step(n.Step), "why", s.NextTest(&last.Advised))
	}
	for i := range list {
		for _, x := range list[i].Answers {
			key := "terminal.means.followed"
			switch {
			case x.Answer == "set-aside":
				key = "terminal.means.set-aside"
			case x.Why != "":
				key = "terminal.means.followed-why"
			}
			t.Line("  %s  %s", say.Second(x.At), t.Say(key, "why", x.Why))
		}
	}
	t.Put(2, "terminal.means.model", "model", last.Model[:min(12, len(last.Model))], "site", last.Site[:min(12, len(last.Site))], "caution", t.Say("means.caution"))
}
