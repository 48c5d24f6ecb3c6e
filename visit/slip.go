package visit

import (
	"math/bits"
	"slices"

	"meterwright/method"
)

// A slip is the wrong button: an answer that is taken back at once by whoever gave it, on the device on which it
// was given, while nothing but advice was recorded since [P]. It was given to a step in turn with no stop in force,
// and none was taken back at that point before. Anything else is a mistake, and corrected as one.
//
// It takes away what a withdrawn answer takes, but for one thing: a run towards a proof stands where it stood
// before the answer, and is whole only with the new one. It gives nothing back: what the answer undid stays undone.
// The step is in turn again, in a sheet that row alone.
//
// A stop that the answer raised stays in force, and the bracket that it was read in is void. Nobody need be told
// to lift it: the same instrument is proved, shows what is expected at that point, and is proved again. A question, or
// a check of protection, is answered as expected. Whatever does not belong to that breaks it off (retests): another
// reading, an act, another instrument, leaving. Then the stop is one like any other.

// takable reports whether an answer can be taken back as a slip while nothing but advice follows it.
func (m *Machine) takable(was *Control, a *attempt) bool {
	switch a.do {
	case doTakeUp, doCheck, doProve, doObserve, doInspect, doDecide, doRecord:
		return was.stop == 0 && m.inTurn(was, a.step)
	}
	return false
}

// takeBack carries out a slip. What it undoes stands in the table of undoings.
func (m *Machine) takeBack(c *Control, a *attempt) {
	m.correct(c, a)
	c.retest, c.tested = a.step+1, false
	if c.stop == 0 {
		m.reopen(c, a.step)
	}
}

// answers reports whether an attempt answers the step of which an answer was taken back.
func (m *Machine) answers(c *Control, a *attempt) bool {
	return c.retest != 0 && a.step == c.retest-1 && a.do == m.steps[a.step].does
}

// retests reports whether an attempt belongs to testing a point again of which an answer was taken back, or leaves
// that alone.
func (m *Machine) retests(c *Control, a *attempt) bool {
	tool := m.steps[c.retest-1].tool
	switch a.do {
	case doNote, doReport, doPutOn:
		return true
	case doTakeUp:
		return a.tool != tool || m.answers(c, a)
	case doProve:
		return a.tool != tool || a.result == expected
	case doCheck:
		return a.result == expected
	case doDecide, doRecord:
		return m.answers(c, a)
	case doObserve, doInspect:
		return m.answers(c, a) && a.result == expected
	}
	return false
}

// retest takes what tests a point again: the answer, and under a stop the proving after it, which lifts the stop.
func (m *Machine) retest(c, was *Control, a *attempt) {
	if was.retest == 0 || c.retest == 0 {
		return
	}
	tool := m.steps[c.retest-1].tool
	switch answered := m.answers(c, a); {
	case c.stop == 0:
		if answered {
			c.retest = 0
		}
	case answered && a.do == doObserve:
		c.tested = true
	case answered, c.tested && a.do == doProve && a.tool == tool:
		m.lift(c, a)
	}
}

// lift goes on after a stop that a slip had raised: past the step, or where the run begins that the withdrawn
// answer had ended.
func (m *Machine) lift(c *Control, a *attempt) {
	step := c.retest - 1
	c.stop, c.told, c.retest, c.tested = 0, false, 0, false
	past := *a
	past.step = step
	m.advance(c, &past)
	from := c.pos
	for set := m.steps[step].supports; set != 0; set &= set - 1 {
		p := bits.TrailingZeros16(set)
		if first, _ := m.span(c, p); c.proofs[p].phase == proofNone && first >= 0 {
			from = min(from, first)
		}
	}
	if from < c.pos {
		m.reopen(c, from)
	}
}

// stepBack has the runs of a step stand where they stood before its answer.
func (m *Machine) stepBack(c *Control, step int16) {
	for set := m.steps[step].supports; set != 0; set &= set - 1 {
		p := bits.TrailingZeros16(set)
		first, _ := m.span(c, p)
		switch x := &c.proofs[p]; {
		case first == step:
			*x = proofState{}
		case x.phase > proofRunning:
			x.phase = proofRunning
		}
	}
}

// recall keeps which answer can be taken back as a slip.
func (m *Machine) recall(c, was *Control, a *attempt) {
	if a.quiet {
		return
	}
	c.slip = 0
	if m.takable(was, a) {
		c.slip = a.step + 1
	}
}

// last is what a chain knows of its last answer, beside what Control says of it.
type last struct {
	// answer is the event, by the person who gave it; both are empty where it can be no slip.
	answer, by string
	// pending is 1 + the index of the correction whose step was not answered again yet.
	pending int
	// slipped holds the points at which an answer was taken back as a slip.
	slipped []string
}

// point is what one slip is allowed at: the point that a step observes, or the step.
func point(s *method.Step) string {
	if s.Observe != nil {
		return s.Observe.At
	}
	return "step/" + s.ID
}

// recall takes last past an event that is folded.
func (to *state) recall(v *Visit, e *Event, r *reduced) {
	switch {
	case r.quiet:
	case to.control.slip != 0:
		to.answer, to.by = e.Hash, e.Person
	default:
		to.answer, to.by = "", ""
	}
	if r.slip {
		to.slipped = append(slices.Clip(to.slipped), point(&v.machine.Method.Steps[r.step]))
	}
}

// joinLast: where two devices tell of the visit, no answer is the last of it.
func joinLast(a, b *last) last {
	return last{slipped: slices.Compact(slices.Sorted(slices.Values(slices.Concat(a.slipped, b.slipped))))}
}

// Slip returns the event that a person can take back as a slip on a device now, and otherwise why there is none. The
// chain is that of the device, empty where events name none.
func (v *Visit) Slip(chain, person string) (event string, no *Refusal) {
	e := Event{Chain: chain, Person: person}
	at := v.own(&e)
	if at == nil {
		at = v.now
	}
	e.Wall, e.Mono, e.Boot = at.wall, at.mono, at.boot
	e.Body = Corrected{Event: at.answer, Reason: Slip}
	no, err := v.Check(e)
	if no != nil || err == nil {
		return at.answer, no
	}
	f := &refusing{v: v, at: at, c: &at.control, r: &reduced{}, Refusal: Refusal{Rows: []Row{RowSlipLast}, What: Reason{Code: CannotTakeBack}, Lacks: []Reason{}, Ways: []Reason{}}}
	f.explain(RowSlipLast)
	return "", &f.Refusal
}
