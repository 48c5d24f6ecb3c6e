package visit

import "iter"

// A sheet is a row of steps that need no order among themselves. While the position is in one, each of its
// rows that is not answered is in turn; a step of no sheet is a sheet of its own.

// row is the place of a step in its sheet, as a bit of Control.done.
func (m *Machine) row(i int16) uint16 { return 1 << (i - m.steps[i].first) }

// answered reports whether a step after the position is a row of the sheet in turn that is answered.
func (m *Machine) answered(c *Control, i int16) bool {
	return i > c.pos && i <= m.sheetEnd(c) && c.done&m.row(i) != 0
}

// sheetEnd is the last row of the sheet in turn, or -1 where no step is left.
func (m *Machine) sheetEnd(c *Control) int16 {
	if int(c.pos) >= len(m.steps) {
		return -1
	}
	return m.steps[c.pos].last
}

// ahead reports whether a step is still to be carried out, if it applies.
func (m *Machine) ahead(c *Control, i int16) bool {
	return i >= c.pos && int(i) < len(m.steps) && !m.answered(c, i)
}

// inTurn reports whether a step is the one in turn, or an open row of its sheet.
func (m *Machine) inTurn(c *Control, i int16) bool {
	return i >= c.pos && i <= m.sheetEnd(c) && (i == c.pos || m.applies(c, int(i)) && !m.answered(c, i))
}

// open gives the steps in turn, in the method's order.
func (m *Machine) open(c *Control) iter.Seq[int16] {
	return func(yield func(int16) bool) {
		for i := c.pos; i <= m.sheetEnd(c); i++ {
			if m.inTurn(c, i) && !yield(i) {
				return
			}
		}
	}
}

// stand puts the position at the first step from i on that applies and is not answered.
func (m *Machine) stand(c *Control, i int16) {
	for int(i) < len(m.steps) && (!m.applies(c, int(i)) || m.answered(c, i)) {
		i++
	}
	var done uint16
	if int(i) < len(m.steps) {
		for k := i + 1; k <= m.steps[i].last; k++ {
			if m.answered(c, k) {
				done |= m.row(k)
			}
		}
	}
	c.pos, c.done = i, done
}

// reopen goes back to a step that is before the position, or an answered row of the sheet in turn. It opens
// that row of its sheet alone, unless a row from there on was passed over: then all of these.
func (m *Machine) reopen(c *Control, i int16) {
	s := &m.steps[i]
	passed := c.owed > i && c.owed-1 <= s.last
	at := min(i, c.pos)
	var done uint16
	for k := at + 1; k <= s.last; k++ {
		if k != i && !(passed && k > i) && (k < c.pos || m.answered(c, k)) {
			done |= m.row(k)
		}
	}
	c.pos, c.done = at, done
}

// joinPlaces is where the work stands that two devices have done apart: at the earlier position, and of its sheet
// the rows are answered that both have answered.
func (m *Machine) joinPlaces(x, y *Control) (pos int16, done uint16) {
	if y.pos < x.pos {
		x, y = y, x
	}
	for k := x.pos + 1; k <= m.sheetEnd(x); k++ {
		if m.answered(x, k) && !m.ahead(y, k) {
			done |= m.row(k)
		}
	}
	return x.pos, done
}
