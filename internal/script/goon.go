package script

import (
	"encoding/json/jsontext"
	"fmt"
	"maps"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/visit"
	"meterwright/walk"
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
			return r.bad(e, "name a step that comes in this visit", "%s was not met: the step in turn is %q", r.Machine.Method.Steps[until].ID, at)
		}
		if !first {
			r.now = r.now.Add(r.Script.Pace)
		}
		bodies, err := walk.Expected(s, expecting{r, e})
		if err != nil {
			return err
		}
		for _, body := range bodies {
			accepted, err := r.do(e, body)
			if err != nil || !accepted {
				return err
			}
		}
		if r.inTurn() == at && s.TakeUp != nil {
			return nil // Something of the kit is not in date.
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
		return 0, r.bad(e, "name a step of the method: meterwright method show lists them", "there is no step %.40q in this job's method", name)
	}
	if _, at := r.Machine.Method.Step(r.inTurn()); i < at {
		return 0, r.bad(e, "name a later step", "the step %.40s is behind already", name)
	}
	return i, nil
}

// expecting is the person of a script, as go-on asks them (walk.Person): what is in the job's kit, and
// what stands under usual.
type expecting struct {
	*Runner
	entry *Entry
}

func (x expecting) lacks(s *method.Step, format string, args ...any) error {
	return x.bad(x.entry, "", "step %s: %s", s.ID, fmt.Sprintf(format, args...))
}

func (x expecting) Tool(s *method.Step, k instrument.Kind) (walk.Tool, error) {
	number := ""
	if s.Prove != nil {
		number = x.inHand(k)
	}
	t, ok := x.Job.Kit.Tool(k, number)
	if !ok {
		return walk.Tool{}, x.lacks(s, "the job's kit has no %s: add it under kit: instruments, or give the step an entry of its own", strings.TrimSpace(string(k)+" "+number))
	}
	if model, _ := instrument.Lookup(k); s.Prove != nil && model.Good[0] == instrument.Value {
		if _, err := instrument.ParseIndication(t.ProvedOn.Nominal); err != nil {
			return walk.Tool{}, x.lacks(s, "what the proving source gives is not known: give nominal under proved_on of %s", t.ID)
		}
	}
	return walk.Tool{Instrument: visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads},
		Source: visit.ProvingSource{Kind: t.ProvedOn.Kind, ID: t.ProvedOn.ID, Nominal: t.ProvedOn.Nominal}}, nil
}

func (x expecting) Item(s *method.Step) (id, due string, err error) {
	w, _ := x.Job.Kit.Wear(s.Check.Item, "")
	return w.ID, w.Due, nil
}

func (x expecting) Reading(s *method.Step) (instrument.Indication, error) {
	text, ok := x.usual(s.ID, s.Observe.Limit)
	if !ok {
		text, ok = x.everydayReading(s.Observe.Limit)
	}
	if !ok {
		return instrument.Indication{}, x.lacks(s, "go-on has no reading for it: write %s: under usual", s.Observe.Limit)
	}
	shows, err := instrument.ParseIndication(text)
	if err != nil {
		return shows, x.lacks(s, "usual: %s", err)
	}
	return shows, nil
}

func (x expecting) Answer(s *method.Step) (string, error) {
	answer, ok := x.usual(s.ID, "")
	if !ok {
		return "", x.lacks(s, "go-on has no answer for it: write %s: under usual, with one of %s", s.ID, strings.Join(s.Inspect.Answers, ", "))
	}
	return answer, nil
}

func (x expecting) Fact(s *method.Step) (string, error) {
	if v, ok := x.Script.Usual[s.Decide.Fact]; ok {
		return v, nil
	}
	if v, ok := walk.Claimed(x.Machine.Method, s.Decide.Fact); ok {
		return v, nil
	}
	return x.Machine.Method.Fact(s.Decide.Fact).Values[0], nil
}

func (x expecting) Entries(s *method.Step) (visit.Recorded, error) {
	b := visit.Recorded{Step: s.ID, Entries: map[string]string{}}
	var missing []string
	for _, f := range s.Record.Fields {
		value, ok := x.Script.Usual[f.ID]
		switch {
		case f.Type == "photograph" && (ok || x.Script.Fictional):
			if !ok {
				value = standIn
			}
			ref, err := x.photograph(value)
			if err != nil {
				return b, x.lacks(s, "photograph %s: %s", f.ID, err)
			}
			if b.Photographs == nil {
				b.Photographs = map[string]visit.Attachment{}
			}
			b.Photographs[f.ID] = ref
		case ok:
			b.Entries[f.ID] = value
		case !f.Optional:
			if value, ok = x.everydayEntry(&f); ok {
				b.Entries[f.ID] = value
				break
			}
			missing = append(missing, f.ID)
		}
	}
	if len(missing) > 0 {
		return b, x.lacks(s, "go-on has nothing to enter for %s: write them under usual", strings.Join(missing, ", "))
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
			return r.Script.doc.KeyErrorf(string(jsontext.Pointer("/usual").AppendToken(key)), "name a limit, a field, a fact, or a step that measures", "nothing in this job's method asks for %.40q", key)
		}
	}
	for _, reg := range r.Job.Registers {
		if !known[reg.Entry] {
			return fmt.Errorf("job %s: registers: this job's method has no field %.40q", r.Job.Reference, reg.Entry)
		}
	}
	return nil
}
