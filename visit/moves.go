package visit

import (
	"math/bits"

	"meterwright/method"
	"meterwright/visit/laws"
)

// cover is one assumption about what is free in a node.
type cover struct {
	worn, fit uint8
	tool      toolState
	owed      int16
}

func (s *search) expand(i int32) {
	c, l := s.nodes[i].c, s.nodes[i].l
	if !c.begun {
		s.try(i, c, l, s.ts.open)
		s.try(i, c, l, s.ts.note)
		return
	}
	s.owing = s.once(passedOver, &c, &l)
	s.known(i, c, l)
	s.acts(i, c, l)
	s.steps(i, c, l)
	s.things(i, c, l)
	s.plain(i, c, l)
	s.twoHolders(i, c, l)
}

// assume fills in what is free in a node.
func (s *search) assume(c *Control, l *laws.State, tool int8, v cover) {
	worn, sound, inDate, open := l.Worn(), l.Sound(), l.InDate(), l.OpenTools()
	if c.worn == 0 && c.fit == 0 && worn == 0 && sound == 0 {
		c.worn, c.fit, worn, sound = v.worn, v.fit, v.worn, v.fit
	}
	for i := range c.fitMS {
		c.fitMS[i] = 0
		if c.fit&(1<<i) != 0 {
			c.fitMS[i] = checkLastsMS
		}
	}
	if c.owed == 0 && l.Owed() == 0 && v.owed <= c.pos {
		c.owed = v.owed
		*l = l.WithOwed(v.owed)
	}
	if tool >= 0 && c.tools[tool] == toolAbsent && open&(1<<tool) == 0 && inDate&(1<<tool) == 0 {
		c.tools[tool] = v.tool
		if v.tool >= toolUnproved {
			inDate |= 1 << tool
		}
		if v.tool == toolProved {
			open |= 1 << tool
		}
	}
	*l = l.Assume(sound, worn, inDate, open)
}

// passed is 1 + the earliest step that the trial passed over without carrying it out as the method asks,
// from where the work stood before and after, or 0.
func (s *search) passed(t *trial, a *attempt, before, after *Control) int16 {
	owes := t.fact.Owes
	add := func(i int) {
		if owes == 0 || int16(i) < owes {
			owes = int16(i) + 1
		}
	}
	carried := t.step
	switch t.body.(type) {
	case TookUp, Checked, PutOn, TookOff, Proved, Acted:
		if carried < 0 && !a.inSpite {
			carried = a.step
		}
	}
	for k := int(before.pos); k < int(after.pos); k++ {
		if int16(k) != carried && s.m.applies(after, k) {
			add(k)
		}
	}
	if b, ok := t.body.(Acted); ok && a.inSpite {
		for k := range int(before.pos) {
			if s.m.Method.Steps[k].Act == string(b.Act) && (b.Step == "" || b.Step == s.m.Method.Steps[k].ID) {
				add(k)
			}
		}
	}
	if before.facts != after.facts {
		for k := range int(before.pos) {
			if s.m.applies(after, k) && !s.m.applies(before, k) {
				add(k)
			}
		}
	}
	return owes
}

func (s *search) try(from int32, c Control, l laws.State, t *trial) {
	s.tryRelying(from, c, l, t, laws.Bits{})
}

// tryRelying is try of what the engine accepts because of readings.
func (s *search) tryRelying(from int32, c Control, l laws.State, t *trial, relies laws.Bits) {
	m := s.m
	s.cur, s.att = c, s.attempt(t, &c)
	m.lapse(&s.cur, &s.att.passed)
	accepted := m.accepts(&s.cur, &s.att)
	if s.att.inSpite {
		if accepted {
			return
		}
		accepted = s.cur.begun && s.cur.ended == NotEnded
	}
	s.was = s.cur
	if accepted {
		m.foldInto(&s.cur, &s.was, &s.att)
	}
	f := t.fact
	f.Relies = relies
	f.Owes, f.Place = s.passed(t, &s.att, &s.was, &s.cur), s.cur.pos
	next, broke := s.u.Watch(l, f, accepted)
	s.note(broke, from, t)
	if !accepted {
		return
	}
	after := s.cur
	spite := s.nodes[from].spite
	if s.att.inSpite {
		spite++
	}
	switch s.att.do {
	case doGoAway:
		s.frozen(from, after, next, t)
		back := s.attempt(s.ts.back, &after)
		after = m.fold(after, &back)
		next, _ = s.u.Watch(next, s.at(s.ts.back.fact, &after), true)
	case doAct:
		if m.acts[s.att.act].cause == method.Energised && s.quiet && after.proofs[s.proof].phase != proofNone {
			s.note([]laws.Breach{{Law: laws.DeadOutlived}}, from, t)
		}
	case doEnd:
		s.afterEnd(from, after, next, t)
		return
	}
	if after.stop != 0 {
		if after, next, accepted = s.under(from, after, next, t); !accepted {
			return
		}
	}
	s.push(after, next, spite, from, t)
}

