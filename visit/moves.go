package visit

import (
	"math/bits"

	"meterwright/method"
	"meterwright/visit/laws"
)

// place is where a search stands: a state of engine and laws, and the node that it was come to from.
type place struct {
	from int32
	c    Control
	l    laws.State
	// relies is what the engine accepts the next event for.
	relies laws.Bits
}

// cover is one assumption about what is free in a node.
type cover struct {
	worn, fit uint8
	tool      toolState
	owed      int16
}

func (s *search) expand(i int32) {
	p := place{from: i, c: s.nodes[i].c, l: s.nodes[i].l}
	if !p.c.begun {
		s.try(p, s.ts.open)
		s.try(p, s.ts.note)
		return
	}
	s.owing = s.once(passedOver, &p)
	s.known(p)
	s.acts(p)
	s.steps(p)
	s.things(p)
	for _, t := range []*trial{s.ts.away, s.ts.over, s.ts.long, s.ts.restart, s.ts.stop, s.ts.report, s.ts.resume, s.ts.foreignResume} {
		s.tryFree(p, -1, t)
	}
	for _, t := range s.ts.ends {
		s.tryOwed(p, t)
	}
	s.twoHolders(p)
}

// assume fills in what is free in a node.
func (s *search) assume(p place, tool int8, v cover) place {
	c, l := &p.c, &p.l
	if c.worn == 0 && c.fit == 0 && l.Worn == 0 && l.Sound == 0 {
		c.worn, c.fit, l.Worn, l.Sound = v.worn, v.fit, v.worn, v.fit
	}
	for i := range c.fitMS {
		c.fitMS[i] = 0
		if c.fit&(1<<i) != 0 {
			c.fitMS[i] = checkLastsMS
		}
	}
	if c.owed == 0 && l.Owed == 0 && v.owed <= c.pos {
		c.owed, l.Owed = v.owed, v.owed
	}
	if tool >= 0 && c.tools[tool] == toolAbsent && (l.Open|l.InDate)&(1<<tool) == 0 {
		c.tools[tool] = v.tool
		if v.tool >= toolUnproved {
			l.InDate |= 1 << tool
		}
		if v.tool == toolProved {
			l.Open |= 1 << tool
		}
	}
	return p
}

// covers lists the assumptions that are tried of what is free, with an instrument as the first of tools says,
// and, with everything worn, as the others do.
func (s *search) covers(tools ...toolState) []cover {
	all := s.all.worn
	out := []cover{{worn: all, fit: all, tool: tools[0]}, {tool: tools[0]}, {fit: all, tool: tools[0]}}
	for i := range s.m.Method.Protection {
		out = append(out, cover{worn: all &^ (1 << i), fit: all, tool: tools[0]})
	}
	for _, t := range tools[1:] {
		out = append(out, cover{worn: all, fit: all, tool: t})
	}
	return out
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
	if before.stop != 0 && after.stop == 0 && before.retest != 0 {
		carried = before.retest - 1 // It was answered under the stop.
	}
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
	act, acted := t.body.(Acted)
	inSpite, otherFacts := acted && a.inSpite, before.facts != after.facts && a.do != doResume
	if !inSpite && !otherFacts {
		return owes
	}
	for k := range int(before.pos) {
		st := &s.m.Method.Steps[k]
		if inSpite && st.Act == string(act.Act) && (act.Step == "" || act.Step == st.ID) || otherFacts && s.m.applies(after, k) && !s.m.applies(before, k) {
			add(k)
		}
	}
	return owes
}

// ask gives an event to the engine, and returns the state that it leads to.
func (s *search) ask(c Control, t *trial) (Control, bool) {
	a, err := s.ts.attempt(t, &c)
	if s.err == nil {
		s.err = err
	}
	s.cur, s.att = c, a
	s.m.lapse(&s.cur, &s.att.passed)
	s.was = s.cur
	ok := s.m.accepts(&s.cur, &s.att)
	if a.inSpite {
		ok = !ok && c.begun && c.ended == NotEnded
	}
	if !ok {
		return c, false
	}
	s.m.foldInto(&s.cur, &s.was, &s.att)
	return s.cur, true
}

