package visit

import "meterwright/method"

// Outcome is the way in which a visit ended.
type Outcome uint8

// The outcomes. Only Completed is ever refused.
const (
	NotEnded Outcome = iota
	// Completed: everything in the method was carried out.
	Completed
	// StoppedDanger: danger was found and reported.
	StoppedDanger
	// CannotComplete: meter work waits for somebody else.
	CannotComplete
	// NoAccess: nobody, or no way in.
	NoAccess
	// NotAgreed: consent was not given, or somebody depends on the supply.
	NotAgreed
	// Abandoned: ended at the person's decision, at any point.
	Abandoned
	// DoneOtherwise: the work is done, but something in it was passed over, or done in spite of a refusal.
	DoneOtherwise
)

var outcomeNames = [...]string{"", "completed", "stopped-danger", "cannot-complete", "no-access", "not-agreed", "abandoned", "done-otherwise"}

// Outcomes lists every outcome in a fixed order.
func Outcomes() []Outcome {
	return []Outcome{Completed, StoppedDanger, CannotComplete, NoAccess, NotAgreed, Abandoned, DoneOtherwise}
}

func (o Outcome) String() string {
	if int(o) < len(outcomeNames) {
		return outcomeNames[o]
	}
	return ""
}

// toolState is where one kind of instrument stands.
type toolState uint8

const (
	toolAbsent toolState = iota
	// toolOutdated: taken up past its calibration.
	toolOutdated
	// toolUnproved: taken up, but with no good proving since anything that asks for one.
	toolUnproved
	// toolProved: the last proving was good, so that a bracket is open.
	toolProved
)

// proofPhase is where one proof stands.
type proofPhase uint8

const (
	// proofNone: nothing of it counts.
	proofNone proofPhase = iota
	// proofRunning: every step of its run up to the position was as expected.
	proofRunning
	// proofAwaiting: the run is whole, but an instrument is still to be proved again.
	proofAwaiting
	// proofHeld: the run is whole and every bracket under it is closed and good.
	proofHeld
)

type proofState struct {
	phase proofPhase
	// rests holds the kinds of instrument whose brackets are still open under the run.
	rests uint16
	// leftMS is the time left before the proof lapses; 0 when it has no limit.
	leftMS int64
}

// personStop marks a stop that a person declared without a rule of the method.
const personStop int8 = 127

// Control is the part of a visit's state that decides what is accepted. It is
// comparable: two visits by the same method with equal Control accept exactly
// the same events for ever after. It holds no hashes, times of day or words.
type Control struct {
	begun bool
	away  bool
	told  bool
	// contested says that two devices hold the visit, each without having seen what the other did.
	contested bool
	ended     Outcome
	// pos is the step in turn: in a sheet the first row that is not answered, and done holds the rows
	// after it that are, by their places in the sheet.
	pos  int16
	done uint16
	// owed is 1 + the earliest step that belonged to the visit and was passed over, or 0. It is before pos,
	// or among done.
	owed int16
	// again is 1 + the step whose reading is asked for once more before it counts, or 0.
	again int16
	// slip is 1 + the step whose answer can be taken back as a slip, or 0: nothing but advice came after it.
	slip int16
	// retest is 1 + the step whose answer was taken back and that was not yet tested again, or 0. With a stop in
	// force it is the one that the answer had raised; tested says that only the proving after it is lacking.
	retest int16
	tested bool
	// stop is 1 + the index of the stop in force, personStop, or 0.
	stop     int8
	worn     uint8
	fit      uint8
	switches uint32
	tools    [10]toolState
	facts    [method.MaxFacts]uint8
	proofs   [method.MaxProofs]proofState
	// fitMS is the time for which the check of a piece of protection still counts.
	fitMS [method.MaxProtection]int32
}

// applies reports whether step i belongs to the visit as far as facts are known, and is not an act of
// which nothing is left to do.
func (m *Machine) applies(c *Control, i int) bool {
	for _, w := range m.steps[i].when {
		if w.values&(1<<c.facts[w.fact]) == 0 {
			return false
		}
	}
	return !m.standsSo(c, i)
}

// standsSo reports whether step i is an act of which nothing is left to do.
func (m *Machine) standsSo(c *Control, i int) bool {
	k := m.steps[i].act
	return k >= 0 && m.acts[k].standsSo(c)
}

// standsSo reports whether the act would change nothing: every switch that it sets stands so.
func (a *actRow) standsSo(c *Control) bool { return a.mask != 0 && c.switches&a.mask == a.set }

// held returns the bit set of proofs that hold.
func (m *Machine) held(c *Control) uint16 {
	var set uint16
	for i := range m.proofs {
		if c.proofs[i].phase == proofHeld {
			set |= 1 << i
		}
	}
	return set
}

// span returns the first and last step of the proof's run that apply, or -1, -1.
func (m *Machine) span(c *Control, proof int) (first, last int16) {
	first, last = -1, -1
	for _, i := range m.proofs[proof].supports {
		if !m.applies(c, int(i)) {
			continue
		}
		if first < 0 {
			first = i
		}
		last = i
	}
	return first, last
}