// at is a fact with the place at which the work stands.
func (s *search) at(f laws.Fact, c *Control) laws.Fact {
	f.Place = c.pos
	return f
}

// note keeps the first, and so the shortest, way to a breach: to a node, and on by some events.
func (s *search) note(broke []laws.Breach, from int32, last ...*trial) {
	for _, law := range broke {
		if _, known := s.broken[law]; !known {
			s.broken[law], s.last[law] = from, last
		}
	}
}

// act is the trial of an act: the step in turn, where it asks for the act.
func (s *search) act(c *Control, k int) *trial {
	if int(c.pos) < len(s.m.steps) && s.m.steps[c.pos].act == int8(k) {
		return s.ts.steps[c.pos].good
	}
	return s.ts.acts[k].plain
}

func (s *search) allWorn() uint8 { return 1<<len(s.m.Method.Protection) - 1 }

func (s *search) covers(tools ...toolState) []cover {
	all := s.allWorn()
	out := []cover{{worn: all, fit: all, tool: tools[0]}, {tool: tools[0]}, {fit: all, tool: tools[0]}}
	for i := range s.m.Method.Protection {
		out = append(out, cover{worn: all &^ (1 << i), fit: all, tool: tools[0]})
	}
	for _, t := range tools[1:] {
		out = append(out, cover{worn: all, fit: all, tool: t})
	}
	return out
}

// acts tries every act, whether it is in turn or not.
func (s *search) acts(i int32, c Control, l laws.State) {
	bare, outOfTurn := s.once(unprotected, &c, &l), s.once(outOfTurn, &c, &l)
	for k := range s.m.acts {
		t := s.act(&c, k)
		inTurn := t != s.ts.acts[k].plain
		var relies laws.Bits
		if inTurn {
			relies = s.relies(&c, c.pos)
		}
		covers := s.bare
		switch {
		case !inTurn && !s.m.acts[k].makeSafe && !outOfTurn:
			covers = nil
		case !bare || !inTurn && !s.m.acts[k].makeSafe:
			covers = covers[:1] // out of turn, whatever is worn
		}
		for _, v := range covers {
			cc, ll := c, l
			s.assume(&cc, &ll, -1, v)
			s.tryRelying(i, cc, ll, t, relies)
		}
		if int(s.nodes[i].spite) >= s.spite {
			continue
		}
		spite := s.ts.acts[k].spite
		if inTurn {
			spite = s.ts.steps[c.pos].spite
		}
		s.tryOwed(i, c, l, spite)
	}
}

// tryOwed tries an event with nothing passed over before, and with the first step.
func (s *search) tryOwed(i int32, c Control, l laws.State, t *trial) {
	s.tryFree(i, c, l, -1, t)
	if s.owing {
		s.assume(&c, &l, -1, cover{worn: s.allWorn(), fit: s.allWorn(), tool: toolProved, owed: 1})
		s.try(i, c, l, t)
	}
}

// relies gives the readings of the proof followed, where the step needs it.
func (s *search) relies(c *Control, step int16) laws.Bits {
	var b laws.Bits
	if step < 0 || s.m.steps[step].needs&s.keep == 0 {
		return b
	}
	for _, i := range s.m.proofs[s.proof].supports {
		if k := s.ts.steps[i].reading; k >= 0 && s.m.applies(c, int(i)) {
			b = b.With(k)
		}
	}
	return b
}

// steps tries every answer to the step in turn, bad answers and corrections anywhere.
func (s *search) steps(i int32, c Control, l laws.State) {
	met := make([]bool, s.kinds)
	for k := range s.m.steps {
		st, x := &s.m.steps[k], &s.ts.steps[k]
		inTurn := int16(k) == c.pos
		// Out of turn there is something to undo while the proof followed has a run, or the laws go by the reading.
		followed := st.supports&s.keep != 0 && !met[s.alike[k]] && (c.proofs[s.proof].phase != proofNone || x.reading >= 0 && l.Counts(x.reading))
		if followed {
			met[s.alike[k]] = true
		}
		if x.bad != nil && (inTurn || st.does == doObserve && followed && s.m.applies(&c, k)) {
			s.tryFree(i, c, l, st.tool, x.bad)
		}
		if x.withdrawn != nil && followed {
			s.tryOwed(i, c, l, x.withdrawn)
			s.tryFree(i, c, l, -1, x.correctGood)
			if x.nowBad != nil {
				s.tryFree(i, c, l, -1, x.nowBad)
			}
		}
		if st.does == doDecide && !inTurn && c.facts[st.fact] != 0 {
			for _, t := range x.correctValues {
				s.tryOwed(i, c, l, t)
			}
		}
		if inTurn {
			s.step(i, c, l, k)
		}
	}
	// Going back, with nothing passed over, something before and something from there on; and forward,
	// which is refused.
	if k := s.before(&c); k >= 0 {
		for _, owed := range []int16{0, int16(k), int16(k) + 1} {
			if owed != 0 && !s.owing {
				break
			}
			cc, ll := c, l
			s.assume(&cc, &ll, -1, cover{worn: s.allWorn(), fit: s.allWorn(), tool: toolProved, owed: owed})
			s.try(i, cc, ll, s.ts.steps[k].back)
		}
	}
	if int(c.pos)+1 < len(s.m.steps) {
		a := s.attempt(s.ts.steps[c.pos+1].back, &c)
		_, broke := s.u.Watch(l, s.at(laws.Fact{Does: laws.Skipped, Tool: -1, Reading: -1}, &c), s.m.accepts(&c, &a))
		s.note(broke, i, s.ts.steps[c.pos+1].back)
	}
}

