package script

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// goOn answers every step up to the one named, as the method expects it. It ends early where
// something is refused, as a person would: the next entry says what they do about it.
func (r *Runner) goOn(e *Entry) error {
	until, err := r.until(e)
	if err != nil {
		return err
	}
	for first := true; ; first = false {
		at := r.inTurn()
		if at == "" && until == len(r.Machine.Method.Steps) || r.visit.Stop() != "" && !first {
			return nil
		}
		s, i := r.Machine.Method.Step(at)
		if i == until {
			return nil
		}
		if s == nil || i > until {
			return r.bad(e, "name a step that comes in this visit", "%s was not met: the step in turn is %q", clip(r.Machine.Method.Steps[until].ID), at)
		}
		if !first {
			r.now = r.now.Add(r.Script.Pace)
		}
		body, err := r.expected(e, s)
		if err != nil {
			return err
		}
		accepted, err := r.do(e, body)
		if err != nil || !accepted {
			return err
		}
		if r.inTurn() == at && r.visit.Stop() == "" {
			return r.bad(e, "give that step an entry of its own", "the step %s is still in turn: what was shown does not settle it", at)
		}
	}
}

// until returns the index of the step at which a go-on ends.
func (r *Runner) until(e *Entry) (int, error) {
	steps := r.Machine.Method.Steps
	if e.body == nil {
		return len(steps), nil
	}
	name, ok := e.short()
	if !ok {
		return 0, r.bad(e, "write go-on: STEP, or go-on alone", "this names no step")
	}
	_, i := r.Machine.Method.Step(r.written(name))
	if i < 0 {
		return 0, r.bad(e, "name a step of the method: meterwright method show lists them", "there is no step %q in this job's method", clip(name))
	}
	if _, at := r.Machine.Method.Step(r.inTurn()); i < at {
		return 0, r.bad(e, "name a later step", "the step %s is behind already", clip(name))
	}
	return i, nil
}

// expected returns the answer that the method expects at a step.
func (r *Runner) expected(e *Entry, s *method.Step) (visit.Body, error) {
	lacks := func(format string, args ...any) (visit.Body, error) {
		return nil, r.bad(e, "", "step %s: %s", s.ID, fmt.Sprintf(format, args...))
	}
	switch {
	case s.TakeUp != nil:
		t, ok := r.Job.Kit.Tool(instrument.Kind(s.TakeUp.With), "")
		if !ok {
			return lacks("the job's kit has no %s: add it under kit: instruments", s.TakeUp.With)
		}
		return visit.TookUp{Instrument: visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads}}, nil
	case s.Check != nil:
		w, _ := r.Job.Kit.Wear(s.Check.Item, "")
		return visit.Checked{Item: s.Check.Item, ID: w.ID, Due: w.Due, Found: "sound"}, nil
	case len(s.PutOn) > 0:
		return visit.PutOn{Items: s.PutOn}, nil
	case len(s.TakeOff) > 0:
		return visit.TookOff{Items: s.TakeOff}, nil
	case s.Prove != nil:
		return r.proving(e, s)
	case s.Observe != nil:
		shows := instrument.Show(instrument.Shows(s.Observe.Expect))
		if s.Observe.Limit != "" {
			text, ok := r.usual(s.ID, s.Observe.Limit)
			if !ok {
				return lacks("go-on has no reading for it: write %s: under usual", s.Observe.Limit)
			}
			var err error
			if shows, err = instrument.ParseIndication(text); err != nil {
				return lacks("usual: %s", err)
			}
		}
		return visit.Observed{Step: s.ID, Shows: shows}, nil
	case s.Inspect != nil:
		answer := s.Inspect.Expect
		if answer == "" {
			var ok bool
			if answer, ok = r.usual(s.ID, ""); !ok {
				return lacks("go-on has no answer for it: write %s: under usual, with one of %s", s.ID, strings.Join(s.Inspect.Answers, ", "))
			}
		}
		return visit.Inspected{Step: s.ID, Answer: answer}, nil
	case s.Decide != nil:
		value, ok := r.claimed(s.Decide.Fact)
		if !ok {
			return lacks("go-on has no value for it: write %s: under usual", s.Decide.Fact)
		}
		return visit.Decided{Step: s.ID, Value: value}, nil
	case s.Record != nil:
		return r.fields(e, s)
	}
	return visit.Acted{Step: s.ID, Act: site.ActID(s.Act)}, nil
}

