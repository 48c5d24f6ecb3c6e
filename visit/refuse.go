package visit

import (
	"fmt"
	"math/bits"
	"strings"

	"meterwright/instrument"
)

// refuse runs the guards and, when a row bars the attempt, says in words what
// cannot be done, what undid it, and the way on. e may be nil.
func (v *Visit) refuse(c *Control, r *reduced, e *Event) *Refusal {
	rows := v.machine.barred(c, &r.attempt)
	if len(rows) == 0 {
		return nil
	}
	f := &Refusal{Rows: rows, What: v.cannot(r), Undid: []string{}, Way: []string{}}
	for _, row := range rows {
		v.explain(f, row, c, r)
		// Nothing else matters under a stop or after the end, and the way on of another
		// row ("carry it out") would lead past it.
		if row == "no-stop-in-force" || row == "not-after-the-end" {
			break
		}
	}
	return f
}

// cannot says what cannot be done, as the first part of a refusal.
func (v *Visit) cannot(r *reduced) string {
	switch r.do {
	case doAct:
		return fmt.Sprintf("Not yet: %s.", v.machine.Method.Acts[r.act].Words)
	case doObserve, doInspect, doDecide, doRecord, doLeaveOut:
		if r.step >= 0 {
			return "Not yet: " + v.say(r.step)
		}
	case doTakeOff:
		return "Not yet: take off " + v.protectionWords(r.items) + "."
	case doPutOn:
		return "Not yet: put on " + v.protectionWords(r.items) + "."
	case doProve:
		m := instrument.Models()[r.tool]
		return fmt.Sprintf("This does not prove the %s.", m.Words)
	case doReturn:
		return "This step cannot be gone back to."
	case doResume:
		return "Work cannot go on yet."
	case doEnd:
		return "The visit is not completed."
	case doOpen:
		return "The visit is open already."
	}
	return "This cannot be done now."
}

func (f *Refusal) undid(format string, args ...any) {
	f.Undid = append(f.Undid, fmt.Sprintf(format, args...))
}

func (f *Refusal) way(format string, args ...any) {
	f.Way = append(f.Way, fmt.Sprintf(format, args...))
}

func (v *Visit) explain(f *Refusal, row string, c *Control, r *reduced) {
	m := v.machine
	switch row {
	case "opened-first":
		if !c.begun {
			f.undid("The visit has not been opened.")
			f.way("Open it with the job and its method first.")
		} else {
			f.undid("A visit is opened once.")
			f.way("Go on with the step in turn.")
		}
	case "not-after-the-end":
		if r.do == doSupplement {
			f.undid("The visit has not ended.")
			f.way("Record it as a note.")
			return
		}
		f.undid("The visit ended: %s.", strings.ReplaceAll(c.ended.String(), "-", " "))
		f.way("What comes afterwards is added as a supplement, or belongs to a new visit.")
	case "present":
		f.undid("You left the service position.")
		f.way("Say that you are back. What was proved before is proved again.")
	case "no-stop-in-force":
		f.undid("A stop is in force: %s", v.stopTitle(c.stop))
		f.way("Do what the stop says, tell somebody, and then decide whether work can go on or ends here.")
	case "in-turn":
		if int(c.pos) < len(m.steps) {
			s := &m.Method.Steps[c.pos]
			f.undid("The step in turn is %s: %s", s.ID, s.Say)
			f.way("Carry it out, or say that it was left out and why.")
		} else {
			f.undid("No step is left.")
			f.way("End the visit, or go back to an earlier step.")
		}
	case "entered-live":
		f.undid("The method has answers of this phase entered live, not afterwards.")
		f.way("Enter what you see now, at the time you see it.")
	case "checked-before-worn":
		f.undid("Not checked, or found failed: %s.", v.protectionWords(r.items&m.kit&^c.fit))
		f.way("Check it first: look, test, date. If it has failed, take another and check that.")
	case "protected":
		f.undid("Not worn: %s.", v.protectionWords(m.protectionFor(c, &r.attempt)&^c.worn))
		f.way("Put it on.")
	case "instrument-in-date":
		model := instrument.Models()[r.tool]
		if c.tools[r.tool] == toolAbsent {
			f.undid("No %s has been taken up.", model.Words)
			f.way("Take one up: its number, and its calibration date.")
		} else {
			f.undid("The %s is past its calibration date.", model.Words)
			f.way("Take up another that is in date.")
		}
	case "source-suits":
		model := instrument.Models()[r.tool]
		f.undid("That source does not suit a %s here.", model.Words)
		f.way("Prove it on one of: %s.", sourceWords(v.sourcesFor(r)))
	case "instrument-proved":
		v.explainTool(f, c, r.tool)
	case "proofs-hold":
		v.explainProofs(f, m.steps[r.step].needs&^m.held(c), c, r.elapsedMS)
	case "switches-stand":
		v.explainSwitches(f, c, r)
	case "covered":
		f.undid("Conductors are within reach.")
		v.explainProofs(f, m.baring(r.items)&^m.held(c), c, r.elapsedMS)
	case "backwards-only":
		f.undid("That step comes later, or does not belong to this visit.")
		f.way("Carry out the step in turn, or say that it was left out and why.")
	case "told-somebody":
		f.undid("Nobody has been told of the stop.")
		f.way("Ring, and record who was told and the reference.")
	case "stop-can-be-left":
		if c.stop == 0 {
			f.undid("No stop is in force.")
			f.way("Go on with the step in turn.")
		} else {
			f.undid("This stop ends the work here: %s", v.stopTitle(c.stop))
			f.way("End the visit and say in what state things are left, and who was told.")
		}
	case "everything-done":
		v.explainUnfinished(f, c)
	}
}

