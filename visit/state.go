package visit

import (
	"cmp"
	"iter"
	"slices"
	"time"

	"meterwright/method"
	"meterwright/site"
)

// state is where one device's chain stands: what decides, and where the account is to be
// continued. A state is made anew by each event and never changed afterwards.
type state struct {
	control Control
	// event is the event that led here, chain the chain that it stands in.
	event, chain string
	// claim is the last event that carried the work on, or stopped it. Two states of which neither
	// has the other's claim in its past are two holders of the visit.
	claim string
	// holder is the chain that holds the visit, held the event by which it does; released says that it
	// was handed over since.
	holder   string
	held     string
	released bool
	// joined says that this is what can be taken for granted where devices have not seen one another.
	joined bool

	clock
	last

	toolID [10]string
	// bracket is 1 + the index of the bracket that is open for a kind of instrument.
	bracket [10]int
	runs    [method.MaxProofs][]string
	since   [method.MaxProofs]time.Time
	// stops holds the indices of the stops that are in force, off 1 + that of the outage that goes on.
	stops []int
	off   int
}

// branches is every state that may still be continued.
type branches struct {
	// states holds the heads, and what Retain names, by event.
	states map[string]*state
	heads  []*state
	// past gives the events that an event was made after: one, or two where it takes over.
	past   map[string][2]string
	retain map[string]bool
}

// Retain has the state after an event kept, because more than one line follows it: one of another
// chain that takes over there, or another version of the same chain.
func (v *Visit) Retain(event string) { v.retain[event] = true }

// Holder returns the chain that holds the visit, and whether two do. It is empty where events name
// no chains, and where the visit was handed over and nobody took it.
func (v *Visit) Holder() (chain string, contested bool) {
	if v.now.released {
		return "", v.now.control.contested
	}
	return v.now.holder, v.now.control.contested
}

// own returns the state of the event before on the same chain, or nil.
func (v *Visit) own(e *Event) *state {
	switch {
	case e.Prev != "":
		return v.states[e.Prev]
	case e.Chain == "":
		return v.now
	}
	for _, s := range v.heads {
		if s.chain == e.Chain {
			return s
		}
	}
	return nil
}

// named returns the state of the chain that the event takes over, or goes on from, or nil.
func (v *Visit) named(e *Event) *state {
	switch b := e.Body.(type) {
	case TakenOver:
		return v.states[b.Head]
	case Supplement:
		if e.Prev == "" && b.Head != "" {
			return v.states[b.Head]
		}
	}
	if e.Over != "" {
		return v.states[e.Over]
	}
	return nil
}

// at returns the state that an event was made in: that of the event before it on its chain,
// together with that of a chain that it takes over. It is nil where neither is known.
func (v *Visit) at(e *Event) *state {
	own, other := v.own(e), v.named(e)
	var s state
	switch {
	case other == nil || other == own:
		return own
	case own == nil:
		s = *other
		if e.Chain != "" {
			// The other device's clock says nothing about this one's.
			s.boot, s.wall = "", time.Time{}
		}
		return &s
	case v.before(own.claim, other.event):
		s = *other
	case v.before(other.claim, own.event):
		s = *own
	default:
		s = v.machine.join(own, other)
	}
	s.mono, s.boot, s.wall, s.answered = own.mono, own.boot, own.wall, own.answered
	return &s
}

// Before reports whether whoever made event b had seen event a: that it is the same or lies in its past.
func (v *Visit) Before(a, b string) bool { return v.before(a, b) }

// before reports whether event a is event b or lies in its past.
func (v *Visit) before(a, b string) bool {
	for x := range v.upTo(b) {
		if x == a {
			return true
		}
	}
	return a == b
}

// upTo goes through an event and its past.
func (v *Visit) upTo(event string) iter.Seq[string] {
	return func(yield func(string) bool) {
		met := map[string]bool{}
		for next := []string{event}; len(next) > 0; {
			x := next[len(next)-1]
			next = next[:len(next)-1]
			if x == "" || met[x] {
				continue
			}
			if !yield(x) {
				return
			}
			met[x] = true
			p := v.past[x]
			next = append(next, p[0], p[1])
		}
	}
}

// follow puts the state that an event led to in the place of those that it was made after.
func (v *Visit) follow(e *Event, to *state) {
	own, other := v.own(e), v.named(e)
	var past [2]string
	for i, s := range []*state{own, other} {
		if s == nil {
			continue
		}
		past[i] = s.event
		if i == 0 || s.chain == "" {
			v.heads = slices.DeleteFunc(v.heads, func(h *state) bool { return h == s })
			if !v.retain[s.event] {
				delete(v.states, s.event)
			}
		}
	}
	v.past[e.Hash] = past
	v.heads = append(v.heads, to)
	v.states[e.Hash] = to
	v.now = to
}

// settle brings what is told of the whole visit to where the events have led: its state is that of its
// one head, or what is known of all that hold it.
func (v *Visit) settle() {
	if len(v.heads) > 1 {
		open := v.open()
		s := *open[0]
		for _, o := range open[1:] {
			s = v.machine.join(&s, o)
			s.joined = s.joined || o.claim != open[0].claim
		}
		v.now = &s
	}
	v.account.standing(v.now)
}