// watch gives an event to the engine, and to the laws as the fact that it is, and returns where it leads. It comes
// after the events by, which led from the node to the place.
func (s *search) watch(p place, f laws.Fact, t *trial, by ...*trial) (place, bool) {
	next, ok := s.ask(p.c, t)
	f.Relies, f.Place, f.Stands = p.relies, next.pos, next.stop != 0
	if c, slip := t.body.(Corrected); KindOf(t.body).Correctable() || slip && c.Reason == Slip {
		f.Answer = s.att.step + 1
	}
	if ok {
		f.Owes = s.passed(t, &s.att, &s.was, &next)
	}
	l, broke := s.u.Watch(p.l, f, ok)
	if len(broke) > 0 {
		s.note(broke, p.from, append(by, t)...)
	}
	return place{from: p.from, c: next, l: l}, ok
}

// try gives an event to engine and laws, and keeps the state that it leads to.
func (s *search) try(p place, t *trial) {
	p, ok := s.watch(p, t.fact, t)
	if !ok {
		return
	}
	spite := s.nodes[p.from].spite
	if s.att.inSpite {
		spite++
	}
	if a := s.att; a.step >= 0 && len(s.ts.steps[a.step].slips) > 0 && a.do == s.m.steps[a.step].does {
		s.slip(p, spite, t)
		s.att = a
	}
	switch s.att.do {
	case doGoAway:
		s.frozen(p, t)
		p, _ = s.watch(p, s.ts.back.fact, s.ts.back, t)
	case doAct:
		if s.m.acts[s.att.act].cause == method.Energised && s.quiet && p.c.proofs[s.proof].phase != proofNone {
			s.note([]laws.Breach{{Law: laws.DeadOutlived}}, p.from, t)
		}
	case doEnd:
		// Nothing may be accepted after an end.
		for _, after := range []*trial{s.ts.note, s.ts.acts[0].plain, s.ts.report, s.ts.stop} {
			s.watch(p, after.fact, after, t)
		}
		return
	}
	if p.c.stop != 0 {
		if p, ok = s.under(p, t); !ok {
			return
		}
	}
	s.push(p, spite, t)
}

// tryFree tries an event with everything worn, everything in date, and proved.
func (s *search) tryFree(p place, tool int8, t *trial) { s.try(s.assume(p, tool, s.all), t) }

// tryOwed tries an event with nothing passed over before, and with the first step.
func (s *search) tryOwed(p place, t *trial) {
	s.tryFree(p, -1, t)
	if s.owing {
		s.try(s.assume(p, -1, s.all.owing(1)), t)
	}
}

func (v cover) owing(owed int16) cover { v.owed = owed; return v }

