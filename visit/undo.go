package visit

import (
	"math/bits"
	"slices"

	"meterwright/method"
)

// undoing is one row of the table of what makes earlier evidence count for
// nothing. A row reads the attempt and the state before it, and only takes away.
type undoing struct {
	id   string
	undo func(m *Machine, c *Control, was *Control, a *attempt)
}

// undoTable is every way in which a proof, an open bracket or worn protection
// comes to nothing, but for time, which lapse takes off before each event.
var undoTable = []undoing{
	{"proving-failed", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doProve && a.result != expected {
			m.dropTool(c, a.tool)
		}
	}},
	{"instrument-replaced", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doTakeUp {
			m.dropTool(c, a.tool)
		}
	}},
	{"act-undoes", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doAct && m.acts[a.act].cause != "" {
			m.undo(c, m.acts[a.act].cause)
		}
	}},
	{"position-left", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doGoAway {
			m.undo(c, method.Left)
		}
	}},
	{"position-left-protection", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doGoAway {
			c.worn = 0
		}
	}},
	{"position-left-brackets", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doGoAway {
			m.unproveAll(c)
		}
	}},
	{"handed-over", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doTakeOver {
			m.undo(c, method.HandedOver)
		}
	}},
	{"handed-over-brackets", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doTakeOver {
			m.unproveAll(c)
		}
	}},
	{"handed-over-protection", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doTakeOver {
			m.unfit(c, c.fit)
			c.worn = 0
		}
	}},
	{"check-failed", func(m *Machine, c, was *Control, a *attempt) {
		if (a.do == doCheck || a.do == doCorrect && a.target == doCheck) && a.result != expected {
			m.unfit(c, a.items)
			c.worn &^= a.items
		}
	}},
	{"done-in-spite", func(m *Machine, c, was *Control, a *attempt) {
		if a.inSpite {
			m.void(c, 1<<len(m.proofs)-1)
		}
	}},
	{"done-in-spite-brackets", func(m *Machine, c, was *Control, a *attempt) {
		if a.inSpite {
			m.unproveAll(c)
		}
	}},
	{"seen-otherwise", func(m *Machine, c, was *Control, a *attempt) {
		if (a.do == doObserve || a.do == doInspect) && a.result == unexpected {
			m.void(c, m.steps[a.step].supports)
		}
	}},
	{"seen-in-doubt", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doObserve && a.result == doubtful && !m.steps[a.step].open {
			m.void(c, m.steps[a.step].supports)
		}
	}},
	{"left-out", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doLeaveOut {
			m.void(c, m.steps[a.step].supports&^m.held(was))
		}
	}},
	{"stop-declared", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doStop {
			m.void(c, 1<<len(m.proofs)-1)
		}
	}},
	{"other-fact", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doDecide || a.do == doCorrect && a.target == doDecide {
			if fact := m.steps[a.step].fact; was.facts[fact] != a.value {
				m.void(c, m.hangsOn(fact))
			}
		}
	}},
	{"way-back", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doResume {
			facts := m.factsAfter(was)
			for i := range m.proofs {
				if m.runDiffers(i, was, facts) {
					c.proofs[i] = proofState{}
				}
			}
		}
	}},
	{"answer-corrected", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doCorrect && !a.slip && (a.target == doObserve || a.target == doInspect) {
			m.void(c, m.steps[a.step].supports)
		}
	}},
	{"slip", func(m *Machine, c, was *Control, a *attempt) {
		if a.slip && (a.target == doObserve || a.target == doInspect) {
			m.stepBack(c, a.step)
		}
	}},
	{"slip-under-a-stop", func(m *Machine, c, was *Control, a *attempt) {
		if a.slip && was.stop != 0 && a.target == doObserve {
			m.dropTool(c, a.tool)
		}
	}},
	{"retest-broken-off", func(m *Machine, c, was *Control, a *attempt) {
		if was.retest == 0 || m.retests(was, a) {
			return
		}
		c.retest, c.tested = 0, false
		if a.do == doTakeUp {
			m.void(c, m.steps[was.retest-1].supports)
		}
	}},
	{"proving-corrected", func(m *Machine, c, was *Control, a *attempt) {
		if a.do == doCorrect && (a.target == doProve || a.target == doTakeUp) && a.result != expected && !(a.slip && a.took != expected) {
			m.void(c, m.madeWith(a.tool))
			m.dropTool(c, a.tool)
		}
	}},
}

// checkLastsMS is the time for which the check of a piece of protection counts [P]: a working day with
// the way to it. Gloves are air-tested before each use (IEC 60903), which a visit is.
const checkLastsMS = 12 * 3600 * 1000

