package visit

// Row names a row of the guard table.
type Row string

// The rows, in the table's order.
const (
	RowOpenedFirst       Row = "opened-first"
	RowNotAfterTheEnd    Row = "not-after-the-end"
	RowOneHolder         Row = "one-holder"
	RowInHand            Row = "in-hand"
	RowPresent           Row = "present"
	RowNoStopInForce     Row = "no-stop-in-force"
	RowInTurn            Row = "in-turn"
	RowEnteredLive       Row = "entered-live"
	RowCheckedBeforeWorn Row = "checked-before-worn"
	RowProtected         Row = "protected"
	RowInstrumentInDate  Row = "instrument-in-date"
	RowSourceSuits       Row = "source-suits"
	RowInstrumentProved  Row = "instrument-proved"
	RowProofsHold        Row = "proofs-hold"
	RowSwitchesStand     Row = "switches-stand"
	RowCovered           Row = "covered"
	RowBackwardsOnly     Row = "backwards-only"
	RowToldSomebody      Row = "told-somebody"
	RowStopCanBeLeft     Row = "stop-can-be-left"
	RowEverythingDone    Row = "everything-done"
	RowSlipLast          Row = "slip-of-the-last-answer"
	RowSlipOwn           Row = "slip-of-ones-own"
	RowSlipOnce          Row = "one-slip-at-a-point"
)

// guard is one row of the table that decides what is accepted. A row reads
// Control and the attempt and nothing else.
type guard struct {
	id Row
	// bars reports whether the row refuses the attempt.
	bars func(m *Machine, c *Control, a *attempt) bool
}

// guardTable is every reason for which an event is refused. An attempt is
// accepted when no row bars it. Stopping, reporting, notes, corrections of mistakes and
// every end but "completed" pass all rows from the opening on; so does a
// warning: an answer that says that something is not as expected.
var guardTable = []guard{
	{RowOpenedFirst, func(m *Machine, c *Control, a *attempt) bool {
		return c.begun == (a.do == doOpen)
	}},
	{RowNotAfterTheEnd, func(m *Machine, c *Control, a *attempt) bool {
		if a.do == doSupplement {
			return c.ended == NotEnded
		}
		return c.ended != NotEnded
	}},
	{RowOneHolder, func(m *Machine, c *Control, a *attempt) bool {
		// Two devices hold the visit, or one has handed it over and the other has not seen how far it came:
		// each may still make safe, and none carries the work on.
		return (c.contested || a.behind) && m.onward(a)
	}},
	{RowInHand, func(m *Machine, c *Control, a *attempt) bool {
		// A device without a chain of its own begins one by taking over.
		return a.outside && a.do != doOpen && a.do != doTakeOver && a.do != doSupplement || a.foreign && m.onward(a)
	}},
	{RowPresent, func(m *Machine, c *Control, a *attempt) bool {
		return c.away && a.progress()
	}},
	{RowNoStopInForce, func(m *Machine, c *Control, a *attempt) bool {
		if c.stop == 0 || !a.progress() {
			return false
		}
		switch a.do {
		case doPutOn, doCheck, doTakeUp, doProve:
			return false
		case doObserve, doInspect:
			return !m.answers(c, a)
		case doAct:
			return !m.acts[a.act].makeSafe
		}
		return true
	}},
	{RowInTurn, func(m *Machine, c *Control, a *attempt) bool {
		switch a.do {
		case doObserve, doInspect, doDecide, doRecord, doLeaveOut:
			return !a.warning() && !m.inTurn(c, a.step)
		case doAct:
			return !m.inTurn(c, a.step) && !m.acts[a.act].makeSafe
		}
		return false
	}},
	{RowEnteredLive, func(m *Machine, c *Control, a *attempt) bool {
		return a.after && !a.warning() && a.step >= 0 && !m.steps[a.step].after
	}},
	{RowCheckedBeforeWorn, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doPutOn && a.items&m.kit&^c.fit != 0
	}},
	{RowProtected, func(m *Machine, c *Control, a *attempt) bool {
		if a.warning() {
			return false
		}
		switch a.do {
		case doAct, doObserve, doInspect, doRecord, doProve:
			return m.protectionFor(c, a)&^c.worn != 0
		}
		return false
	}},
	{RowInstrumentInDate, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doProve && !a.warning() && c.tools[a.tool] < toolUnproved
	}},
	{RowSourceSuits, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doProve && !a.warning() && a.source == 0
	}},
	{RowInstrumentProved, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doObserve && !a.warning() && c.tools[a.tool] != toolProved
	}},
	{RowProofsHold, func(m *Machine, c *Control, a *attempt) bool {
		return a.gated() && m.inTurn(c, a.step) && m.steps[a.step].needs&^m.held(c) != 0
	}},
	{RowSwitchesStand, func(m *Machine, c *Control, a *attempt) bool {
		if !a.gated() {
			return false
		}
		if m.inTurn(c, a.step) {
			s := &m.steps[a.step]
			return c.switches&s.mask != s.want
		}
		if a.do == doAct {
			row := &m.acts[a.act]
			return c.switches&row.safeMask != row.safeWant
		}
		return false
	}},
	{RowCovered, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doTakeOff && c.switches&m.exposed != 0 && (m.baring(a.items)&^m.held(c) != 0 || m.contactBare(c, a.items))
	}},
	{RowBackwardsOnly, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doReturn && (a.step > c.pos && !m.answered(c, a.step) || !m.applies(c, int(a.step)))
	}},
	{RowToldSomebody, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doResume && !c.told
	}},
	{RowStopCanBeLeft, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doResume && (c.stop == 0 || !m.resumable(c.stop))
	}},
	{RowEverythingDone, func(m *Machine, c *Control, a *attempt) bool {
		return a.do == doEnd && a.outcome == Completed &&
			(int(c.pos) != len(m.steps) || c.owed != 0 || c.stop != 0 || c.away || c.switches&m.service != 0 || m.unfinishedBy(c) >= 0)
	}},
	{RowSlipLast, func(m *Machine, c *Control, a *attempt) bool {
		return a.slip && (a.other || c.slip == 0 || c.slip != a.step+1)
	}},
	{RowSlipOwn, func(m *Machine, c *Control, a *attempt) bool { return a.slip && a.stranger }},
	{RowSlipOnce, func(m *Machine, c *Control, a *attempt) bool { return a.slip && a.again }},
}

