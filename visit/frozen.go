package visit

import (
	"slices"

	"meterwright/site"
	"meterwright/visit/laws"
)

// under goes through a stop: resuming untold, told, and after a second stop, of which nobody was
// told. It reports whether work can go on after it.
func (s *search) under(p place, by *trial) (place, bool) {
	s.frozen(p, by)
	ts := s.ts
	then := func(p place, t *trial) (place, bool) { return s.watch(p, t.fact, t, by) }
	if after, ok := then(p, ts.resume); ok {
		return after, true
	}
	told, _ := then(p, ts.report)
	again, _ := then(told, ts.stop)
	then(again, ts.resume)
	p, _ = then(told, ts.foreignResume)
	if after, ok := then(p, ts.resume); ok {
		return after, true
	}
	for _, e := range ts.ends {
		if e.body.(Ended).Outcome == StoppedDanger.String() {
			then(p, e)
		}
	}
	return p, false
}

// known holds that from every state the position can be brought to a known end
// by acts that make safe alone: contact shrouded, cover on, and the visit ended.
func (s *search) known(p place) {
	c := s.assume(p, -1, cover{worn: s.all.worn, fit: s.all.fit}).c
	act := func(id site.ActID) {
		for k, x := range s.m.Method.Acts {
			if x.ID != id {
				continue
			}
			after, ok := s.ask(c, s.ts.acts[k].plain)
			if !ok {
				s.note([]laws.Breach{{Law: laws.NoKnownEnd, Act: id}}, p.from, s.ts.acts[k].plain)
				return
			}
			c = after
		}
	}
	away := func(id site.SwitchID) bool {
		i := slices.IndexFunc(s.m.Method.Switches, func(w site.Switch) bool { return w.ID == id })
		return i >= 0 && c.switches&(1<<i) != 0
	}
	if away(site.Carrier) && !away(site.Contact) {
		act("shroud-contact")
	}
	if away(site.Cover) {
		act("put-cover-on")
	}
	for i, o := range Outcomes() {
		if _, ok := s.ask(c, s.ts.ends[i]); o != Completed && !ok {
			s.note([]laws.Breach{{Law: laws.OutcomeNotAccepted, Outcome: o.String()}}, p.from, s.ts.ends[i])
		}
	}
}

// frozen tries every act where none may be accepted, but those that make safe.
func (s *search) frozen(p place, by *trial) {
	if !s.once(frozenActs, &p) {
		return
	}
	p = s.assume(p, -1, cover{worn: s.all.worn, fit: s.all.fit})
	for k := range s.m.acts {
		t := s.act(&p.c, k)
		s.watch(p, t.fact, t, by)
	}
}

// twoHolders tries what carries the work on, on a device that does not hold the visit, and while two do:
// another has taken over from where the work stands, and neither has seen the other.
func (s *search) twoHolders(p place) {
	if !s.once(otherHolders, &p) {
		return
	}
	p = s.assume(p, -1, s.all)
	one, other := &state{control: p.c, holder: trialHolder, event: "1", claim: "1"}, &state{control: p.c, holder: trialOther, event: "2", claim: "2"}
	both := p
	both.c = s.m.join(one, other).control
	try := func(t, foreign, behind *trial) {
		s.watch(p, foreign.fact, foreign)
		s.watch(p, behind.fact, behind)
		s.watch(both, behind.fact, t)
	}
	for k, x := range s.ts.acts {
		if s.act(&p.c, k) == x.plain {
			try(x.plain, x.foreign, x.behind)
		}
	}
	if int(p.c.pos) < len(s.m.steps) && s.ts.steps[p.c.pos].foreign != nil {
		x := &s.ts.steps[p.c.pos]
		try(x.good, x.foreign, x.behind)
	}
}
