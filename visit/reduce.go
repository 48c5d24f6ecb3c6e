package visit

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
)

// reduced is an event made ready for the guards: the attempt, and what the
// engine made of a reading.
type reduced struct {
	attempt
	judged Judged
	// lacks says what is missing for it, where it is done in spite of a refusal.
	lacks []Reason
	// due is the day on which an instrument or protection falls due, zero for none.
	due time.Time
}

// reduce turns an event into an attempt. An error means that the event makes no
// sense in this visit, and says how to mend it; it is not a refusal.
func (v *Visit) reduce(at *state, e *Event) (reduced, error) {
	r := reduced{attempt: attempt{step: -1, act: -1, tool: -1, passed: at.passedBy(e)}}
	r.foreign = e.Chain != "" && at.holder != "" && (e.Chain != at.holder || at.released)
	r.outside = e.Chain != "" && at.event != "" && v.own(e) == nil
	r.behind = at.joined
	err := checkTexts(e.Body)
	if err != nil {
		return reduced{}, kindError(e.Body, err)
	}
	switch b := e.Body.(type) {
	case Opened:
		r.do = doOpen
		if b.MethodHash != v.machine.Hash {
			err = fmt.Errorf("the visit names the method %s and was given %s: give it the method that it names", short(b.MethodHash), short(v.machine.Hash))
		}
	case Supplement:
		r.do = doSupplement
		err = checkNote(b)
	case Method, Noted, Refused, Photograph, Dependant, Defect:
		r.do = doNote
		err = checkNote(b)
	case Advised:
		r.do = doNote
		r.quiet = true
		err = v.checkAdvised(b)
	case Answered:
		r.do = doNote
		r.quiet = true
		err = v.checkAnswered(b)
	case TookUp:
		err = v.reduceTookUp(at, &r, b, e)
	case Checked:
		err = v.reduceChecked(at, &r, b, e)
	case PutOn:
		r.do = doPutOn
		r.items, err = v.items(b.Items)
		r.step = at.inTurn(v.machine, doPutOn, func(s *step) bool { return s.items&^(at.control.worn|r.items) == 0 })
		at.entry(e, &r, b.Entry, &err)
	case TookOff:
		r.do, r.inSpite = doTakeOff, b.InSpite
		r.items, err = v.items(b.Items)
		r.step = at.inTurn(v.machine, doTakeOff, func(s *step) bool { return s.items&at.control.worn&^r.items == 0 })
		at.entry(e, &r, b.Entry, &err)
	case Proved:
		err = v.reduceProved(at, &r, b, e)
	case Observed:
		err = v.reduceObserved(at, &r, b, e)
	case Inspected:
		r.do = doInspect
		if err = v.step(&r, b.Step, doInspect); err == nil {
			err = r.judgeAnswer(&v.machine.Method.Steps[r.step], b.Answer)
		}
		at.entry(e, &r, b.Entry, &err)
	case Decided:
		r.do = doDecide
		if err = v.step(&r, b.Step, doDecide); err == nil {
			r.value, err = v.value(r.step, b.Value)
		}
		at.entry(e, &r, b.Entry, &err)
	case Recorded:
		r.do = doRecord
		if err = v.step(&r, b.Step, doRecord); err == nil {
			err = checkEntries(v.machine.Method.Steps[r.step].Record, b.Entries, b.Photographs, true)
		}
		at.entry(e, &r, b.Entry, &err)
	case Acted:
		err = v.reduceActed(at, &r, b, e)
	case LeftOut:
		r.do = doLeaveOut
		if err = v.step(&r, b.Step, 0); err == nil {
			r.owes = !v.machine.Method.Steps[r.step].MayLeave(b.How)
		}
		if err == nil && !slices.Contains(method.Omissions(), b.How) {
			err = fmt.Errorf("%q does not say how the step was left out: write not-tested, could-not or not-applicable", clip(string(b.How)))
		}
		if err == nil && b.Why == "" {
			err = fmt.Errorf("say why it is left out")
		}
		at.entry(e, &r, b.Entry, &err)
	case Returned:
		r.do = doReturn
		err = v.step(&r, b.Step, 0)
	case WentAway:
		r.do = doGoAway
	case CameBack:
		r.do = doComeBack
	case Corrected:
		err = v.reduceCorrected(at, &r, b, e)
	case Stopped:
		r.do = doStop
		if b.Stop != "" {
			i := slices.IndexFunc(v.machine.Method.Stops, func(s method.Stop) bool { return s.ID == b.Stop })
			if i < 0 {
				err = fmt.Errorf("the method has no stop %q: say in why what was found", clip(b.Stop))
			}
			r.stop = int8(i + 1)
		}
	case Reported:
		r.do = doReport
		if !slices.Contains(Tellable(), b.To) {
			err = fmt.Errorf("%q is nobody to be told: write %s", clip(string(b.To)), names(Tellable()))
		} else if b.To == SomebodyElse && b.Whom == "" {
			err = fmt.Errorf("say in whom who was told")
		}
	case Resumed:
		r.do = doResume
		if b.Why == "" {
			err = fmt.Errorf("say why work can go on, and who decided")
		}
	case TakenOver:
		r.do = doTakeOver
		if at.control.contested && b.Why == "" {
			err = fmt.Errorf("two devices hold this visit: say in why the other one's work ends")
		}
	case HandedOver:
		r.do = doHandOver
	case Ended:
		r.do = doEnd
		i := slices.Index(outcomeNames[1:], b.Outcome)
		if i < 0 {
			err = fmt.Errorf("%q is no outcome: write %s", clip(b.Outcome), names(outcomeNames[1:]))
		}
		r.outcome = Outcome(i + 1)
		if err == nil && r.outcome != Completed && b.Left == "" {
			err = fmt.Errorf("say in what state things are left")
		}
	default:
		err = fmt.Errorf("an event without a body")
	}
	if err != nil {
		return reduced{}, kindError(e.Body, err)
	}
	return r, nil
}

