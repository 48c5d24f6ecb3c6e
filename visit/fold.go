package visit

import (
	"math/bits"
	"slices"

	"meterwright/method"
)

// attempt is an event reduced to what decides: small numbers only, so that a
// search can try them all.
type attempt struct {
	do     doing
	step   int16 // -1 when the event belongs to no step
	act    int8  // -1 for none
	tool   int8  // -1 for none
	result result
	// odd says that no working instrument could show what was read, cases which entries of the step's otherwise
	// an unexpected answer fits.
	odd     bool
	cases   uint8
	items   uint8
	value   uint8 // 1 + index of a fact's value
	source  uint8 // bit of the proving source
	after   bool  // entered after the phase
	inSpite bool
	foreign bool  // made on a device that does not hold the visit
	outside bool  // made on a device that has no chain in the visit
	behind  bool  // made where devices have not seen how far one another came
	target  doing // what a correction corrects
	// took is what the engine had made of the answer that a slip takes back; other says that it is not the last one,
	// stranger that somebody else gave it, again that one was taken back at that point before.
	took                         result
	slip, other, stranger, again bool
	quiet                        bool // changes nothing for whoever acts on what stood before
	outcome                      Outcome
	// owes says that a step is left out in a way in which its method does not leave it out.
	owes bool
	// stop is 1 + the index of a stop that the person declares by its name.
	stop int8
	passed
}

// passed is what has gone by since the event before.
type passed struct {
	// elapsedMS is negative when it is not known.
	elapsedMS int64
	// pastItems and pastTools are the protection and the instruments whose date has passed.
	pastItems uint8
	pastTools uint16
}

// warning reports whether the attempt says that something was not as expected:
// a reading, an answer, a proving, a check, an instrument past its date. A
// warning is never refused.
func (a *attempt) warning() bool {
	switch a.do {
	case doObserve, doInspect, doProve, doCheck, doTakeUp:
		return a.result == unexpected
	}
	return false
}

// claims reports whether whoever made the attempt holds the visit, or stops it: remarks, reports and
// handing over do not.
func (a *attempt) claims() bool {
	switch a.do {
	case doNote, doReport, doHandOver, doSupplement:
		return false
	}
	return true
}

// fold returns the state after an accepted attempt: first everything that the
// attempt undoes, row by row, then what it does.
func (m *Machine) fold(c Control, a *attempt) Control {
	was := c
	m.foldInto(&c, &was, a)
	return c
}

// foldInto is fold on a state in place; was is a copy of it.
func (m *Machine) foldInto(c, was *Control, a *attempt) {
	if m.asks(was, a) {
		m.askAgain(c, a)
		return
	}
	for _, u := range m.undoings {
		u.undo(m, c, was, a)
	}
	m.does(c, a)
	m.retest(c, was, a)
	m.recall(c, was, a)
	for _, o := range m.owings {
		m.owe(c, o.owes(m, c, was, a))
	}
	if m.ahead(c, c.owed-1) {
		c.owed = 0 // It will be carried out.
	}
	if a.do == doObserve && a.step+1 == c.again || c.pos != was.pos {
		c.again = 0
	}
}

// asks reports whether a reading is asked for once more before it counts: one in turn that no working instrument could
// show, or one in doubt that does not count against. What is read then counts, as does at once what is read out of turn,
// which nothing would ask for again.
func (m *Machine) asks(c *Control, a *attempt) bool {
	return a.do == doObserve && m.inTurn(c, a.step) && c.again != a.step+1 && (a.odd || a.result == doubtful && m.steps[a.step].open)
}

// askAgain leaves everything as it stands, the run that goes on included; what was shown before by this step
// rests on it no longer.
func (m *Machine) askAgain(c *Control, a *attempt) {
	c.again = a.step + 1
	c.slip, c.retest, c.tested = 0, 0, false // It is neither a slip nor what tests a point again.
	for set := m.steps[a.step].supports; set != 0; set &= set - 1 {
		if p := bits.TrailingZeros16(set); c.proofs[p].phase != proofRunning {
			c.proofs[p] = proofState{}
		}
	}
}

// counts reports whether a reading or an answer that is not asked for again counts for what its step supports.
func (m *Machine) counts(a *attempt) bool {
	return a.result == expected || a.result == remarked || a.result == doubtful && m.steps[a.step].open
}