// lapsing is one row of the table of what time takes away before each event.
type lapsing struct {
	id   string
	take func(m *Machine, c *Control, p *passed)
}

// lapseTable is everything that time takes away. Time that is not known, written as a negative
// number, takes away whatever has a limit.
var lapseTable = []lapsing{
	{"proof-limit", func(m *Machine, c *Control, p *passed) {
		for i := range m.proofs {
			x := &c.proofs[i]
			if x.phase == proofNone || m.proofs[i].lastsMS == 0 {
				continue
			}
			if p.elapsedMS < 0 || x.leftMS <= p.elapsedMS {
				*x = proofState{}
				continue
			}
			x.leftMS -= p.elapsedMS
		}
	}},
	{"check-limit", func(m *Machine, c *Control, p *passed) {
		for set := c.fit; set != 0; set &= set - 1 {
			i := bits.TrailingZeros8(set)
			if p.elapsedMS < 0 || int64(c.fitMS[i]) <= p.elapsedMS {
				m.unfit(c, 1<<i)
				continue
			}
			c.fitMS[i] -= int32(p.elapsedMS)
		}
	}},
	{"check-date", func(m *Machine, c *Control, p *passed) { m.unfit(c, p.pastItems&c.fit) }},
	{"calibration-date", func(m *Machine, c *Control, p *passed) {
		for set := p.pastTools; set != 0; set &= set - 1 {
			if i := bits.TrailingZeros16(set); c.tools[i] > toolOutdated {
				m.dropTool(c, int8(i))
				c.tools[i] = toolOutdated
			}
		}
	}},
}

func (m *Machine) lapse(c *Control, p *passed) {
	for _, l := range m.lapsings {
		l.take(m, c, p)
	}
}

// unfit ends the check of protection, and that it counts as worn.
func (m *Machine) unfit(c *Control, items uint8) {
	c.fit &^= items
	c.worn &^= items & m.kit
	for ; items != 0; items &= items - 1 {
		c.fitMS[bits.TrailingZeros8(items)] = 0
	}
}

func (m *Machine) void(c *Control, set uint16) {
	for ; set != 0; set &= set - 1 {
		c.proofs[bits.TrailingZeros16(set)] = proofState{}
	}
}

// undo voids every proof that the cause undoes.
func (m *Machine) undo(c *Control, cause method.Cause) {
	bit := causeBit(cause)
	for i := range m.proofs {
		if m.proofs[i].undone&bit != 0 {
			c.proofs[i] = proofState{}
		}
	}
}

// dropTool ends the open bracket of a tool as void, with what rests on it.
func (m *Machine) dropTool(c *Control, tool int8) {
	c.tools[tool] = min(c.tools[tool], toolUnproved)
	if c.retest != 0 && m.steps[c.retest-1].tool == tool {
		c.tested = false
	}
	for i := range m.proofs {
		if c.proofs[i].rests&(1<<tool) != 0 {
			c.proofs[i] = proofState{}
		}
	}
}

func (m *Machine) unproveAll(c *Control) {
	for i := range c.tools {
		if c.tools[i] == toolProved {
			m.dropTool(c, int8(i))
		}
	}
}

// factsAfter is what the facts are once work goes on after the stop in force.
func (m *Machine) factsAfter(c *Control) [method.MaxFacts]uint8 {
	facts := c.facts
	if c.stop > 0 && c.stop != personStop {
		for i, value := range m.stops[c.stop-1].sets {
			if value != 0 {
				facts[i] = value
			}
		}
	}
	return facts
}

// runDiffers reports whether other steps make up the run of a proof with other facts.
func (m *Machine) runDiffers(proof int, c *Control, facts [method.MaxFacts]uint8) bool {
	if facts == c.facts {
		return false
	}
	other := *c
	other.facts = facts
	return slices.ContainsFunc(m.proofs[proof].supports, func(i int16) bool { return m.applies(c, int(i)) != m.applies(&other, int(i)) })
}

// hangsOn returns the proofs with a step that depends on the fact.
func (m *Machine) hangsOn(fact int8) uint16 {
	var set uint16
	for i := range m.steps {
		for _, w := range m.steps[i].when {
			if w.fact == fact {
				set |= m.steps[i].supports
			}
		}
	}
	return set
}

// madeWith returns the proofs with an observation made with that kind of tool.
func (m *Machine) madeWith(tool int8) uint16 {
	var set uint16
	for i := range m.proofs {
		if m.proofs[i].tools&(1<<tool) != 0 {
			set |= 1 << i
		}
	}
	return set
}
