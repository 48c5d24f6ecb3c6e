package replay

import (
	"time"

	"meterwright/visit"
)

// Answer is what was answered to one question.
type Answer struct {
	Event string
	At    time.Time
	Step  string
	Value string
	Note  string
	// Corrected holds the corrections of it, in their order. The answer stands beside them.
	Corrected []visit.Correction
}

// Now is the answer as it stands after corrections; ok is false where it was withdrawn.
func (a *Answer) Now() (value string, ok bool) {
	if n := len(a.Corrected); n > 0 {
		return a.Corrected[n-1].Now, a.Corrected[n-1].Now != ""
	}
	return a.Value, true
}

// Answers lists what was answered to the method's questions, with facts; entries stand in the account.
func (c *Case) Answers() []Answer {
	a := c.Visit.Account()
	corrected := map[string][]visit.Correction{}
	for _, x := range a.Corrections {
		corrected[x.Of] = append(corrected[x.Of], x)
	}
	var list []Answer
	for _, l := range a.Story {
		out := Answer{Event: l.Event, At: l.At, Step: l.Step, Corrected: corrected[l.Event]}
		switch body, _ := a.Body(l.Event); b := body.(type) {
		case visit.Inspected:
			out.Value, out.Note = b.Answer, b.Note
		case visit.Decided:
			out.Value = b.Value
		default:
			continue
		}
		list = append(list, out)
	}
	return list
}