// outcome returns what an unexpected answer leads to, as method.Step.Outcome has it. A fact that is not known fits
// nothing.
func (m *Machine) outcome(c *Control, a *attempt) int {
	for i, o := range m.steps[a.step].others {
		if a.cases&(1<<i) != 0 && !slices.ContainsFunc(o.when, func(w condition) bool { return c.facts[w.fact] == 0 || w.values&(1<<c.facts[w.fact]) == 0 }) {
			return i + 1
		}
	}
	return 0
}

func (m *Machine) does(c *Control, a *attempt) {
	switch a.do {
	case doOpen:
		c.begun, c.facts = true, m.begins
		m.stand(c, 0)
	case doTakeUp:
		c.tools[a.tool] = toolUnproved
		if a.result != expected {
			c.tools[a.tool] = toolOutdated
		}
		if a.step < 0 || m.ready(c, m.steps[a.step].kit) {
			m.advance(c, a)
		}
	case doCheck:
		if a.result == expected {
			c.fit |= a.items
			for set := a.items; set != 0; set &= set - 1 {
				c.fitMS[bits.TrailingZeros8(set)] = checkLastsMS
			}
			m.advance(c, a)
		} else {
			m.answer(c, a)
		}
	case doPutOn:
		c.worn |= a.items
		m.advance(c, a)
	case doTakeOff:
		c.worn &^= a.items
		m.proceed(c, a)
	case doProve:
		if a.result == expected {
			m.prove(c, a)
		}
	case doObserve, doInspect:
		m.answer(c, a)
	case doDecide:
		m.setFact(c, a)
		m.advance(c, a)
	case doRecord:
		m.advance(c, a)
	case doLeaveOut:
		if stop := m.raises(c, a); stop != 0 {
			m.stop(c, stop)
			return
		}
		m.advance(c, a)
	case doAct:
		row := &m.acts[a.act]
		c.switches = c.switches&^row.mask | row.set
		m.proceed(c, a)
		if c.stop == 0 {
			m.stand(c, c.pos) // What is in turn may be done by that.
		}
	case doReturn:
		m.reopen(c, a.step)
	case doGoAway:
		c.away = true
	case doComeBack:
		c.away = false
	case doCorrect:
		if a.slip {
			m.takeBack(c, a)
			return
		}
		m.correct(c, a)
	case doStop:
		m.stop(c, m.raises(c, a))
	case doReport:
		c.told = c.told || c.stop != 0
	case doResume:
		m.resume(c)
	case doTakeOver:
		c.contested = false
	case doEnd:
		c.ended = a.outcome
	}
}

// ready reports whether every instrument of a kit is taken up in date.
func (m *Machine) ready(c *Control, kit uint16) bool {
	for ; kit != 0; kit &= kit - 1 {
		if c.tools[bits.TrailingZeros16(kit)] < toolUnproved {
			return false
		}
	}
	return true
}

// advance moves past the step when the attempt carried out one in turn.
func (m *Machine) advance(c *Control, a *attempt) {
	switch {
	case c.stop != 0 || !m.inTurn(c, a.step):
	case a.step == c.pos:
		m.stand(c, a.step+1)
	default:
		c.done |= m.row(a.step)
	}
}

// proceed is advance, except that an act in spite of a refusal moves on to what
// comes after it, wherever it stands.
func (m *Machine) proceed(c *Control, a *attempt) {
	if a.inSpite && a.step > c.pos && c.stop == 0 {
		m.stand(c, a.step+1)
		return
	}
	m.advance(c, a)
}

// prove ends the bracket that is open, if one is, and begins the next.
func (m *Machine) prove(c *Control, a *attempt) {
	if c.tools[a.tool] == toolProved {
		for i := range m.proofs {
			p := &c.proofs[i]
			p.rests &^= 1 << a.tool
			if p.phase == proofAwaiting && p.rests == 0 {
				p.phase = proofHeld
			}
		}
	}
	c.tools[a.tool] = toolProved
	m.advance(c, a)
}

