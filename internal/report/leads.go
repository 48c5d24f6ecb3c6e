package report

import (
	"strings"

	"meterwright/visit"
)

// leads lists what the physical model made of the readings, as the person was told it, with the
// answers. It stands in the whole record alone: a lead is no finding, and nobody who reads a copy is
// to take it for one.
func (c *composer) leads() {
	list := c.account.Advice
	if len(list) == 0 {
		return
	}
	last := &list[len(list)-1]
	state := &Table{Heads: []string{"Probability", "What still fits", "Danger"}, Shares: []float64{0.2, 0.66, 0.14}, Mono: []int{0}, Flag: map[int]bool{}}
	for i := range last.Fits {
		l := &last.Fits[i]
		danger := ""
		if l.Danger {
			danger = "danger"
			state.Flag[len(state.Rows)] = true
		}
		state.Rows = append(state.Rows, []string{l.Probability + " " + l.Chance(), upperFirst(l.Words), danger})
	}
	state.Rows = append(state.Rows, []string{last.Outside, "Something that is not in the model", ""})
	about := &Pairs{List: []Pair{{Name: "Worked out last", Value: last.At.Format(clock), Mono: true}, {Name: "After", Value: c.said(last.Upon)},
		{Name: "Not borne on", Value: plural(last.Untouched, "departure") + ", on which no reading bears"}}}
	if last.Skipped > 0 {
		about.List = append(about.List, Pair{Name: "Not weighed", Value: plural(last.Skipped, "reading or proving")})
	}
	if n := last.Next; n != nil {
		say := n.Step
		if s, _ := c.method.Step(n.Step); s != nil {
			say = s.Say
		}
		about.List = append(about.List, Pair{Name: "Would tell most", Value: say + " " + n.Why})
	}
	about.List = append(about.List, Pair{Name: "Program", Value: last.Engine}, Pair{Name: "Model", Value: last.Model, Mono: true}, Pair{Name: "Position", Value: last.Site, Mono: true})
	history := &Table{Heads: []string{"Time", "After", "First lead", "Spoken against", "Answer"}, Shares: []float64{0.11, 0.27, 0.23, 0.23, 0.16}, Mono: []int{0}}
	for i := range list {
		a := &list[i]
		first := upperFirst(a.Fits[0].Words) + ", " + a.Fits[0].Probability
		if a.Fits[0].Danger {
			first += ", danger"
		}
		history.Rows = append(history.Rows, []string{a.At.Format(clock), c.said(a.Upon), first, strings.Join(a.Against, "; "), answerWords(a.Answers)})
	}
	c.sheet.add(Section{ID: "leads", Title: "Leads, not findings", Note: visit.AdviceCaution, Blocks: []Block{about, state, history}})
}

func answerWords(list []visit.AnswerLine) string {
	var parts []string
	for _, a := range list {
		words := a.At.Format(clock) + " followed"
		if a.Answer == "set-aside" {
			words = a.At.Format(clock) + " set aside"
		}
		if a.Why != "" {
			words += ": " + a.Why
		}
		parts = append(parts, sentence(words))
	}
	return strings.Join(parts, " ")
}

// said is the sentence of one event of the story.
func (c *composer) said(event string) string {
	for _, l := range c.account.Story {
		if l.Event == event {
			return l.Words
		}
	}
	return ""
}