// before is the last step before the position that the search goes back to, or -1: one at a time reaches
// every earlier one.
func (s *search) before(c *Control) int {
	for k := int(c.pos) - 1; k >= 0; k-- {
		if s.m.applies(c, k) && !s.inert[k] {
			return k
		}
	}
	return -1
}

// step tries the answers to the step in turn.
func (s *search) step(i int32, c Control, l laws.State, k int) {
	st, x := &s.m.steps[k], &s.ts.steps[k]
	switch st.does {
	case doObserve:
		for _, v := range s.seeing {
			cc, ll := c, l
			s.assume(&cc, &ll, st.tool, v)
			s.try(i, cc, ll, x.good)
		}
		if x.doubt != nil {
			s.tryFree(i, c, l, st.tool, x.doubt)
		}
	case doInspect, doRecord, doPutOn:
		s.tryFree(i, c, l, -1, x.good)
	case doTakeOff:
		cc, ll := c, l
		s.assume(&cc, &ll, -1, cover{worn: s.allWorn(), fit: s.allWorn(), tool: toolProved})
		s.tryRelying(i, cc, ll, x.good, s.relies(&c, c.pos))
	case doDecide:
		for _, t := range x.values {
			s.tryFree(i, c, l, -1, t)
		}
	}
	if x.late != nil {
		s.tryFree(i, c, l, st.tool, x.late)
	}
	for _, t := range x.leave {
		s.tryOwed(i, c, l, t)
	}
}

// tryFree tries an event with everything worn, everything in date, and proved.
func (s *search) tryFree(i int32, c Control, l laws.State, tool int8, t *trial) {
	s.assume(&c, &l, tool, cover{worn: s.allWorn(), fit: s.allWorn(), tool: toolProved})
	s.try(i, c, l, t)
}

// things tries instruments and protection, in turn or not.
func (s *search) things(i int32, c Control, l laws.State) {
	used := s.tools
	var here *step
	if int(c.pos) < len(s.m.steps) {
		here = &s.m.steps[c.pos]
		if here.tool >= 0 {
			used |= 1 << here.tool
		}
	}
	wear := s.once(wornAndChecked, &c, &l)
	for ; used != 0; used &= used - 1 {
		k := int8(bits.TrailingZeros16(used))
		x := &s.ts.tools[k]
		prove := x.prove
		if here != nil && here.does == doProve && here.tool == k {
			prove = s.ts.steps[c.pos].good
		}
		if prove != nil {
			for _, v := range []toolState{toolProved, toolUnproved, toolAbsent} {
				for _, w := range []uint8{s.allWorn(), 0} {
					if w == 0 && !wear {
						continue
					}
					cc, ll := c, l
					s.assume(&cc, &ll, k, cover{worn: w, fit: w, tool: v})
					s.try(i, cc, ll, prove)
				}
				if c.tools[k] != toolAbsent {
					break // It is not free.
				}
			}
		}
		for _, t := range []*trial{x.unsuited, x.failed, x.take, x.outdated, x.past, x.withdrawProving, x.withdrawTakeUp} {
			if t != nil {
				s.tryFree(i, c, l, k, t)
			}
		}
	}
	all := s.allWorn()
	for k := range s.ts.items {
		bit := uint8(1) << k
		x := &s.ts.items[k]
		s.tryFree(i, c, l, -1, x.off)
		if !wear {
			continue
		}
		for _, v := range []cover{{worn: all, fit: all}, {worn: all &^ bit, fit: all}, {worn: all &^ bit, fit: all &^ bit}} {
			for _, t := range []*trial{x.on, x.off, x.sound, x.failed, x.withdrawn, x.past} {
				cc, ll := c, l
				s.assume(&cc, &ll, -1, v)
				s.try(i, cc, ll, t)
			}
		}
	}
}

// plain tries everything that belongs to no step.
func (s *search) plain(i int32, c Control, l laws.State) {
	for _, t := range []*trial{s.ts.away, s.ts.over, s.ts.long, s.ts.restart, s.ts.stop, s.ts.report, s.ts.resume, s.ts.foreignResume} {
		s.tryFree(i, c, l, -1, t)
	}
	for _, t := range s.ts.ends {
		s.tryOwed(i, c, l, t)
	}
}