// answer takes an observation, an inspection or a failed check.
func (m *Machine) answer(c *Control, a *attempt) {
	if a.step < 0 {
		return
	}
	s := &m.steps[a.step]
	switch {
	case m.counts(a):
		for set := s.supports; set != 0; set &= set - 1 {
			m.contribute(c, bits.TrailingZeros16(set), a)
		}
		m.advance(c, a)
	case a.result == doubtful:
		if s.supports == 0 {
			m.advance(c, a)
		}
	case a.result == unexpected:
		if stop := m.raises(c, a); stop != 0 {
			m.stop(c, stop)
			return
		}
		m.advance(c, a)
	}
}

// contribute counts an observation towards a proof: the first step of
// the run begins it anew, the last makes it whole.
func (m *Machine) contribute(c *Control, proof int, a *attempt) {
	p := &c.proofs[proof]
	first, last := m.span(c, proof)
	if a.step == first {
		*p = proofState{phase: proofRunning, leftMS: m.proofs[proof].lastsMS}
	}
	if p.phase != proofRunning {
		return
	}
	if a.do == doObserve {
		p.rests |= 1 << a.tool
	}
	if a.step == last {
		p.phase = proofAwaiting
		if p.rests == 0 {
			p.phase = proofHeld
		}
	}
}

// raises returns the stop that an attempt raises, as Control holds it, or 0.
func (m *Machine) raises(c *Control, a *attempt) int8 {
	switch a.do {
	case doStop:
		if a.stop != 0 {
			return a.stop
		}
		return personStop
	case doLeaveOut:
		// An act that cannot be done has a consequence where its step says one.
		if m.steps[a.step].does == doAct && m.steps[a.step].stop >= 0 {
			return m.steps[a.step].stop + 1
		}
	case doObserve, doInspect, doCheck, doCorrect:
		asks := a.do != doCorrect || a.target == doObserve || a.target == doInspect
		if !asks || a.step < 0 || a.result != unexpected || m.asks(c, a) {
			return 0
		}
		if i := m.outcome(c, a); i > 0 {
			return m.steps[a.step].others[i-1].stop + 1
		}
		return m.steps[a.step].stop + 1
	}
	return 0
}

// stop puts a stop in force, where the one that is in force gives way to it.
func (m *Machine) stop(c *Control, stop int8) {
	c.told = false
	if m.givesWay(c.stop, stop) {
		c.stop = stop
	}
}

// givesWay reports whether one stop gives way to another: one that a person declared without a name to any that has one,
// one that can be resumed to one that can only end the visit, and one that does not lead onto a way back to one
// that does; never the other way round.
func (m *Machine) givesWay(in, to int8) bool {
	return in == 0 || in == personStop || m.resumable(in) && (!m.resumable(to) || m.leadsBack(to))
}

// leadsBack reports whether a stop sets facts once work goes on.
func (m *Machine) leadsBack(stop int8) bool {
	return stop != personStop && m.stops[stop-1].sets != [method.MaxFacts]uint8{}
}

func (m *Machine) resumable(stop int8) bool {
	return stop == personStop || m.stops[stop-1].resume >= 0
}

// resume goes on after a stop, from the step that the stop names.
func (m *Machine) resume(c *Control) {
	if c.stop > 0 && c.stop != personStop && m.stops[c.stop-1].resume >= 0 {
		c.facts = m.factsAfter(c)
		from := m.stops[c.stop-1].resume
		for int(from) < len(m.steps) && !m.applies(c, int(from)) {
			from++
		}
		if from < c.pos || m.answered(c, from) {
			m.reopen(c, from)
		}
	}
	m.stand(c, c.pos)
	c.stop, c.told = 0, false
}

func (m *Machine) setFact(c *Control, a *attempt) {
	c.facts[m.steps[a.step].fact] = a.value
	m.stand(c, c.pos)
}

// correct takes back an earlier answer. What that undoes stands in the table of
// undoings; here it can only raise a stop or change a fact.
func (m *Machine) correct(c *Control, a *attempt) {
	switch a.target {
	case doObserve, doInspect:
		if stop := m.raises(c, a); stop != 0 {
			m.stop(c, stop)
		}
	case doTakeUp:
		if a.result != expected {
			c.tools[a.tool] = min(c.tools[a.tool], toolOutdated)
		}
	case doDecide:
		m.setFact(c, a)
	}
}
