package visit

import (
	"fmt"
	"slices"

	"meterwright/instrument"
)

func (v *Visit) reduceCorrected(at *state, r *reduced, b Corrected, e *Event) error {
	r.do = doCorrect
	if err := b.check(); err != nil {
		return err
	}
	i, ok := v.account.byHash[b.Event]
	if !ok {
		return fmt.Errorf("there is no event %s in this visit: name the hash of the event that it corrects", short(b.Event))
	}
	was := v.account.events[i]
	r.target, r.step, r.tool, r.items = was.do, was.step, was.tool, was.items
	r.result = withdrawn
	if b.Reason == Slip {
		return v.reduceSlip(at, r, &was, b, e)
	}
	return v.reduceMistake(at, r, &was, b, e)
}

// check holds what a correction of its reason says.
func (b *Corrected) check() error {
	switch b.Reason {
	case Mistake:
		if b.Why == "" {
			return fmt.Errorf("say why it is corrected")
		}
	case Slip:
		if b.Now != "" || len(b.Entries) > 0 {
			return fmt.Errorf("a slip puts nothing in the place of what it takes back: leave now and entries out, and answer again")
		}
	default:
		return fmt.Errorf("%q is no reason of a correction: write slip, or leave it out for a mistake", clip(string(b.Reason)))
	}
	return nil
}

func (v *Visit) reduceSlip(at *state, r *reduced, was *kept, b Corrected, e *Event) error {
	if !was.body.kind().Correctable() {
		return fmt.Errorf("a %s event is no answer: record what was done since", was.body.kind())
	}
	r.slip, r.took, r.other = true, was.result, at.answer != b.Event
	r.stranger = !r.other && e.Person != at.by
	r.again = was.step >= 0 && slices.Contains(at.slipped, point(&v.machine.Method.Steps[was.step]))
	return nil
}

// reduceMistake reads what a correction puts in the place of an answer.
func (v *Visit) reduceMistake(at *state, r *reduced, was *kept, b Corrected, e *Event) error {
	switch body := was.body.(type) {
	case Observed:
		if b.Now == "" {
			return nil
		}
		shows, err := instrument.ParseIndication(b.Now)
		if err != nil {
			return err
		}
		return r.judge(&v.machine.Method.Steps[r.step], shows)
	case Inspected:
		if b.Now == "" {
			return nil
		}
		return r.judgeAnswer(&v.machine.Method.Steps[r.step], b.Now)
	case Proved:
		if b.Now == "" {
			return nil
		}
		shows, err := instrument.ParseIndication(b.Now)
		if err != nil {
			return err
		}
		r.result = unexpected
		if body.Kind.ProvedBy(shows, body.Source.Nominal) {
			r.result = expected
		}
		return nil
	case TookUp:
		day, in, err := dueBy(b.Now, at.now(e), b.Now == "")
		r.due = day
		if in {
			r.result = expected
		}
		return err
	case Checked:
		if b.Now != "" && b.Now != "sound" && b.Now != "failed" {
			return fmt.Errorf("%q does not say what was found: write sound or failed", clip(b.Now))
		}
		if b.Now == "sound" {
			r.result = expected
		}
		return nil
	case Decided:
		if b.Now == "" {
			return nil
		}
		var err error
		r.value, err = v.value(r.step, b.Now)
		return err
	case Recorded:
		return checkEntries(v.machine.Method.Steps[r.step].Record, b.Entries, nil, false)
	}
	return fmt.Errorf("a %s event is not corrected: record what was done since", was.body.kind())
}
