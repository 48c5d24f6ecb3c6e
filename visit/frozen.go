package visit

import (
	"meterwright/site"
	"meterwright/visit/laws"
)

// under goes through a stop: resuming untold, told, and after a second stop, of which nobody was
// told. It reports whether work can go on after it.
func (s *search) under(from int32, c Control, l laws.State, by *trial) (Control, laws.State, bool) {
	s.frozen(from, c, l, by)
	watch := func(t *trial) bool {
		a := s.attempt(t, &c)
		ok := s.m.accepts(&c, &a)
		after := c
		if ok {
			after = s.m.fold(c, &a)
		}
		next, broke := s.u.Watch(l, s.at(t.fact, &after), ok)
		s.note(broke, from, by, t)
		if ok {
			c, l = after, next
		}
		return ok
	}
	if watch(s.ts.resume) {
		return c, l, true
	}
	watch(s.ts.report)
	told, toldLaws := c, l
	watch(s.ts.stop)
	watch(s.ts.resume)
	c, l = told, toldLaws
	watch(s.ts.foreignResume)
	if watch(s.ts.resume) {
		return c, l, true
	}
	for _, e := range s.ts.ends {
		if e.body.(Ended).Outcome == StoppedDanger.String() {
			watch(e)
		}
	}
	return c, l, false
}

// known holds that from every state the position can be brought to a known end
// by acts that make safe alone: contact shrouded, cover on, and the visit ended.
func (s *search) known(from int32, c Control, l laws.State) {
	s.assume(&c, &l, -1, cover{worn: s.allWorn(), fit: s.allWorn()})
	act := func(id site.ActID) {
		for k, x := range s.m.Method.Acts {
			if x.ID != id {
				continue
			}
			a := s.attempt(s.ts.acts[k].plain, &c)
			if !s.m.accepts(&c, &a) {
				s.note([]laws.Breach{{Law: laws.NoKnownEnd, Act: id}}, from, s.ts.acts[k].plain)
				return
			}
			c = s.m.fold(c, &a)
		}
	}
	if s.isAway(&c, site.Carrier) && !s.isAway(&c, site.Contact) {
		act("shroud-contact")
	}
	if s.isAway(&c, site.Cover) {
		act("put-cover-on")
	}
	for i, o := range Outcomes() {
		a := s.attempt(s.ts.ends[i], &c)
		if o != Completed && !s.m.accepts(&c, &a) {
			s.note([]laws.Breach{{Law: laws.OutcomeNotAccepted, Outcome: o.String()}}, from, s.ts.ends[i])
		}
	}
}

func (s *search) isAway(c *Control, id site.SwitchID) bool {
	for i, w := range s.m.Method.Switches {
		if w.ID == id {
			return c.switches&(1<<i) != 0
		}
	}
	return false
}

// frozen tries every act where none may be accepted, but those that make safe.
func (s *search) frozen(from int32, c Control, l laws.State, by *trial) {
	if !s.once(frozenActs, &c, &l) {
		return
	}
	s.assume(&c, &l, -1, cover{worn: s.allWorn(), fit: s.allWorn()})
	for k := range s.m.acts {
		t := s.act(&c, k)
		a := s.attempt(t, &c)
		_, broke := s.u.Watch(l, s.at(t.fact, &c), s.m.accepts(&c, &a))
		s.note(broke, from, by, t)
	}
}

// twoHolders tries what carries the work on, on a device that does not hold the visit, and while two do:
// another has taken over from where the work stands, and neither has seen the other.
func (s *search) twoHolders(from int32, c Control, l laws.State) {
	if !s.once(otherHolders, &c, &l) {
		return
	}
	s.assume(&c, &l, -1, cover{worn: s.allWorn(), fit: s.allWorn(), tool: toolProved})
	one, other := &state{control: c, holder: trialHolder, event: "1", claim: "1"}, &state{control: c, holder: trialOther, event: "2", claim: "2"}
	both := s.m.join(one, other).control
	watch := func(c *Control, t *trial, f laws.Fact) {
		a := s.attempt(t, c)
		_, broke := s.u.Watch(l, s.at(f, c), s.m.accepts(c, &a))
		s.note(broke, from, t)
	}
	try := func(t, foreign, behind *trial) {
		watch(&c, foreign, foreign.fact)
		watch(&c, behind, behind.fact)
		watch(&both, t, behind.fact)
	}
	for k := range s.m.acts {
		if s.act(&c, k) == s.ts.acts[k].plain {
			try(s.ts.acts[k].plain, s.ts.acts[k].foreign, s.ts.acts[k].behind)
		}
	}
	if int(c.pos) < len(s.m.steps) && s.ts.steps[c.pos].foreign != nil {
		try(s.ts.steps[c.pos].good, s.ts.steps[c.pos].foreign, s.ts.steps[c.pos].behind)
	}
}

// afterEnd tries one event of each sort after an end; none may be accepted.
func (s *search) afterEnd(from int32, c Control, l laws.State, by *trial) {
	for _, t := range []*trial{s.ts.note, s.ts.acts[0].plain, s.ts.report, s.ts.stop} {
		a := s.attempt(t, &c)
		_, broke := s.u.Watch(l, s.at(t.fact, &c), s.m.accepts(&c, &a))
		s.note(broke, from, by, t)
	}
}