func kindError(b Body, err error) error {
	if b == nil {
		return fmt.Errorf("event: %w", err)
	}
	return fmt.Errorf("%s: %w", b.kind(), err)
}

func (v *Visit) reduceTookUp(at *state, r *reduced, b TookUp, e *Event) error {
	r.do = doTakeUp
	model, ok := instrument.Lookup(b.Instrument.Kind)
	if !ok {
		return fmt.Errorf("%q is no kind of instrument", clip(string(b.Instrument.Kind)))
	}
	if b.Instrument.ID == "" {
		return fmt.Errorf("the %s has no number: give the number on its label", model.Words)
	}
	r.tool = int8(instrument.Index(model.Kind))
	day, in, err := dueBy(b.Instrument.Due, at.now(e), model.Calibrated)
	if err != nil {
		return err
	}
	r.due = day
	r.result = unexpected
	if in {
		r.result = expected
	}
	r.judged.Found = r.result.found()
	r.step = at.inTurn(v.machine, doTakeUp, func(s *step) bool { return (s.kit|s.also)&(1<<r.tool) != 0 || s.kit == 0 && s.tool == r.tool })
	at.entry(e, r, b.Entry, &err)
	return err
}

func (v *Visit) reduceChecked(at *state, r *reduced, b Checked, e *Event) error {
	r.do = doCheck
	var err error
	if r.items, err = v.items([]string{b.Item}); err != nil {
		return err
	}
	if b.Found != "sound" && b.Found != "failed" {
		return fmt.Errorf("%q does not say what was found: write sound or failed", clip(b.Found))
	}
	dated := slices.ContainsFunc(v.machine.Method.Protection, func(p method.Protection) bool { return p.ID == b.Item && p.Dated })
	if dated && b.Found == "sound" && b.Due == "" {
		return fmt.Errorf("%s: no test_due is given: give the day on which its test falls due, as it stands on it, or write found: failed", b.Item)
	}
	day, in, err := dueBy(b.Due, at.now(e), false)
	if err != nil {
		return err
	}
	r.due = day
	r.result = unexpected
	if in && b.Found == "sound" {
		r.result = expected
	}
	r.judged.Found = r.result.found()
	r.step = at.inTurn(v.machine, doCheck, func(s *step) bool { return s.items == r.items })
	if r.step < 0 && r.result == unexpected {
		// A check that fails out of turn has the consequence of the step that asks for it.
		for i, s := range v.machine.steps {
			if s.does == doCheck && s.items == r.items {
				r.step = int16(i)
			}
		}
	}
	at.entry(e, r, b.Entry, &err)
	return err
}

func (v *Visit) reduceProved(at *state, r *reduced, b Proved, e *Event) error {
	r.do = doProve
	model, ok := instrument.Lookup(b.Kind)
	if !ok {
		return fmt.Errorf("%q is no kind of instrument", clip(string(b.Kind)))
	}
	if err := model.Allows(b.Shows.Shows()); err != nil {
		return err
	}
	src := slices.Index(instrument.SourceKinds(), b.Source.Kind)
	if src < 0 {
		return fmt.Errorf("%q is no kind of proving source", clip(string(b.Source.Kind)))
	}
	r.tool = int8(instrument.Index(b.Kind))
	if id := at.toolID[r.tool]; id != "" && b.ID != id {
		return fmt.Errorf("the %s %s is proved, and %s was taken up: take up %s first", model.Words, b.ID, id, b.ID)
	}
	r.result = unexpected
	if b.Kind.ProvedBy(b.Shows, b.Source.Nominal) {
		r.result = expected
	}
	r.judged.Found = r.result.found()
	r.step = at.inTurn(v.machine, doProve, func(s *step) bool { return s.tool == r.tool })
	allowed := sourceBits(b.Kind, nil)
	if r.step >= 0 {
		allowed = v.machine.steps[r.step].sources
	}
	r.source = allowed & (1 << src)
	var err error
	at.entry(e, r, b.Entry, &err)
	return err
}

