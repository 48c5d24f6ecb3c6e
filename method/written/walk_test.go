package written_test

import (
	"slices"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// TestEveryShippedMethodCanBeCarriedOut follows each method step by step with
// every answer as expected. No step may be refused, no proof may be left over
// that nothing asked for, and the visit must end as completed.
func TestEveryShippedMethodCanBeCarriedOut(t *testing.T) {
	s, l := library(t), limits(t)
	n := 0
	for _, d := range s.Methods {
		sets := overlaysOf(s, d.ID)
		all := jobs(d)
		for i, j := range all {
			if i%5 != 0 { // each claim changes many times among these
				continue
			}
			set := sets[i%len(sets)]
			r, err := method.Resolve(d, set, j, l)
			if err != nil {
				t.Fatal(err)
			}
			for _, reference := range []string{"yes", "no"} {
				carryOut(t, r, j, reference)
				n++
			}
		}
	}
	if n < 50 {
		t.Errorf("only %d visits were carried out", n)
	}
}

func carryOut(t *testing.T, r *method.Resolved, j method.Job, reference string) {
	t.Helper()
	m, err := visit.New(r)
	if err != nil {
		t.Fatal(err)
	}
	v := visit.Begin(m)
	// A fixed, made-up day; six seconds for each step.
	wall, mono := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), int64(0)
	do := func(what string, b visit.Body) {
		t.Helper()
		wall, mono = wall.Add(6*time.Second), mono+6000
		refusal, err := v.Apply(visit.Event{Wall: wall, Mono: mono, Boot: "boot", Body: b})
		if err != nil {
			t.Fatalf("%s, %+v, step %s: %v", r.Method, j, what, err)
		}
		if refusal != nil {
			t.Fatalf("%s, %+v, step %s: %v", r.Method, j, what, refusal)
		}
	}
	do("opening", visit.Opened{Job: "made up", MethodHash: m.Hash})
	for range len(r.Steps) + 1 {
		next := v.Next()
		if next.Stop != "" {
			t.Fatalf("%s, %+v: stopped by %s", r.Method, j, next.Stop)
		}
		if next.Step == "" {
			break
		}
		step, _ := r.Step(next.Step)
		if step.TakeUp == nil {
			do(step.ID, answer(t, step, j, reference))
			continue
		}
		for _, k := range slices.Concat(step.TakeUp.Also, step.TakeUp.Kinds()) {
			do(step.ID, visit.TookUp{Instrument: visit.Instrument{Kind: instrument.Kind(k), ID: k, Due: "2026-12-31"}})
		}
	}
	do("the end", visit.Ended{Outcome: "completed"})
	held := v.Held()
	if len(held) == 0 {
		t.Errorf("%s: nothing holds at the end", r.Method)
	}
}

// answer carries out the step as expected.
func answer(t *testing.T, s *method.Step, j method.Job, reference string) visit.Body {
	t.Helper()
	value := func(text, unit string) instrument.Indication {
		i, err := instrument.ParseIndication(text + " " + unit)
		if err != nil {
			t.Fatal(err)
		}
		return i
	}
	switch {
	case s.Check != nil:
		return visit.Checked{Item: s.Check.Item, Found: "sound", Due: "2027-01-31"}
	case s.PutOn != nil:
		return visit.PutOn{Items: s.PutOn}
	case s.TakeOff != nil:
		return visit.TookOff{Items: s.TakeOff}
	case s.Prove != nil:
		model, _ := instrument.Lookup(instrument.Kind(s.Prove.With))
		shows := instrument.Show(model.Good[0])
		if model.Good[0] == instrument.Value {
			shows = value("230", model.Unit)
		}
		return visit.Proved{Kind: model.Kind, ID: s.Prove.With, Source: visit.ProvingSource{Kind: instrument.SourceKind(s.Prove.On[0])}, Shows: shows}
	case s.Observe != nil:
		if s.Observe.Expect != "" {
			return visit.Observed{Step: s.ID, Shows: instrument.Show(instrument.Shows(s.Observe.Expect))}
		}
		// A value well inside its limit: voltages that are near the middle of the
		// band, everything else near nought.
		text := "0.02"
		if s.Observe.Bounds.Lower != "" {
			text = map[string]string{"declared-voltage": "234.0", "two-lines-voltage": "405.3", "secondary-current": "1.20"}[s.Observe.Limit]
		}
		return visit.Observed{Step: s.ID, Shows: value(text, s.Observe.Bounds.Unit)}
	case s.Inspect != nil:
		a := s.Inspect.Expect
		if a == "" {
			a = s.Inspect.Answers[0]
		}
		return visit.Inspected{Step: s.ID, Answer: a}
	case s.Decide != nil:
		a := reference
		if s.Decide.Fact == "arrangement" {
			a = string(j.Site.Arrangement)
		}
		return visit.Decided{Step: s.ID, Value: a}
	case s.Record != nil:
		entries, photographs := map[string]string{}, map[string]visit.Attachment{}
		for _, f := range s.Record.Fields {
			switch f.Type {
			case "photograph":
				photographs[f.ID] = visit.Attachment{ID: "made up", Media: "image/jpeg"}
			case "choice":
				entries[f.ID] = f.Choices[0]
			case "number", "reading":
				entries[f.ID] = "1234"
			default:
				entries[f.ID] = "made up"
			}
		}
		return visit.Recorded{Step: s.ID, Entries: entries, Photographs: photographs}
	}
	return visit.Acted{Step: s.ID, Act: site.ActID(s.Act)}
}