func (v *Visit) explainTool(f *Refusal, c *Control, tool int8) {
	model := instrument.Models()[tool]
	switch c.tools[tool] {
	case toolAbsent:
		f.undid("No %s has been taken up.", model.Words)
		f.way("Take one up, prove it, and test again.")
	case toolOutdated:
		f.undid("The %s is past its calibration date.", model.Words)
		f.way("Take up another that is in date, and prove it.")
	default:
		why := "has not been proved"
		for i := len(v.account.Brackets) - 1; i >= 0; i-- {
			if b := v.account.Brackets[i]; b.Kind == model.Kind && b.State == "void" {
				why = "is no longer proved: " + b.Why
				break
			}
		}
		f.undid("The %s %s.", model.Words, why)
		f.way("Prove the %s, or take up another and prove that.", model.Words)
	}
}

func (v *Visit) explainProofs(f *Refusal, missing uint16, c *Control, elapsedMS int64) {
	for ; missing != 0; missing &= missing - 1 {
		p := bits.TrailingZeros16(missing)
		words := v.machine.Method.Proofs[p].Words
		first, _ := v.machine.span(c, p)
		switch c.proofs[p].phase {
		case proofAwaiting:
			f.undid("Waiting for the second proving: %s.", words)
			f.way("Prove again: %s.", v.toolWords(c.proofs[p].rests))
			continue
		case proofRunning:
			f.undid("Begun and not finished: %s.", words)
		default:
			if v.control.proofs[p].phase != proofNone {
				// Time undid it just now, which the account learns with the next event.
				f.undid("No longer shown: %s. What undid it: %s.", words, lapseWords(elapsedMS))
			} else if u := v.account.lastUndone(p); u != nil {
				f.undid("No longer shown: %s. What undid it: %s.", words, u.Why)
			} else {
				f.undid("Not shown: %s.", words)
			}
		}
		if first >= 0 && first <= c.pos {
			f.way("Go back to its first test: %s", v.say(first))
			if f.Return == "" {
				f.Return = v.machine.Method.Steps[first].ID
			}
		} else {
			f.way("Go on with the step in turn.")
		}
	}
}

func (v *Visit) explainSwitches(f *Refusal, c *Control, r *reduced) {
	var mask, want uint32
	if r.step >= 0 && r.step == c.pos {
		mask, want = v.machine.steps[r.step].mask, v.machine.steps[r.step].want
	} else {
		mask, want = v.machine.acts[r.act].safeMask, v.machine.acts[r.act].safeWant
	}
	for i, w := range v.machine.Method.Switches {
		bit := uint32(1) << i
		if mask&bit == 0 || (c.switches^want)&bit == 0 {
			continue
		}
		is, should := w.Home, w.Away
		if want&bit == 0 {
			is, should = w.Away, w.Home
		}
		f.undid("%s: %s, and it should be %s.", upperFirst(w.Words), is, should)
		for j, row := range v.machine.acts {
			if row.mask&bit != 0 && (row.set^want)&bit == 0 {
				f.way("First: %s.", v.machine.Method.Acts[j].Words)
				for k := int(c.pos); k >= 0; k-- {
					if k < len(v.machine.steps) && v.machine.steps[k].act == int8(j) && f.Return == "" && k != int(c.pos) {
						f.Return = v.machine.Method.Steps[k].ID
					}
				}
				break
			}
		}
	}
}

func (v *Visit) explainUnfinished(f *Refusal, c *Control) {
	if int(c.pos) < len(v.machine.steps) {
		s := &v.machine.Method.Steps[c.pos]
		f.undid("Steps are left, the first of them %s: %s", s.ID, s.Say)
	}
	if c.stop != 0 {
		f.undid("A stop is in force: %s", v.stopTitle(c.stop))
	}
	if c.away {
		f.undid("You left the service position.")
	}
	for i, w := range v.machine.Method.Switches {
		if c.switches&v.machine.service&(1<<i) != 0 {
			f.undid("%s: %s.", upperFirst(w.Words), w.Away)
		}
	}
	f.way("Finish, or end the visit with another outcome and say in what state things are left.")
}

func (v *Visit) stopTitle(stop int8) string {
	if stop == personStop {
		return "declared by the person on site."
	}
	return v.machine.Method.Stops[stop-1].Title
}

func (v *Visit) sourcesFor(r *reduced) uint8 {
	if r.step >= 0 {
		return v.machine.steps[r.step].sources
	}
	return sourceBits(instrument.Models()[r.tool].Kind, nil)
}

func sourceWords(set uint8) string {
	var words []string
	for i, s := range instrument.SourceKinds() {
		if set&(1<<i) != 0 {
			words = append(words, strings.ReplaceAll(string(s), "-", " "))
		}
	}
	return list(words)
}

func (v *Visit) toolWords(set uint16) string {
	var words []string
	for i, m := range instrument.Models() {
		if set&(1<<i) != 0 {
			words = append(words, m.Words)
		}
	}
	return list(words)
}