func (v *Visit) reduceObserved(at *state, r *reduced, b Observed, e *Event) error {
	r.do = doObserve
	if err := v.step(r, b.Step, doObserve); err != nil {
		return err
	}
	if b.Shows.IsZero() {
		return fmt.Errorf("step %s: nothing was read: give what the instrument shows", b.Step)
	}
	r.tool = v.machine.steps[r.step].tool
	var err error
	if err := r.judge(&v.machine.Method.Steps[r.step], b.Shows); err != nil {
		return fmt.Errorf("step %s: %w", b.Step, err)
	}
	at.entry(e, r, b.Entry, &err)
	return err
}

func (v *Visit) reduceActed(at *state, r *reduced, b Acted, e *Event) error {
	r.do, r.inSpite = doAct, b.InSpite
	acts := v.machine.Method.Acts
	i := slices.IndexFunc(acts, func(a site.Act) bool { return a.ID == b.Act })
	if i < 0 {
		return fmt.Errorf("%q is no act at this service position", clip(string(b.Act)))
	}
	r.act = int8(i)
	if b.Step != "" {
		if err := v.step(r, b.Step, doAct); err != nil {
			return err
		}
		if v.machine.steps[r.step].act != r.act {
			return fmt.Errorf("step %s is not the act %s", b.Step, b.Act)
		}
	} else {
		r.step = at.inTurn(v.machine, doAct, func(s *step) bool { return s.act == r.act })
	}
	if b.InSpite && b.Why == "" {
		return fmt.Errorf("an act done in spite of a refusal needs the reason in why")
	}
	var err error
	at.entry(e, r, b.Entry, &err)
	return err
}

func (r *reduced) judgeAnswer(s *method.Step, answer string) error {
	q := s.Inspect
	if !slices.Contains(q.Answers, answer) {
		return fmt.Errorf("%q is none of the answers %s", clip(answer), strings.Join(q.Answers, ", "))
	}
	r.result = expected
	if q.Expect != "" && answer != q.Expect {
		r.result = unexpected
	}
	r.judged.Found = r.result.found()
	return r.weigh(s, func(o *method.Otherwise) (bool, error) {
		return len(o.Answers) == 0 || slices.Contains(o.Answers, answer), nil
	})
}

// step looks up a step by id and checks that it does what the event says.
func (v *Visit) step(r *reduced, id string, does doing) error {
	_, i := v.machine.Method.Step(id)
	if i < 0 {
		return fmt.Errorf("the method has no step %q", clip(id))
	}
	if does != 0 && v.machine.steps[i].does != does {
		return fmt.Errorf("step %s is one to %s, not to %s", id, v.machine.steps[i].does, does)
	}
	r.step = int16(i)
	return nil
}

// inTurn returns the first step in turn that does that and fits, or -1.
func (at *state) inTurn(m *Machine, does doing, fits func(*step) bool) int16 {
	for i := range m.open(&at.control) {
		if s := &m.steps[i]; s.does == does && fits(s) {
			return i
		}
	}
	return -1
}

func (v *Visit) value(step int16, value string) (uint8, error) {
	f := v.machine.Method.Facts[v.machine.steps[step].fact]
	i := slices.Index(f.Values, value)
	if i < 0 {
		return 0, fmt.Errorf("%q is no value of %s: write %s", clip(value), f.ID, strings.Join(f.Values, ", "))
	}
	return uint8(i + 1), nil
}

func (v *Visit) items(ids []string) (uint8, error) {
	var m uint8
	for _, id := range ids {
		i := slices.IndexFunc(v.machine.Method.Protection, func(p method.Protection) bool { return p.ID == id })
		if i < 0 {
			return 0, fmt.Errorf("%q is no protection of this method", clip(id))
		}
		m |= 1 << i
	}
	if m == 0 {
		return 0, fmt.Errorf("no protection is named")
	}
	return m, nil
}

func (at *state) entry(e *Event, r *reduced, entry Entry, err *error) {
	if *err == nil {
		r.after, *err = at.checkEntry(e, r, entry)
	}
}

func checkNote(b Body) error {
	var words, name string
	switch b := b.(type) {
	case Noted:
		words, name = b.Words, "words"
	case Supplement:
		words, name = b.Words, "words"
	case Defect:
		words, name = b.Words, "words"
		if b.Asset == "" {
			return fmt.Errorf("name the part that is wrong")
		}
		if (b.Scheme == "") != (b.Category == "") {
			return fmt.Errorf("a category means nothing without its scheme: give both or neither")
		}
		if !slices.Contains(method.Owners(), b.Owner) {
			return fmt.Errorf("%q is no owner of a defect: write %s", clip(string(b.Owner)), names(method.Owners()))
		}
	case Photograph:
		words, name = b.Of, "of"
	case Dependant:
		words, name = b.Words, "words"
	default:
		return nil
	}
	if strings.TrimSpace(words) == "" {
		return fmt.Errorf("%s is empty: say what it is", name)
	}
	return nil
}

func names[S ~string](list []S) string {
	text := ""
	for i, s := range list {
		if i > 0 {
			text += ", "
		}
		text += string(s)
	}
	return text
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return hash
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
