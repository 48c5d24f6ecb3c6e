package tell

import (
	"fmt"

	"meterwright/visit"
)

// advice writes what the model makes of the readings so far, under the sentence of the last one.
func (t *Text) advice(x *visit.Advised) {
	for i, a := range x.Against {
		name := ""
		if i == 0 {
			name = "speaks against:"
		}
		t.Line("%*slead  %-16s%s", hang, "", name, a)
	}
	for i := range x.Fits {
		if i > 0 && x.Fits[i].Probability < "0.010" {
			break
		}
		t.Line("%*slead  %s", hang, "", leadWords(&x.Fits[i]))
	}
	if x.Next != nil {
		t.Line("%*slead  next test:      %s: %s", hang, "", x.Next.Step, x.Next.Why)
	}
}

func leadWords(l *visit.Lead) string {
	words := fmt.Sprintf("%s (%s): %s", l.Probability, l.Chance(), l.Words)
	if l.Danger {
		words = fmt.Sprintf("%s (%s): danger: %s", l.Probability, l.Chance(), l.Words)
	}
	return words
}

// leads writes the advice that was given last, with every answer that was given to advice.
func (t *Text) leads(v *visit.Visit) {
	list := v.Account().Advice
	if len(list) == 0 {
		return
	}
	last := &list[len(list)-1]
	t.Head("LEADS, NOT FINDINGS, as worked out last at %s by %s", last.At.Format(clockWords), last.Engine)
	for _, line := range v.Account().Story {
		if line.Event == last.Upon {
			t.Line("  After: %s %s", line.At.Format(clockWords), line.Words)
		}
	}
	for i := range last.Fits {
		t.Line("  %s", leadWords(&last.Fits[i]))
	}
	t.Line("  %s: something that is not in the model", last.Outside)
	if last.Untouched > 0 {
		t.Line("  No reading bears on %s of this position.", count(last.Untouched, "departure"))
	}
	if last.Skipped > 0 {
		t.Line("  Readings and provings that were not weighed: %d.", last.Skipped)
	}
	if n := last.Next; n != nil {
		t.Line("  Next test that would tell most: %s. %s", n.Step, n.Why)
	}
	for i := range list {
		for _, a := range list[i].Answers {
			words := "followed"
			if a.Answer == "set-aside" {
				words = "set aside"
			}
			if a.Why != "" {
				words += ": " + a.Why
			}
			t.Line("  %s  %s", a.At.Format(clockWords), words)
		}
	}
	t.Line("  Model %.12s…, position %.12s…. %s", last.Model, last.Site, visit.AdviceCaution)
}
