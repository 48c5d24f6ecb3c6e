package visit

import (
	"math/bits"

	"meterwright/method"
)

// attempt is an event reduced to what decides: small numbers only, so that a
// search can try them all.
type attempt struct {
	do      doing
	step    int16 // -1 when the event belongs to no step
	act     int8  // -1 for none
	tool    int8  // -1 for none
	result  result
	items   uint8
	value   uint8 // 1 + index of a fact's value
	source  uint8 // bit of the proving source
	after   bool  // entered after the phase
	inSpite bool
	target  doing // what a correction corrects
	outcome Outcome
	// elapsedMS is the time since the event before; negative when it is not known.
	elapsedMS int64
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

// lapse takes the elapsed time off every proof that has a limit.
func (m *Machine) lapse(c *Control, elapsedMS int64) {
	for i := range m.proofs {
		p := &c.proofs[i]
		if p.phase == proofNone || m.proofs[i].lastsMS == 0 {
			continue
		}
		if elapsedMS < 0 || p.leftMS <= elapsedMS {
			*p = proofState{}
			continue
		}
		p.leftMS -= elapsedMS
	}
}

// fold returns the state after an accepted attempt. Time has already been
// taken off by lapse.
func (m *Machine) fold(c Control, a *attempt) Control {
	if a.inSpite {
		m.foldInSpite(&c, a)
		return c
	}
	switch a.do {
	case doOpen:
		c.begun = true
		c.pos = m.next(&c, 0)
	case doTakeUp:
		state := toolUnproved
		if a.result != expected {
			state = toolOutdated
		}
		m.dropTool(&c, a.tool, state)
		m.advance(&c, a)
	case doCheck:
		if a.result == expected {
			c.fit |= a.items
			m.advance(&c, a)
		} else {
			c.fit &^= a.items
			m.uncover(&c, a.items)
			m.answer(&c, a)
		}
	case doPutOn:
		c.worn |= a.items
		m.advance(&c, a)
	case doTakeOff:
		m.uncover(&c, a.items)
		m.advance(&c, a)
	case doProve:
		m.prove(&c, a)
	case doObserve, doInspect:
		m.answer(&c, a)
	case doDecide:
		m.setFact(&c, m.steps[a.step].fact, a.value)
		m.advance(&c, a)
	case doRecord:
		m.advance(&c, a)
	case doAct:
		m.move(&c, a.act)
		m.advance(&c, a)
	case doLeaveOut:
		c.void(m.steps[a.step].supports &^ m.held(&c))
		m.advance(&c, a)
	case doReturn:
		m.returnTo(&c, a.step)
	case doGoAway:
		c.away = true
		m.leave(&c, method.Left)
	case doComeBack:
		c.away = false
	case doTakeOver:
		c.worn, c.fit = 0, 0
		m.leave(&c, method.HandedOver)
	case doCorrect:
		m.correct(&c, a)
	case doStop:
		m.stop(&c, personStop)
	case doReport:
		c.told = c.told || c.stop != 0
	case doResume:
		m.resume(&c)
	case doEnd:
		c.ended = a.outcome
	}
	return c
}

// foldInSpite records an act that was done although it was refused. Nothing
// that was proved before it counts afterwards, and every instrument must be
// proved again, because what happened is outside the method.
func (m *Machine) foldInSpite(c *Control, a *attempt) {
	switch a.do {
	case doAct:
		m.move(c, a.act)
	case doTakeOff:
		m.uncover(c, a.items)
	}
	c.void(1<<len(m.proofs) - 1)
	m.unproveAll(c)
	if c.stop == 0 && a.step >= c.pos {
		c.pos = m.next(c, int(a.step)+1)
	}
}

// advance moves past the step when the attempt carried out the one in turn.
func (m *Machine) advance(c *Control, a *attempt) {
	if a.step == c.pos && c.stop == 0 {
		c.pos = m.next(c, int(a.step)+1)
	}
}

func (m *Machine) unproveAll(c *Control) {
	for i := range c.tools {
		if c.tools[i] == toolProved {
			m.dropTool(c, int8(i), toolUnproved)
		}
	}
}

func (m *Machine) leave(c *Control, cause method.Cause) {
	m.undo(c, cause)
	m.unproveAll(c)
}

func (m *Machine) uncover(c *Control, items uint8) {
	if c.worn&items != 0 {
		m.undo(c, method.Uncovered)
	}
	c.worn &^= items
}

func (m *Machine) move(c *Control, act int8) {
	row := &m.acts[act]
	c.switches = c.switches&^row.mask | row.set
	if row.cause != "" {
		m.undo(c, row.cause)
	}
}

// prove ends the bracket that is open, if one is, and begins the next.
func (m *Machine) prove(c *Control, a *attempt) {
	if a.result != expected {
		m.dropTool(c, a.tool, toolUnproved)
		return
	}
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
	switch a.result {
	case expected:
		for set := s.supports; set != 0; set &= set - 1 {
			m.contribute(c, bits.TrailingZeros16(set), a)
		}
		m.advance(c, a)
	case doubtful:
		if s.supports == 0 {
			m.advance(c, a)
		}
	case unexpected:
		c.void(s.supports)
		if s.stop >= 0 {
			m.stop(c, s.stop+1)
			return
		}
		m.advance(c, a)
	}
}

// contribute counts an expected observation towards a proof: the first step of
// the run begins it, the last makes it whole.
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

// stop puts a stop in force. One that can only end the visit replaces one that
// can be resumed, never the other way round.
func (m *Machine) stop(c *Control, stop int8) {
	if c.stop != 0 && (!m.resumable(c.stop) || m.resumable(stop)) {
		return
	}
	c.stop, c.told = stop, false
}

func (m *Machine) resumable(stop int8) bool {
	return stop == personStop || m.stops[stop-1].resume >= 0
}

// resume goes on after a stop, from the step that the stop names.
func (m *Machine) resume(c *Control) {
	at := c.pos
	if c.stop != personStop {
		at = min(at, m.stops[c.stop-1].resume)
	}
	c.stop, c.told = 0, false
	m.returnTo(c, at)
}

func (m *Machine) setFact(c *Control, fact int8, value uint8) {
	if c.facts[fact] == value {
		return
	}
	c.facts[fact] = value
	for p := range m.proofs {
		for _, i := range m.proofs[p].supports {
			for _, w := range m.steps[i].when {
				if w.fact == fact {
					c.proofs[p] = proofState{}
				}
			}
		}
	}
	c.pos = m.next(c, int(c.pos))
}

// correct takes back an earlier answer. It can void proofs and raise a stop; it
// never makes a proof hold.
func (m *Machine) correct(c *Control, a *attempt) {
	switch a.target {
	case doObserve, doInspect:
		s := &m.steps[a.step]
		c.void(s.supports)
		if a.result == unexpected && s.stop >= 0 {
			m.stop(c, s.stop+1)
		}
	case doProve, doTakeUp:
		if a.result == expected {
			return
		}
		for p := range m.proofs {
			if m.proofs[p].tools&(1<<a.tool) != 0 {
				c.proofs[p] = proofState{}
			}
		}
		state := min(c.tools[a.tool], toolUnproved)
		if a.target == doTakeUp {
			state = toolOutdated
		}
		m.dropTool(c, a.tool, state)
	case doCheck:
		if a.result != expected {
			c.fit &^= a.items
			m.uncover(c, a.items)
		}
	case doDecide:
		m.setFact(c, m.steps[a.step].fact, a.value)
	}
}
