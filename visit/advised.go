package visit

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"meterwright/measure"
)

// maxLeads bounds the lists of an advice.
const maxLeads = 50

// AdviceLine is one advice as it was given, with what the person made of it.
type AdviceLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Advised
	// Answers is in the order in which they were given.
	Answers []AnswerLine `json:"answers,omitempty"`
}

// AnswerLine is one answer to an advice.
type AnswerLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Answered
}

// checkAdvised looks only at the form of an advice: what it says decides nothing.
func (v *Visit) checkAdvised(b Advised) error {
	if i, ok := v.account.byHash[b.Upon]; !ok || v.account.events[i].do == doNote {
		return fmt.Errorf("upon names no observation of this visit: name the event after which it was worked out")
	}
	if b.Engine == "" || b.Model == "" || b.Site == "" {
		return fmt.Errorf("an advice names the engine, the model and the site that it was worked out with: name all three")
	}
	if len(b.Fits) == 0 || len(b.Fits) > maxLeads || len(b.Against) > maxLeads {
		return fmt.Errorf("an advice has from 1 to %d leads, and speaks against at most as many", maxLeads)
	}
	texts := append([]string{}, b.Against...)
	shares := []string{b.Outside}
	for _, l := range b.Fits {
		texts, shares = append(texts, l.Words), append(shares, l.Probability)
		if len(l.Departures) == 0 || len(l.Departures) > maxLeads {
			return fmt.Errorf("a lead has from 1 to %d explanations", maxLeads)
		}
	}
	if n := b.Next; n != nil {
		if _, i := v.machine.Method.Step(n.Step); i < 0 {
			return fmt.Errorf("the next test names the step %q, which this method has not", clip(n.Step))
		}
		texts, shares = append(texts, n.Why), append(shares, n.Exposure)
		if d, err := measure.ParseDecimal(n.Nats); err != nil || d.Float() < 0 {
			return fmt.Errorf("%q is no amount of information: write a decimal of nats", clip(n.Nats))
		}
	}
	for _, text := range texts {
		if strings.TrimSpace(text) == "" || len(text) > maxText || !utf8.ValidString(text) {
			return fmt.Errorf("the words of an advice are plain text of 1 to %d bytes", maxText)
		}
	}
	for _, p := range shares {
		if d, err := measure.ParseDecimal(p); err != nil || d.Float() < 0 || d.Float() > 1 {
			return fmt.Errorf("%q is no probability: write a decimal from 0 to 1", clip(p))
		}
	}
	if b.Untouched < 0 {
		return fmt.Errorf("not_borne_on counts departures: it cannot be below 0")
	}
	return nil
}

func (v *Visit) checkAnswered(b Answered) error {
	i, ok := v.account.byHash[b.Advice]
	if ok {
		_, ok = v.account.events[i].body.(Advised)
	}
	switch {
	case !ok:
		return fmt.Errorf("it answers no advice of this visit: name the advised event by its hash")
	case b.Answer != "follow" && b.Answer != "set-aside":
		return fmt.Errorf("%q is no answer to an advice: write follow or set-aside", clip(b.Answer))
	case b.Answer == "set-aside" && strings.TrimSpace(b.Why) == "":
		return fmt.Errorf("say why the advice is set aside")
	case len(b.Why) > maxText || !utf8.ValidString(b.Why):
		return fmt.Errorf("why is not plain text of up to %d bytes", maxText)
	}
	return nil
}

func (a *Account) takeAdvised(b Advised, e *Event) string {
	a.Advice = append(a.Advice, AdviceLine{Event: e.Hash, At: e.Wall, Advised: b})
	return "Lead, not a finding: " + sentence(b.Fits[0].Words)
}

func (a *Account) takeAnswered(b Answered, e *Event) string {
	for i := range a.Advice {
		if a.Advice[i].Event == b.Advice {
			a.Advice[i].Answers = append(a.Advice[i].Answers, AnswerLine{Event: e.Hash, At: e.Wall, Answered: b})
		}
	}
	if b.Answer == "follow" {
		return strings.TrimSpace("The lead is followed. " + upperFirst(sentence(b.Why)))
	}
	return "The lead is set aside: " + sentence(b.Why)
}