// open lists the heads of which none has seen how far the others came. Two that come from the same work,
// and only told of it since, stay both.
func (v *Visit) open() []*state {
	claimed := map[string]bool{}
	for _, h := range v.heads {
		claimed[h.claim] = true
	}
	seen := map[string]bool{}
	for _, h := range v.heads {
		for x := range v.upTo(h.event) {
			if x != h.claim && claimed[x] {
				seen[x] = true
			}
		}
	}
	open := slices.DeleteFunc(slices.Clone(v.heads), func(h *state) bool { return seen[h.claim] })
	// Not the order of arrival, so that the joined state is the same whatever came first.
	slices.SortFunc(open, func(a, b *state) int { return cmp.Compare(a.event, b.event) })
	return open
}

// Holding is a chain that holds the visit, or held it in a way that no other has taken up.
type Holding struct {
	Chain string
	// Head is the last event of the chain, and Since the one by which it came to hold the visit.
	Head, Since string
	// Released says that it was handed over since.
	Released bool
}

// Holdings lists the chains of which none has seen how far the others came, in a fixed order: one
// where all is well.
func (v *Visit) Holdings() []Holding {
	var list []Holding
	for _, h := range v.open() {
		list = append(list, Holding{Chain: h.chain, Head: h.event, Since: h.held, Released: h.released})
	}
	return list
}

// join is what can be taken for granted of a service position of which two devices tell without
// having seen each other: no proof but one that both have, no protection but what both say is
// worn, the graver stop, the earlier step, conductors bared and sources on wherever one says so.
func (m *Machine) join(a, b *state) state {
	out := *a
	c, x, y := &out.control, &a.control, &b.control
	c.begun, c.away = x.begun || y.begun, x.away || y.away
	c.contested = x.contested || y.contested || a.claim != b.claim && !a.released && !b.released
	if a.released && !b.released {
		out.holder, out.released = b.holder, false
	}
	c.pos, c.done = m.joinPlaces(x, y)
	switch {
	case x.stop == 0:
		c.stop, c.told = y.stop, y.told
	case y.stop != 0:
		c.told = x.told && y.told
		if m.graver(y.stop, x.stop) {
			c.stop = y.stop
		}
	}
	c.ended = joinEnds(a, b)
	c.worn, c.fit = x.worn&y.worn, x.fit&y.fit
	danger := m.exposed | m.service
	c.switches = (x.switches|y.switches)&danger | x.switches&y.switches&^danger
	var other uint16
	for i := range c.tools {
		c.tools[i] = min(x.tools[i], y.tools[i])
		if a.toolID[i] != b.toolID[i] {
			c.tools[i], out.toolID[i] = toolAbsent, ""
		}
		if a.bracket[i] != b.bracket[i] {
			c.tools[i], out.bracket[i], other = min(c.tools[i], toolUnproved), 0, other|1<<i
		}
	}
	for i := range c.facts {
		if x.facts[i] != y.facts[i] {
			c.facts[i] = 0 // Not known, so that every step applies.
		}
	}
	for i := range c.proofs {
		p, q := x.proofs[i], y.proofs[i]
		if p.phase != q.phase || p.rests != q.rests || p.rests&other != 0 || !slices.Equal(a.runs[i], b.runs[i]) {
			c.proofs[i], out.runs[i], out.since[i] = proofState{}, nil, time.Time{}
			continue
		}
		c.proofs[i].leftMS = min(p.leftMS, q.leftMS)
	}
	for i := range c.fitMS {
		c.fitMS[i] = min(x.fitMS[i], y.fitMS[i])
	}
	if x.again != y.again {
		c.again = 0
	}
	m.joinOwed(c, x, y)
	out.clock, out.last = joinClocks(&a.clock, &b.clock), joinLast(&a.last, &b.last)
	c.slip = 0
	if x.retest != y.retest || x.tested != y.tested {
		c.retest, c.tested = 0, false
	}
	out.stops = slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(a.stops), b.stops...))))
	out.off = max(a.off, b.off)
	return out
}

// joinOwed: what either passed over is owed, and so is the question of every fact of which they differ.
func (m *Machine) joinOwed(c, x, y *Control) {
	c.owed = 0
	m.owe(c, x.owed-1)
	m.owe(c, y.owed-1)
	for i, s := range m.steps {
		if s.does == doDecide && x.facts[s.fact] != y.facts[s.fact] {
			m.owe(c, int16(i))
		}
	}
}

// graver reports whether stop a is graver than stop b; of two alike it is the one that stands first in
// the method.
func (m *Machine) graver(a, b int8) bool {
	if x, y := m.resumable(a), m.resumable(b); x != y {
		return y
	}
	return a < b
}

// joinEnds: a visit that only one of two devices ended has ended where the other had handed it over with
// no stop in force.
func joinEnds(a, b *state) Outcome {
	done := func(s *state) bool {
		return s.control.ended != NotEnded || s.released && s.control.stop == 0
	}
	if !done(a) || !done(b) {
		return NotEnded
	}
	return worse(a.control.ended, b.control.ended)
}

// worse returns the outcome that says less of being done, where a visit ended twice.
func worse(a, b Outcome) Outcome {
	order := []Outcome{NotEnded, Completed, DoneOtherwise, Abandoned, NoAccess, NotAgreed, CannotComplete, StoppedDanger}
	if slices.Index(order, b) > slices.Index(order, a) {
		return b
	}
	return a
}

// supplySwitch is the index of the switch that takes the supply off, the carrier; -1 where there is none. The voltage
// fuses of a meter on current transformers leave the supply on.
func supplySwitch(m *method.Resolved) int {
	return slices.IndexFunc(m.Switches, func(w site.Switch) bool { return w.ID == site.Carrier })
}
