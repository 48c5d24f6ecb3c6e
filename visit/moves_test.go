package visit

import (
	"math/bits"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit/laws"
)

// cover is one assumption about what is free in a node.
type cover struct {
	worn, fit uint8
	tool      toolState
}

func (s *search) expand(i int32) {
	c, l := s.nodes[i].c, s.nodes[i].l
	if !c.begun {
		s.try(i, c, l, move{a: attempt{do: doOpen, step: -1, act: -1, tool: -1}, f: laws.Fact{Does: laws.Opened, Reading: -1}})
		s.try(i, c, l, move{a: attempt{do: doNote, step: -1, act: -1, tool: -1}, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
		return
	}
	s.known(i, c, l)
	s.acts(i, c, l)
	s.steps(i, c, l)
	s.things(i, c, l)
	s.plain(i, c, l)
}

// assume fills in what is free in a node.
func (s *search) assume(c *Control, l *laws.State, tool int8, v cover) {
	worn, sound, inDate, open := l.Worn(), l.Sound(), l.InDate(), l.OpenTools()
	if c.worn == 0 && c.fit == 0 && worn == 0 && sound == 0 {
		c.worn, c.fit, worn, sound = v.worn, v.fit, v.worn, v.fit
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

func (s *search) try(from int32, c Control, l laws.State, mv move) {
	m := s.m
	s.cur, s.att = c, mv.a
	m.lapse(&s.cur, s.att.elapsedMS)
	accepted := m.accepts(&s.cur, &s.att)
	if mv.a.inSpite {
		if accepted {
			return
		}
		accepted = s.cur.begun && s.cur.ended == NotEnded
	}
	next, broke := s.u.Watch(l, mv.f, accepted)
	s.note(broke, from, func() string { return s.describe(mv) })
	if !accepted {
		return
	}
	s.was = s.cur
	m.foldInto(&s.cur, &s.was, &s.att)
	after := s.cur
	spite := s.nodes[from].spite
	if mv.a.inSpite {
		spite++
	}
	if mv.a.do == doGoAway {
		s.frozen(from, after, next, mv)
		back := attempt{do: doComeBack, step: -1, act: -1, tool: -1}
		after = m.fold(after, &back)
		next, _ = s.u.Watch(next, laws.Fact{Does: laws.CameBack, Reading: -1}, true)
	}
	if mv.a.do == doAct && s.m.acts[mv.a.act].cause == method.Energised && s.quiet && after.proofs[s.proof].phase != proofNone {
		s.note([]string{"a proof of dead outlived an act that energises"}, from, func() string { return s.describe(mv) })
	}
	if mv.a.do == doEnd {
		s.afterEnd(from, after, next)
		return
	}
	if after.stop != 0 {
		after, next, accepted = s.under(from, after, next, mv)
		if !accepted {
			return
		}
	}
	s.push(after, next, spite, from, mv)
}

// under goes through a stop. It reports whether work can go on after it.
func (s *search) under(from int32, c Control, l laws.State, by move) (Control, laws.State, bool) {
	s.frozen(from, c, l, by)
	watch := func(a attempt, f laws.Fact) bool {
		a.step, a.act, a.tool, f.Reading = -1, -1, -1, -1
		ok := s.m.accepts(&c, &a)
		next, broke := s.u.Watch(l, f, ok)
		s.note(broke, from, func() string { return s.describe(by) + "; " + s.describe(move{a: a}) })
		if ok {
			c, l = s.m.fold(c, &a), next
		}
		return ok
	}
	if watch(attempt{do: doResume}, laws.Fact{Does: laws.Resumed}) {
		return c, l, true
	}
	watch(attempt{do: doReport}, laws.Fact{Does: laws.Reported})
	if watch(attempt{do: doResume}, laws.Fact{Does: laws.Resumed}) {
		return c, l, true
	}
	watch(attempt{do: doEnd, outcome: StoppedDanger}, laws.Fact{Does: laws.Ended})
	return c, l, false
}

func (s *search) note(broke []string, from int32, last func() string) {
	for _, law := range broke {
		if _, known := s.broken[law]; !known {
			s.broken[law], s.last[law] = from, last()
		}
	}
}

// known holds that from every state the position can be brought to a known end
// by acts that make safe alone: contact shrouded, cover on, and the visit ended.
func (s *search) known(from int32, c Control, l laws.State) {
	s.assume(&c, &l, -1, cover{s.allWorn(), s.allWorn(), toolAbsent})
	away := func(id site.SwitchID) bool {
		for i, w := range s.m.Method.Switches {
			if w.ID == id {
				return c.switches&(1<<i) != 0
			}
		}
		return false
	}
	act := func(id site.ActID) {
		for k, x := range s.m.Method.Acts {
			if a := (attempt{do: doAct, step: -1, act: int8(k), tool: -1}); x.ID == id {
				if !s.m.accepts(&c, &a) {
					s.note([]string{"no known end: " + string(id) + " was refused"}, from, func() string { return s.describe(move{a: a}) })
					return
				}
				c = s.m.fold(c, &a)
			}
		}
	}
	if away(site.Carrier) && !away(site.Contact) {
		act("shroud-contact")
	}
	if away(site.Cover) {
		act("put-cover-on")
	}
	for _, o := range Outcomes()[1:] {
		a := attempt{do: doEnd, step: -1, act: -1, tool: -1, outcome: o}
		if !s.m.accepts(&c, &a) {
			s.note([]string{"no known end: the outcome " + o.String() + " was refused"}, from, func() string { return s.describe(move{a: a}) })
		}
	}
}

// frozen tries every act where none may be accepted, but those that make safe.
func (s *search) frozen(from int32, c Control, l laws.State, by move) {
	tried := [3]int32{from, int32(c.stop), int32(c.switches)}
	if s.tried == tried {
		return
	}
	s.tried = tried
	for k := range s.m.acts {
		a := attempt{do: doAct, step: -1, act: int8(k), tool: -1}
		if int(c.pos) < len(s.m.steps) && s.m.steps[c.pos].act == a.act {
			a.step = c.pos
		}
		cc, ll := c, l
		s.assume(&cc, &ll, -1, cover{s.allWorn(), s.allWorn(), toolAbsent})
		_, broke := s.u.Watch(ll, laws.Fact{Does: laws.Acted, Act: k, Reading: -1}, s.m.accepts(&cc, &a))
		s.note(broke, from, func() string { return s.describe(by) + "; " + s.describe(move{a: a}) })
	}
}

// afterEnd tries one event of each sort after an end; none may be accepted.
func (s *search) afterEnd(from int32, c Control, l laws.State) {
	for _, d := range []doing{doNote, doAct, doReport, doStop} {
		a := attempt{do: d, step: -1, act: 0, tool: -1}
		_, broke := s.u.Watch(l, laws.Fact{Does: laws.Unlikely, Reading: -1}, s.m.accepts(&c, &a))
		s.note(broke, from, func() string { return s.describe(move{a: a}) })
	}
}

func (s *search) allWorn() uint8 { return 1<<len(s.m.Method.Protection) - 1 }

func (s *search) covers(tools ...toolState) []cover {
	all := s.allWorn()
	out := []cover{{all, all, tools[0]}, {0, 0, tools[0]}, {0, all, tools[0]}}
	for i := range s.m.Method.Protection {
		out = append(out, cover{all &^ (1 << i), all, tools[0]})
	}
	for _, t := range tools[1:] {
		out = append(out, cover{all, all, t})
	}
	return out
}

// acts tries every act, whether it is in turn or not.
func (s *search) acts(i int32, c Control, l laws.State) {
	for k := range s.m.acts {
		a := attempt{do: doAct, step: -1, act: int8(k), tool: -1}
		if int(c.pos) < len(s.m.steps) && s.m.steps[c.pos].act == a.act {
			a.step = c.pos
		}
		f := laws.Fact{Does: laws.Acted, Act: k, Reading: -1, Relies: s.relies(&c, a.step)}
		covers := s.covers(toolAbsent)
		if a.step < 0 && !s.m.acts[k].makeSafe {
			covers = covers[:1] // out of turn, whatever is worn
		}
		for _, v := range covers {
			cc, ll := c, l
			s.assume(&cc, &ll, -1, v)
			s.try(i, cc, ll, move{a: a, f: f})
		}
		if int(s.nodes[i].spite) >= s.spite {
			continue
		}
		b, g := a, f
		b.inSpite, g.InSpite = true, true
		if b.step < 0 {
			b.step = s.stepOf(b.act)
		}
		cc, ll := c, l
		s.assume(&cc, &ll, -1, cover{s.allWorn(), s.allWorn(), toolAbsent})
		s.try(i, cc, ll, move{a: b, f: g})
	}
}

// relies gives the readings of the proof followed, where the step needs it.
func (s *search) relies(c *Control, step int16) laws.Bits {
	var b laws.Bits
	if step < 0 || s.m.steps[step].needs&s.keep == 0 {
		return b
	}
	for _, i := range s.m.proofs[s.proof].supports {
		if k := s.reading[i]; k >= 0 && s.m.applies(c, int(i)) {
			b = b.With(k)
		}
	}
	return b
}

func (s *search) stepOf(act int8) int16 {
	for i := range s.m.steps {
		if s.m.steps[i].act == act {
			return int16(i)
		}
	}
	return -1
}

// steps tries the step in turn in every way, and warnings of every other.
func (s *search) steps(i int32, c Control, l laws.State) {
	for k := range s.m.steps {
		s.step(i, c, l, k)
	}
	// Going back one step at a time reaches every earlier one.
	for k := int(c.pos) - 1; k >= 0; k-- {
		if s.m.applies(&c, k) && !s.inert[k] {
			a := attempt{do: doReturn, step: int16(k), act: -1, tool: -1}
			s.tryFree(i, c, l, -1, move{a: a, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
			break
		}
	}
	if int(c.pos)+1 < len(s.m.steps) {
		a := attempt{do: doReturn, step: c.pos + 1, act: -1, tool: -1}
		s.tryFree(i, c, l, -1, move{a: a, f: laws.Fact{Does: laws.Skipped, Reading: -1}})
	}
}

func (s *search) step(i int32, c Control, l laws.State, k int) {
	{
		st := &s.m.steps[k]
		base := attempt{step: int16(k), act: st.act, tool: st.tool, items: st.items, do: st.does}
		inTurn := int16(k) == c.pos
		switch st.does {
		case doObserve:
			f := laws.Fact{Does: laws.Read, Tool: int(st.tool), Reading: s.reading[k], Good: true}
			if inTurn {
				base.result = expected
				late, g := base, f
				late.after, g.Late = true, !st.after
				s.tryFree(i, c, l, st.tool, move{a: late, f: g})
				for _, v := range s.covers(toolProved, toolUnproved, toolAbsent) {
					cc, ll := c, l
					s.assume(&cc, &ll, st.tool, v)
					s.try(i, cc, ll, move{a: base, f: f})
				}
			}
			if inTurn || s.m.applies(&c, k) && st.supports&s.keep != 0 {
				b, g := base, f
				b.result, g.Good, g.Danger = unexpected, false, s.danger[k]
				s.tryFree(i, c, l, st.tool, move{a: b, f: g})
				if inTurn {
					b.result, g.Danger, g.Reading = doubtful, false, -1
					g.Does = laws.Unlikely
					s.tryFree(i, c, l, st.tool, move{a: b, f: g})
				}
			}
			if st.supports&s.keep != 0 {
				b := base
				b.do, b.target, b.result = doCorrect, doObserve, withdrawn
				s.tryFree(i, c, l, -1, move{a: b, f: laws.Fact{Does: laws.Withdrawn, Tool: -1, Reading: s.reading[k]}})
				b.result = expected
				s.tryFree(i, c, l, -1, move{a: b, f: laws.Fact{Does: laws.Withdrawn, Tool: -1, Reading: s.reading[k]}})
				if s.m.steps[k].stop >= 0 {
					b.result = unexpected
					s.tryFree(i, c, l, -1, move{a: b, f: laws.Fact{Does: laws.Withdrawn, Tool: -1, Reading: s.reading[k], Danger: s.danger[k]}})
				}
			}
		case doInspect:
			f := laws.Fact{Does: laws.Read, Reading: -1, Good: true}
			if inTurn {
				base.result = expected
				s.tryFree(i, c, l, -1, move{a: base, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
				late := base
				late.after = true
				s.tryFree(i, c, l, -1, move{a: late, f: laws.Fact{Does: laws.Unlikely, Reading: -1, Late: !st.after}})
				base.result, f.Good = unexpected, false
				s.tryFree(i, c, l, -1, move{a: base, f: f})
			}
		case doDecide:
			if inTurn {
				for v := range s.m.Method.Facts[st.fact].Values {
					b := base
					b.value = uint8(v + 1)
					s.tryFree(i, c, l, -1, move{a: b, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
				}
			} else if c.facts[st.fact] != 0 {
				for v := range s.m.Method.Facts[st.fact].Values {
					b := base
					b.do, b.target, b.value = doCorrect, doDecide, uint8(v+1)
					s.tryFree(i, c, l, -1, move{a: b, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
				}
			}
		case doRecord:
			if inTurn {
				s.tryFree(i, c, l, -1, move{a: base, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
			}
		}
		if inTurn {
			b := base
			b.do = doLeaveOut
			s.tryFree(i, c, l, -1, move{a: b, f: laws.Fact{Does: laws.Unlikely, Reading: -1}})
		}
	}
}

// tryFree tries a move with everything worn, everything in date, and proved.
func (s *search) tryFree(i int32, c Control, l laws.State, tool int8, mv move) {
	s.assume(&c, &l, tool, cover{s.allWorn(), s.allWorn(), toolProved})
	s.try(i, c, l, mv)
}

// things tries instruments and protection, in turn or not.
func (s *search) things(i int32, c Control, l laws.State) {
	step := func(does doing, tool int8, items uint8) int16 {
		if int(c.pos) < len(s.m.steps) {
			if st := &s.m.steps[c.pos]; st.does == does && st.tool == tool && (items == 0 || st.items == items) {
				return c.pos
			}
		}
		return -1
	}
	used := s.tools
	if int(c.pos) < len(s.m.steps) && s.m.steps[c.pos].tool >= 0 {
		used |= 1 << s.m.steps[c.pos].tool
	}
	for ; used != 0; used &= used - 1 {
		t := int8(bits.TrailingZeros16(used))
		prove := attempt{do: doProve, tool: t, act: -1, step: step(doProve, t, 0), result: expected, source: 1}
		f := laws.Fact{Does: laws.Proved, Tool: int(t), Good: true, Suits: true, Reading: -1}
		for _, v := range []toolState{toolProved, toolUnproved, toolAbsent} {
			for _, w := range []uint8{s.allWorn(), 0} {
				cc, ll := c, l
				s.assume(&cc, &ll, t, cover{w, w, v})
				s.try(i, cc, ll, move{a: prove, f: f})
			}
		}
		unsuited, g := prove, f
		unsuited.source, g.Suits = 0, false
		s.tryFree(i, c, l, t, move{a: unsuited, f: g})
		bad, g := prove, f
		bad.result, g.Good = unexpected, false
		s.tryFree(i, c, l, t, move{a: bad, f: g})
		take := attempt{do: doTakeUp, tool: t, act: -1, step: step(doTakeUp, t, 0), result: expected}
		h := laws.Fact{Does: laws.TakenUp, Tool: int(t), Good: true, Reading: -1}
		s.tryFree(i, c, l, t, move{a: take, f: h})
		take.result, h.Good = unexpected, false
		s.tryFree(i, c, l, t, move{a: take, f: h})
		for _, target := range []doing{doProve, doTakeUp} {
			back := attempt{do: doCorrect, target: target, tool: t, act: -1, step: -1, result: withdrawn}
			s.tryFree(i, c, l, t, move{a: back, f: laws.Fact{Does: laws.Withdrawn, Tool: int(t), Reading: -1, TakeUp: target == doTakeUp}})
		}
	}
	for k := range s.m.Method.Protection {
		bit := uint8(1) << k
		for _, v := range []cover{{s.allWorn(), s.allWorn(), toolAbsent}, {s.allWorn() &^ bit, s.allWorn(), toolAbsent}, {s.allWorn() &^ bit, s.allWorn() &^ bit, toolAbsent}} {
			cc, ll := c, l
			s.assume(&cc, &ll, -1, v)
			for _, a := range []attempt{
				{do: doPutOn, items: bit, step: step(doPutOn, -1, bit), act: -1, tool: -1},
				{do: doTakeOff, items: bit, step: step(doTakeOff, -1, bit), act: -1, tool: -1},
				{do: doCheck, items: bit, step: step(doCheck, -1, bit), act: -1, tool: -1, result: expected},
				{do: doCheck, items: bit, step: step(doCheck, -1, bit), act: -1, tool: -1, result: unexpected},
				{do: doCorrect, target: doCheck, items: bit, step: -1, act: -1, tool: -1, result: withdrawn},
			} {
				f := laws.Fact{Items: bit, Reading: -1, Good: a.result == expected}
				switch a.do {
				case doPutOn:
					f.Does = laws.PutOn
				case doTakeOff:
					f.Does = laws.TookOff
				case doCheck:
					f.Does = laws.Checked
				case doCorrect:
					f.Does, f.Tool = laws.Withdrawn, -1
				}
				s.try(i, cc, ll, move{a: a, f: f})
			}
		}
	}
	// The step in turn may put on or take off several things at once.
	if int(c.pos) < len(s.m.steps) {
		st := &s.m.steps[c.pos]
		a := attempt{do: st.does, items: st.items, step: c.pos, act: -1, tool: -1, result: expected}
		switch st.does {
		case doPutOn:
			s.tryFree(i, c, l, -1, move{a: a, f: laws.Fact{Does: laws.PutOn, Items: st.items, Reading: -1}})
		case doTakeOff:
			s.tryFree(i, c, l, -1, move{a: a, f: laws.Fact{Does: laws.TookOff, Items: st.items, Reading: -1, Relies: s.relies(&c, c.pos)}})
		}
	}
}

// longTime is more than any proof lasts.
const longTime = int64(1) << 40

// plain tries everything that belongs to no step.
func (s *search) plain(i int32, c Control, l laws.State) {
	none := attempt{step: -1, act: -1, tool: -1}
	do := func(d doing, f laws.Fact, change func(*attempt)) {
		a := none
		a.do = d
		f.Reading = -1
		if change != nil {
			change(&a)
		}
		s.tryFree(i, c, l, -1, move{a: a, f: f})
	}
	do(doGoAway, laws.Fact{Does: laws.LeftPlace}, nil)
	do(doTakeOver, laws.Fact{Does: laws.HandedOver}, nil)
	do(doNote, laws.Fact{Does: laws.TimePassed}, func(a *attempt) { a.elapsedMS = longTime })
	do(doNote, laws.Fact{Does: laws.TimePassed}, func(a *attempt) { a.elapsedMS = -1 })
	do(doStop, laws.Fact{Does: laws.Declared}, nil)
	do(doReport, laws.Fact{Does: laws.Reported}, nil)
	do(doResume, laws.Fact{Does: laws.Resumed}, nil)
	for _, o := range Outcomes() {
		do(doEnd, laws.Fact{Does: laws.Ended, Good: o == Completed}, func(a *attempt) { a.outcome = o })
	}
}

// describe writes one move for a trace.
func (s *search) describe(mv move) string {
	a := &mv.a
	text := a.do.String()
	if a.do == doCorrect {
		text += " " + a.target.String()
	}
	if a.step >= 0 {
		text += " " + s.m.Method.Steps[a.step].ID
	}
	if a.act >= 0 && a.do == doAct {
		text += " " + string(s.m.Method.Acts[a.act].ID)
	}
	if a.tool >= 0 {
		text += " " + string(instrument.Models()[a.tool].Kind)
	}
	if a.items != 0 {
		var items []string
		for k, p := range s.m.Method.Protection {
			if a.items&(1<<k) != 0 {
				items = append(items, p.ID)
			}
		}
		text += " " + strings.Join(items, "+")
	}
	if a.result != noResult {
		text += " " + string(a.result.found())
	}
	if a.do == doDecide || a.do == doCorrect && a.target == doDecide {
		text += " " + s.m.Method.Facts[s.m.steps[a.step].fact].Values[a.value-1]
	}
	if a.inSpite {
		text += " in spite"
	}
	if a.elapsedMS != 0 {
		text += " after a long or unknown time"
	}
	if a.do == doEnd {
		text += " " + a.outcome.String()
	}
	return text
}

// trace writes the shortest trace to a broken law.
func (s *search) trace(law string) string {
	lines := []string{s.last[law]}
	for i := s.broken[law]; i >= 0; i = s.nodes[i].parent {
		if s.nodes[i].parent >= 0 {
			lines = append(lines, s.describe(s.nodes[i].by))
		}
	}
	slices.Reverse(lines)
	return law + ":\n  " + strings.Join(lines, "\n  ")
}
