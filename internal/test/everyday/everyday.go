// Package everyday is a made-up person to whom everything happens as a method expects it.
package everyday

import (
	"fmt"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/visit"
	"meterwright/walk"
)

// Person answers each step of a method (package walk). Every number, date and entry is invented.
type Person struct{ Method *method.Resolved }

// Tool is in date, and proved on the first source that the step accepts.
func (p Person) Tool(s *method.Step, k instrument.Kind) (walk.Tool, error) {
	t := walk.Tool{Instrument: visit.Instrument{Kind: k, ID: "i-" + string(k), Due: "2027-03-01"}}
	if s.Prove != nil {
		m, _ := instrument.Lookup(k)
		t.Source.Kind = m.ProvedOn[0]
		if len(s.Prove.On) > 0 {
			t.Source.Kind = instrument.SourceKind(s.Prove.On[0])
		}
	}
	return t, nil
}

// Item is in date.
func (p Person) Item(*method.Step) (id, due string, err error) { return "", "2027-01-31", nil }

// Reading keeps its limit with room to spare.
func (p Person) Reading(s *method.Step) (instrument.Indication, error) {
	text := "0.00"
	switch b := s.Observe.Bounds; {
	case s.Observe.Limit == "two-lines-voltage":
		text = "400.8"
	case b.Unit == "A" && b.Lower != "":
		text = "1.20"
	case b.Unit == "V" && b.Lower != "":
		text = "231.4"
	case b.Unit == "ohm":
		text = "0.11"
	}
	return instrument.ShowValue(measure.MustDecimal(text), s.Observe.Bounds.Unit), nil
}

// Answer is the first that there is.
func (p Person) Answer(s *method.Step) (string, error) { return s.Inspect.Answers[0], nil }

// Fact is as the job claims, and the first value of one that it claims nothing of.
func (p Person) Fact(s *method.Step) (string, error) {
	if v, ok := walk.Claimed(p.Method, s.Decide.Fact); ok {
		return v, nil
	}
	return p.Method.Fact(s.Decide.Fact).Values[0], nil
}

// Entries fills every field.
func (p Person) Entries(s *method.Step) (visit.Recorded, error) {
	r := visit.Recorded{Step: s.ID, Entries: map[string]string{}, Photographs: map[string]visit.Attachment{}}
	for _, f := range s.Record.Fields {
		switch f.Type {
		case "photograph":
			r.Photographs[f.ID] = visit.Attachment{ID: fmt.Sprintf("sha256:%064x", 1), Media: "image/jpeg", Bytes: 1}
		case "number", "reading":
			r.Entries[f.ID] = "04127.6"
		case "choice":
			r.Entries[f.ID] = f.Choices[0]
		default:
			r.Entries[f.ID] = "as found"
		}
	}
	return r, nil
}