// note keeps the first, and so the shortest, way to a breach.
func (s *search) note(broke []laws.Breach, from int32, last ...*trial) {
	for _, law := range broke {
		if t := last[len(last)-1]; law.Evidence() && t.step >= 0 {
			law.Step = s.m.Method.Steps[t.step].ID
		}
		if _, known := s.broken[law]; !known {
			s.broken[law] = way{from, last}
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

// acts tries every act, whether it is in turn or not.
func (s *search) acts(p place) {
	bare, outOfTurn := s.once(unprotected, &p), s.once(outOfTurn, &p)
	for k := range s.m.acts {
		t, spite := s.act(&p.c, k), s.ts.acts[k].spite
		q, covers := p, s.bare
		inTurn := t != s.ts.acts[k].plain
		if inTurn {
			q.relies, spite = s.relies(&p.c), s.ts.steps[p.c.pos].spite
		}
		switch {
		case !inTurn && !s.m.acts[k].makeSafe && !outOfTurn:
			covers = nil
		case !bare || !inTurn && !s.m.acts[k].makeSafe:
			covers = covers[:1] // out of turn, whatever is worn
		}
		for _, v := range covers {
			s.try(s.assume(q, -1, v), t)
		}
		if int(s.nodes[p.from].spite) < s.spite {
			s.tryOwed(p, spite)
		}
	}
}

// relies gives the readings of the proof followed, where the step in turn needs it.
func (s *search) relies(c *Control) laws.Bits {
	var b laws.Bits
	if s.m.steps[c.pos].needs&s.keep == 0 {
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
func (s *search) steps(p place) {
	c := &p.c
	met := make([]bool, len(s.m.steps))
	for k := range s.m.steps {
		st, x := &s.m.steps[k], &s.ts.steps[k]
		inTurn := int16(k) == c.pos
		// Out of turn there is something to undo while the proof followed has a run, or the laws go by the reading.
		followed := st.supports&s.keep != 0 && !met[s.alike[k]] && (c.proofs[s.proof].phase != proofNone || x.reading >= 0 && p.l.Counts(x.reading))
		met[s.alike[k]] = met[s.alike[k]] || followed
		if x.bad != nil && (inTurn || x.reading >= 0 && followed && s.m.applies(c, k)) {
			s.tryFree(p, st.tool, x.bad)
		}
		if x.withdrawn != nil && followed {
			s.tryOwed(p, x.withdrawn)
			s.tryFree(p, -1, x.correctGood)
			if x.nowBad != nil {
				s.tryFree(p, -1, x.nowBad)
			}
		}
		if st.does == doDecide && !inTurn && c.facts[st.fact] != 0 {
			for _, t := range x.correctValues {
				s.tryOwed(p, t)
			}
		}
		if inTurn {
			s.step(p, st, x)
			if len(x.slips) > 0 {
				s.watch(p, x.slips[0].fact, x.slips[0]) // It is not the last.
			}
		}
	}
	// Going back, with nothing passed over, something before and something from there on; and forward,
	// which is refused.
	if k := s.before(c); k >= 0 {
		for _, owed := range []int16{0, int16(k), int16(k) + 1} {
			if owed == 0 || s.owing {
				s.try(s.assume(p, -1, s.all.owing(owed)), s.ts.steps[k].back)
			}
		}
	}
	if int(c.pos)+1 < len(s.m.steps) {
		s.watch(p, fact(laws.Skipped), s.ts.steps[c.pos+1].back)
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
func (s *search) step(p place, st *step, x *stepTrials) {
	switch st.does {
	case doObserve:
		for _, v := range s.seeing {
			s.try(s.assume(p, st.tool, v), x.good)
		}
	case doInspect, doRecord, doPutOn:
		s.tryFree(p, -1, x.good)
	case doTakeOff:
		q := p
		q.relies = s.relies(&p.c)
		s.tryFree(q, -1, x.good)
	case doDecide:
		for _, t := range x.values {
			s.tryFree(p, -1, t)
		}
	}
	for _, t := range x.more {
		s.tryFree(p, st.tool, t)
	}
	if x.late != nil {
		s.tryFree(p, st.tool, x.late)
	}
	for _, t := range x.leave {
		s.tryOwed(p, t)
	}
}

// things tries instruments and protection, in turn or not.
func (s *search) things(p place) {
	used, here := s.tools, step{tool: -1}
	if int(p.c.pos) < len(s.m.steps) {
		here = s.m.steps[p.c.pos]
	}
	if here.tool >= 0 {
		used |= 1 << here.tool
	}
	wear := s.once(wornAndChecked, &p)
	for ; used != 0; used &= used - 1 {
		k := int8(bits.TrailingZeros16(used))
		x := &s.ts.tools[k]
		prove := x.prove
		if here.does == doProve && here.tool == k {
			prove = s.ts.steps[p.c.pos].good
		}
		if prove != nil {
			for _, v := range []toolState{toolProved, toolUnproved, toolAbsent} {
				s.try(s.assume(p, k, cover{worn: s.all.worn, fit: s.all.fit, tool: v}), prove)
				if wear {
					s.try(s.assume(p, k, cover{tool: v}), prove)
				}
				if p.c.tools[k] != toolAbsent {
					break // It is not free.
				}
			}
		}
		for _, t := range []*trial{x.unsuited, x.failed, x.take, x.outdated, x.past, x.withdrawProving, x.withdrawTakeUp} {
			if t != nil {
				s.tryFree(p, k, t)
			}
		}
	}
	all := s.all.worn
	for k := range s.ts.items {
		bit, x := uint8(1)<<k, &s.ts.items[k]
		s.tryFree(p, -1, x.off)
		if !wear {
			continue
		}
		for _, v := range []cover{{worn: all, fit: all}, {worn: all &^ bit, fit: all}, {worn: all &^ bit, fit: all &^ bit}} {
			for _, t := range []*trial{x.on, x.off, x.sound, x.failed, x.withdrawn, x.past} {
				s.try(s.assume(p, -1, v), t)
			}
		}
	}
}
