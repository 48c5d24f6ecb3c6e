package terminal

import (
	"meterwright/say"
	"meterwright/visit"
)

// advice writes what the model makes of the readings so far, under the sentence of the last one.
func (t *Text) advice(s *say.Speaker, x *visit.Advised) {
	for i, e := range x.Against {
		name := ""
		if i == 0 {
			name = t.Say("terminal.lead.against")
		}
		t.Line("%*s%s  %-16s%s", hang, "", t.Say("terminal.lead"), name, s.Against(e))
	}
	if x.AgainstMore > 0 {
		t.Line("%*s%s  %-16s%s", hang, "", t.Say("terminal.lead"), "", t.Say("lead.against-more", "n", x.AgainstMore))
	}
	for i := range x.Fits {
		if i > 0 && x.Fits[i].Share() < 0.01 {
			break
		}
		t.Line("%*s%s  %s", hang, "", t.Say("terminal.lead"), t.lead(s, &x.Fits[i]))
	}
	if x.Next != nil {
		t.Line("%*s%s  %s", hang, "", t.Say("terminal.lead"), t.Say("terminal.lead.next", "step", x.Next.Step, "why", s.NextTest(x)))
	}
}

func (t *Text) lead(s *say.Speaker, l *visit.Lead) string {
	key := "terminal.lead.words"
	if l.Danger {
		key = "terminal.lead.danger"
	}
	return t.Say(key, "probability", l.Probability, "chance", t.Chance(l.Share()), "words", s.Lead(l))
}

// leads writes the advice that was given last, with every answer that was given to advice.
func (t *Text) leads(s *say.Speaker, a *visit.Account) {
	list := a.Advice
	if len(list) == 0 {
		return
	}
	last := &list[len(list)-1]
	t.Head("terminal.leads", "at", say.Second(last.At), "engine", last.Engine)
	for i := range a.Story {
		if l := &a.Story[i]; l.Event == last.Upon {
			t.Put(2, "terminal.leads.after", "at", say.Second(l.At), "words", s.Line(a, l))
		}
	}
	for i := range last.Fits {
		t.Line("  %s", t.lead(s, &last.Fits[i]))
	}
	t.Put(2, "terminal.leads.outside", "probability", last.Outside)
	if last.Untouched > 0 {
		t.Put(2, "terminal.leads.untouched", "n", last.Untouched)
	}
	if last.Skipped > 0 {
		t.Put(2, "terminal.leads.skipped", "n", last.Skipped)
	}
	if n := last.Next; n != nil {
		t.Put(2, "terminal.leads.next", "step", n.Step, "why", s.NextTest(&last.Advised))
	}
	for i := range list {
		for _, x := range list[i].Answers {
			key := "terminal.leads.followed"
			switch {
			case x.Answer == "set-aside":
				key = "terminal.leads.set-aside"
			case x.Why != "":
				key = "terminal.leads.followed-why"
			}
			t.Line("  %s  %s", say.Second(x.At), t.Say(key, "why", x.Why))
		}
	}
	t.Put(2, "terminal.leads.model", "model", last.Model[:min(12, len(last.Model))], "site", last.Site[:min(12, len(last.Site))], "caution", t.Say("lead.caution"))
}
