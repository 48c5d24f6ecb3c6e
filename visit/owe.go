package visit

// owing is one row of the table of how a step comes to be passed over. A row returns the earliest
// step, or -1. c is the state after the attempt and was the one before.
type owing struct {
	id   string
	owes func(m *Machine, c, was *Control, a *attempt) int16
}

// oweTable is every way in which a step that belongs to a visit is passed over without being carried
// out as the method asks. Going back to it, or to a step before it, settles it: whatever lies
// ahead of the position will be carried out, left out or passed over in its turn.
var oweTable = []owing{
	{"left-out", func(m *Machine, c, was *Control, a *attempt) int16 {
		if a.do == doLeaveOut && a.owes {
			return a.step
		}
		return -1
	}},
	{"done-in-spite", func(m *Machine, c, was *Control, a *attempt) int16 {
		switch {
		case !a.inSpite:
			return -1
		case a.step >= 0:
			return min(a.step, was.pos)
		case a.do == doAct:
			// Out of turn: what came after the step that asks for this act was done before it.
			for i := min(int(was.pos), len(m.steps)) - 1; i >= 0; i-- {
				if m.steps[i].act == a.act {
					return int16(i)
				}
			}
		}
		return -1
	}},
	{"answer-withdrawn", func(m *Machine, c, was *Control, a *attempt) int16 {
		if a.do != doCorrect || a.step < 0 {
			return -1
		}
		gone := false
		switch a.target {
		case doObserve, doInspect:
			gone = a.result == withdrawn || a.result == doubtful && m.steps[a.step].supports != 0
		case doProve, doTakeUp, doCheck:
			gone = a.result != expected
		case doDecide:
			gone = a.value == 0
		}
		if gone {
			return a.step
		}
		return -1
	}},
	{"other-fact", func(m *Machine, c, was *Control, a *attempt) int16 {
		// A way back that a stop leads onto begins where work goes on, whatever applies before that.
		if c.facts == was.facts || a.do == doResume {
			return -1
		}
		for i := range int16(len(m.steps)) {
			if !m.ahead(c, i) && !m.ahead(was, i) && m.applies(c, int(i)) && !m.applies(was, int(i)) {
				return i
			}
		}
		return -1
	}},
}

// owe keeps the earliest step that was passed over, -1 for none. One that is ahead will be carried out.
func (m *Machine) owe(c *Control, step int16) {
	if step >= 0 && !m.ahead(c, step) && (c.owed == 0 || step+1 < c.owed) {
		c.owed = step + 1
	}
}