func (r *Runner) proving(e *Entry, s *method.Step) (visit.Body, error) {
	kind := instrument.Kind(s.Prove.With)
	t, ok := r.Job.Kit.Tool(kind, r.inHand(kind))
	if !ok {
		return nil, r.bad(e, "add it under kit: instruments, or give the proving an entry of its own", "step %s: the job's kit has no %s %s", s.ID, s.Prove.With, r.inHand(kind))
	}
	model, _ := instrument.Lookup(kind)
	shows := instrument.Show(model.Good[0])
	if model.Good[0] == instrument.Value {
		var err error
		if shows, err = instrument.ParseIndication(t.ProvedOn.Nominal); err != nil {
			return nil, r.bad(e, "give nominal under proved_on of "+t.ID, "step %s: what the proving source gives is not known", s.ID)
		}
	}
	return visit.Proved{Kind: kind, ID: t.ID, Source: visit.ProvingSource{Kind: t.ProvedOn.Kind, ID: t.ProvedOn.ID, Nominal: t.ProvedOn.Nominal}, Shows: shows}, nil
}

func (r *Runner) fields(e *Entry, s *method.Step) (visit.Body, error) {
	b := visit.Recorded{Step: s.ID, Entries: map[string]string{}}
	var missing []string
	for _, f := range s.Record.Fields {
		value, ok := r.Script.Usual[f.ID]
		switch {
		case f.Type == "photograph" && (ok || r.Script.Fictional):
			if !ok {
				value = standIn
			}
			ref, err := r.photograph(value)
			if err != nil {
				return nil, r.bad(e, "", "step %s: photograph %s: %s", s.ID, f.ID, err)
			}
			if b.Photographs == nil {
				b.Photographs = map[string]visit.Attachment{}
			}
			b.Photographs[f.ID] = ref
		case ok:
			b.Entries[f.ID] = value
		case !f.Optional:
			missing = append(missing, f.ID)
		}
	}
	if len(missing) > 0 {
		return nil, r.bad(e, "write them under usual", "step %s: go-on has nothing to enter for %s", s.ID, strings.Join(missing, ", "))
	}
	return b, nil
}

// usual returns the everyday value for a step, or failing that for its limit.
func (r *Runner) usual(step, limit string) (string, bool) {
	written, _, _ := strings.Cut(step, "/")
	for _, key := range []string{step, written, limit} {
		if v, ok := r.Script.Usual[key]; ok && key != "" {
			return v, true
		}
	}
	return "", false
}

// claimed returns the value of a fact: the usual one, or the one that the job claims.
func (r *Runner) claimed(fact string) (string, bool) {
	if v, ok := r.Script.Usual[fact]; ok {
		return v, true
	}
	f := r.Machine.Method.Fact(fact)
	if f == nil {
		return "", false
	}
	switch claims := r.Machine.Method.Claims; f.Role {
	case method.ArrangementFact:
		return string(claims.Arrangement), true
	case method.ReferenceFact:
		if claims.Reference {
			return "yes", true
		}
		return "no", true
	}
	return "", false
}

// checkUsual refuses everyday values that nothing in this job's method asks for.
func (r *Runner) checkUsual() error {
	known := map[string]bool{}
	for _, f := range r.Machine.Method.Facts {
		known[f.ID] = true
	}
	for i := range r.Machine.Method.Steps {
		s := &r.Machine.Method.Steps[i]
		if s.Observe != nil && s.Observe.Limit != "" || s.Inspect != nil && s.Inspect.Expect == "" {
			written, _, _ := strings.Cut(s.ID, "/")
			known[s.ID], known[written] = true, true
		}
		if s.Observe != nil {
			known[s.Observe.Limit] = true
		}
		if s.Record != nil {
			for _, f := range s.Record.Fields {
				known[f.ID] = true
			}
		}
	}
	for _, key := range slices.Sorted(maps.Keys(r.Script.Usual)) {
		if !known[key] {
			return r.Script.doc.KeyErrorf("/usual/"+escape(key), "name a limit, a field, a fact, or a step that measures", "nothing in this job's method asks for %q", clip(key))
		}
	}
	for _, reg := range r.Job.Registers {
		if !known[reg.Entry] {
			return fmt.Errorf("job %s: registers: this job's method has no field %q", r.Job.Reference, clip(reg.Entry))
		}
	}
	return nil
}