// unfinishedBy returns the fact with which the visit does not count as completed, or -1.
func (m *Machine) unfinishedBy(c *Control) int {
	for i := range m.Method.Facts {
		if m.unfinished[i]&(1<<c.facts[i]) != 0 {
			return i
		}
	}
	return -1
}

// progress reports whether the attempt carries the work on, as against
// reporting, stopping, correcting or ending it.
func (a *attempt) progress() bool {
	switch a.do {
	case doTakeUp, doCheck, doPutOn, doTakeOff, doProve, doObserve, doInspect, doDecide, doRecord, doAct, doLeaveOut, doReturn:
		return !a.warning()
	}
	return false
}

// calming reports whether the attempt is an act that makes safe at any point.
func (m *Machine) calming(a *attempt) bool { return a.do == doAct && m.acts[a.act].makeSafe }

// onward reports whether the attempt carries the work on otherwise than by making safe.
func (m *Machine) onward(a *attempt) bool {
	return a.do == doResume || a.progress() && !m.calming(a)
}

// gated reports whether the attempt is one that proofs and switch states can bar.
func (a *attempt) gated() bool {
	switch a.do {
	case doAct, doObserve, doInspect, doRecord, doTakeOff:
		return !a.warning()
	}
	return false
}

// protectionFor returns what must be worn: what the step in turn asks for, or,
// for an act out of turn, what its row of the acts that make safe asks for.
func (m *Machine) protectionFor(c *Control, a *attempt) uint8 {
	if m.inTurn(c, a.step) {
		return m.steps[a.step].protect
	}
	if a.do == doAct {
		return m.acts[a.act].protect
	}
	return 0
}

// contactBare reports whether what guards hands and face would come off beside the live supply contact.
func (m *Machine) contactBare(c *Control, items uint8) bool {
	return m.baring(items) != 0 && c.switches&m.carrier != 0 && c.switches&m.contact == 0
}

// baring returns the proofs without which the items are not taken off while
// conductors are within reach.
func (m *Machine) baring(items uint8) uint16 {
	var set uint16
	for i, needs := range m.offNeed {
		if items&(1<<i) != 0 {
			set |= needs
		}
	}
	return set
}

// barred returns the rows that refuse the attempt, in the table's order.
func (m *Machine) barred(c *Control, a *attempt) []Row {
	var rows []Row
	for _, g := range m.guards {
		if g.bars(m, c, a) {
			rows = append(rows, g.id)
		}
	}
	return rows
}

// accepts is barred without the list, for searches.
func (m *Machine) accepts(c *Control, a *attempt) bool {
	for _, g := range m.guards {
		if g.bars(m, c, a) {
			return false
		}
	}
	return true
}
