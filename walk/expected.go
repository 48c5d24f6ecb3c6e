package walk

import (
	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// Tool is an instrument that a person carries, with the source that it is proved on.
type Tool struct {
	visit.Instrument
	Source visit.ProvingSource
}

// Person fills in what a method leaves to the person on site. An error says what that person has not,
// and ends the question.
type Person interface {
	// Tool is the instrument taken up or proved at a step.
	Tool(s *method.Step, k instrument.Kind) (Tool, error)
	// Item is the piece of protection that a step checks: its number and its date.
	Item(s *method.Step) (id, due string, err error)
	// Reading is a number that keeps the limit of a step.
	Reading(s *method.Step) (instrument.Indication, error)
	// Answer is one of the answers of a step that expects none of them.
	Answer(s *method.Step) (string, error)
	// Fact is the value of the fact that a step decides.
	Fact(s *method.Step) (string, error)
	// Entries is everything that a step has recorded.
	Entries(s *method.Step) (visit.Recorded, error)
}

// Expected is what a person enters at a step when everything is as the method expects it: one event, and
// of a kit one for each instrument.
func Expected(s *method.Step, p Person) ([]visit.Body, error) {
	if s.TakeUp == nil {
		b, err := expected(s, p)
		return []visit.Body{b}, err
	}
	var list []visit.Body
	for _, k := range s.TakeUp.Kinds() {
		t, err := p.Tool(s, instrument.Kind(k))
		if err != nil {
			return nil, err
		}
		list = append(list, visit.TookUp{Instrument: t.Instrument})
	}
	for _, k := range s.TakeUp.Also {
		if t, err := p.Tool(s, instrument.Kind(k)); err == nil {
			list = append([]visit.Body{visit.TookUp{Instrument: t.Instrument}}, list...)
		}
	}
	return list, nil
}

func expected(s *method.Step, p Person) (visit.Body, error) {
	switch {
	case s.Check != nil:
		id, due, err := p.Item(s)
		return visit.Checked{Item: s.Check.Item, ID: id, Due: due, Found: "sound"}, err
	case len(s.PutOn) > 0:
		return visit.PutOn{Items: s.PutOn}, nil
	case len(s.TakeOff) > 0:
		return visit.TookOff{Items: s.TakeOff}, nil
	case s.Prove != nil:
		return proving(s, p)
	case s.Observe != nil:
		if s.Observe.Limit == "" {
			return visit.Observed{Step: s.ID, Shows: instrument.Show(instrument.Shows(s.Observe.Expect))}, nil
		}
		shows, err := p.Reading(s)
		return visit.Observed{Step: s.ID, Shows: shows}, err
	case s.Inspect != nil:
		answer := s.Inspect.Expect
		var err error
		if answer == "" {
			answer, err = p.Answer(s)
		}
		return visit.Inspected{Step: s.ID, Answer: answer}, err
	case s.Decide != nil:
		value, err := p.Fact(s)
		return visit.Decided{Step: s.ID, Value: value}, err
	case s.Record != nil:
		return p.Entries(s)
	}
	return visit.Acted{Step: s.ID, Act: site.ActID(s.Act)}, nil
}

// proving is a good proving: what a sound instrument shows on the source, or the number that the source
// itself says it gives.
func proving(s *method.Step, p Person) (visit.Body, error) {
	k := instrument.Kind(s.Prove.With)
	t, err := p.Tool(s, k)
	if err != nil {
		return nil, err
	}
	shows := instrument.New(k, instrument.Sound).Prove(t.Source.Kind)
	if shows.Shows() == instrument.Value && t.Source.Nominal != "" {
		if shows, err = instrument.ParseIndication(t.Source.Nominal); err != nil {
			return nil, err
		}
	}
	return visit.Proved{Kind: k, ID: t.ID, Source: t.Source, Shows: shows}, nil
}
