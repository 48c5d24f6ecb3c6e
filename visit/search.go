package visit

import (
	"fmt"
	"slices"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit/laws"
)

// search walks every state that a method's engine can reach, with every kind of
// event tried in each, and watches the laws of package laws.
//
// A state of the search is the engine's Control beside what the laws remember.
// Some reductions keep it small; none hides a broken law:
//
//  1. Protection and instruments that nothing rests on are "free": each attempt
//     is tried with them in every state, which is at least what can happen. Where
//     engine and laws disagree about them they are kept as they are.
//  2. One proof at a time: the others are taken to hold always, which lets the
//     engine accept more than it would. A law counts as broken only when no
//     proof's search can show that it is kept.
//  3. Of two states that differ only in evidence, the one with less is kept:
//     whatever the other breaks, it breaks too.
//  4. A stop is gone through at once: every act is tried under it, going on is
//     tried with nobody told and with somebody told, and the search goes on from
//     there. What is accepted in between could as well come before or after.
//  5. Facts that the proof followed does not hang on stay unknown, so that every
//     step applies; leaving a step out does what skipping it would do. Steps that
//     neither act nor bear on that proof are passed over.
//  6. Whoever leaves comes back at once, in the same way; and whoever takes over from another holder
//     does so at once: what two holders may do is tried from every state.
//  7. An answer out of turn, and a correction, are tried while there is something that they can undo, and of
//     steps that the engine cannot tell apart at the first of them: whatever it makes of one it makes of all.
//  8. Where what is worn alone decides, or who holds the visit, or that an act is out of turn, an event is tried once
//     for each position, state of switches and phase of the proof, whatever else counts there.
//  9. What was passed over is free in the sense of 1, where engine and laws agree about it.
//  10. The rows of a sheet are answered in the method's order, and going back to one opens all that lies after it.
//     A property test holds that any order comes to the same, and another that nothing which is owed is lost where
//     going back opens one row alone.
//  11. An answer is taken back as a slip at once or not at all: whatever comes between ends that it can be. What takes an
//     instrument up again then ends no run by itself here, which lets the engine accept more.
type search struct {
	m        *Machine
	u        *laws.Universe
	ts       *trials
	proof    int       // the proof that is followed
	keep     uint16    // proofs that are followed; the others always hold
	evidence laws.Bits // readings that are followed; the others count for nothing
	tools    uint16    // instruments that the proofs followed are made with
	quiet    bool      // the proof followed is one of conductors being dead
	hang     uint8     // facts that the proofs followed hang on

	inert  []bool
	alike  []int   // per step: which of those that the engine's tables tell apart
	owing  bool    // whether what was passed over matters in the node that is expanded
	bare   []cover // what is assumed of an act
	seeing []cover // what is assumed of a reading
	all    cover   // everything worn and in date, and proved
	spite  int     // how many acts in spite of a refusal one trace may hold
	limit  int

	cur, was Control // scratch, so that trying allocates nothing
	att      attempt
	tried    map[onceKey]bool
	nodes    []node
	seen     map[nodeKey][]int32
	broken   map[laws.Breach]way
	count    int
	err      error // the first trial of which reduce could make nothing
}

// way leads to a breach: to a node, and on by some events.
type way struct {
	from int32
	last []*trial
}

type node struct {
	c      Control
	l      laws.State
	spite  int8
	parent int32
	by     *trial
	then   []*trial // what came at once after it
	gone   bool
}

// nodeKey is a state of the search without its evidence. Of Control it leaves
// out the proofs that are not followed, which always hold.
type nodeKey struct {
	begun, away, told bool
	stop, spite       int8
	pos, owed, again  int16
	worn, fit         uint8
	switches          uint32
	tools             [10]toolState
	facts             [method.MaxFacts]uint8
	proof             proofState
	l                 laws.Remembered
}

func (s *search) key(c *Control, l *laws.State, spite int8) nodeKey {
	return nodeKey{begun: c.begun, away: c.away, told: c.told, stop: c.stop, spite: spite, pos: c.pos, owed: c.owed, again: c.again, worn: c.worn, fit: c.fit,
		switches: c.switches, tools: c.tools, facts: c.facts, proof: c.proofs[s.proof], l: l.Remembered}
}

// onceKey is what a state is to an event whose acceptance does not hang on evidence.
type onceKey struct {
	what sort
	nodeKey
}

// sort is a sort of event that is tried once for each onceKey.
type sort uint8

const (
	frozenActs sort = iota
	otherHolders
	wornAndChecked
	unprotected
	outOfTurn
	passedOver
	retestedOtherwise
)

// once reports whether a sort of event was not yet tried in such a state.
func (s *search) once(what sort, p *place) bool {
	k := onceKey{what, s.key(&p.c, &p.l, 0)}
	k.told, k.owed, k.proof = false, 0, proofState{phase: k.proof.phase}
	known := s.tried[k]
	s.tried[k] = true
	return !known
}

// grounds is what every search of one method needs: its laws, and the events that are tried.
type grounds struct {
	u  *laws.Universe
	ts *trials
}

func newGrounds(m *Machine) (*grounds, error) {
	var readings []laws.Reading
	index := map[laws.Reading]int{}
	for i := range m.steps {
		r := m.reading(i)
		if _, ok := index[r]; !ok && r.Says != 0 {
			index[r] = len(readings)
			readings = append(readings, r)
		}
	}
	wear := laws.Wear{Checked: m.kit}
	for i, p := range m.Method.Protection {
		switch p.Role {
		case method.Gloves:
			wear.Gloves |= 1 << i
		case method.Visor:
			wear.Visor |= 1 << i
		}
	}
	u, err := laws.New(m.Method.Points, m.Method.Switches, m.Method.Acts, readings, wear)
	if err != nil {
		return nil, err
	}
	ts, err := newTrials(m, index)
	return &grounds{u: u, ts: ts}, err
}

// search begins a search that follows one proof. m may differ from the machine of the grounds in
// its tables and rows, but not in its method.
func (g *grounds) search(m *Machine, proof int) *search {
	worn := uint8(1)<<len(m.Method.Protection) - 1
	s := &search{m: m, u: g.u, ts: g.ts, limit: 1_000_000, all: cover{worn: worn, fit: worn, tool: toolProved},
		broken: map[laws.Breach]way{}, tried: map[onceKey]bool{}}
	s.bare, s.seeing = s.covers(toolAbsent), s.covers(toolProved, toolUnproved, toolAbsent)
	s.project(proof)
	return s
}

// stillLimit is the most, in amperes, that a reading of "nothing flows" can leave to flow [P], as the laws have it:
// whatever a method's rules say of its limit, or of doubt about it.
const stillLimit = 1.0

// atMost reports whether bounds end at no more than v, and begin nowhere.
func atMost(b *method.Bounds, v float64) bool {
	upper, err := measure.ParseDecimal(b.Upper)
	return err == nil && b.Lower == "" && upper.Float() <= v
}

// reading says what an expected answer of a step says in the laws' terms.
func (m *Machine) reading(step int) laws.Reading {
	o := m.Method.Steps[step].Observe
	if o == nil {
		if m.steps[step].does == doInspect && m.steps[step].supports != 0 {
			return laws.Reading{Tool: -1, At: site.PointID(m.Method.Steps[step].ID), Says: laws.Looked}
		}
		return laws.Reading{}
	}
	r := laws.Reading{Tool: int(m.steps[step].tool), At: site.PointID(o.At), Against: site.PointID(o.Against), Says: laws.Other,
		Proved: o.With == string(instrument.NonContact)}
	switch {
	case o.Expect == string(instrument.Dark):
		r.Says = laws.Quiet
	case o.Expect == string(instrument.Lit):
		r.Says = laws.Live
	case o.Expect == string(instrument.Over) && o.With == string(instrument.Continuity):
		r.Says = laws.Parted
	case o.Bounds != nil && o.With == string(instrument.Continuity):
		r.Says = laws.Joined
	case o.Bounds != nil && o.Bounds.Unit == "A" && o.Bounds.Lower != "":
		r.Says = laws.Flowing
	case o.Bounds != nil && o.Bounds.Unit == "A" && atMost(o.Bounds, stillLimit):
		r.Says = laws.Still
	case o.Bounds != nil && o.Bounds.Unit == "V" && o.Bounds.Lower == "":
		r.Says = laws.Low
	}
	return r
}

// canonical leaves out of a state what the search does not follow, and what is free.
func (s *search) canonical(c *Control, l *laws.State) {
	for i := range s.m.proofs {
		if s.keep&(1<<i) == 0 {
			c.proofs[i] = proofState{phase: proofHeld, leftMS: 2 * longTime}
		}
	}
	for i := range s.m.Method.Facts {
		if s.hang&(1<<i) == 0 {
			c.facts[i] = 0
		}
	}
	for int(c.pos) < len(s.m.steps) && (s.inert[c.pos] || !s.m.applies(c, int(c.pos))) && c.begun {
		c.pos++
	}
	if c.again == 0 {
		l.Asked = 0
	}
	if c.owed == l.Owed {
		c.owed, l.Owed = 0, 0
	}
	c.fitMS = [method.MaxProtection]int32{}
	if c.worn == l.Worn && c.fit == l.Sound {
		c.worn, c.fit, l.Worn, l.Sound = 0, 0, 0, 0
	}
	var rests uint16
	for i := range s.m.proofs {
		rests |= c.proofs[i].rests
	}
	for t := range c.tools {
		bit := uint16(1) << t
		if rests&bit == 0 && (c.tools[t] == toolProved) == (l.Open&bit != 0) && (c.tools[t] >= toolUnproved) == (l.InDate&bit != 0) {
			c.tools[t] = toolAbsent
			l.Fresh = l.Fresh.Minus(s.u.OfTool(t))
			l.InDate, l.Open = l.InDate&^bit, l.Open&^bit
		}
	}
}

// project follows one proof alone.
func (s *search) project(proof int) {
	s.proof, s.keep, s.quiet, s.tools = proof, 1<<proof, true, s.m.proofs[proof].tools
	dead := s.deadProof()
	for _, i := range s.m.proofs[proof].supports {
		o := s.m.Method.Steps[i].Observe
		if o == nil || o.Expect != string(instrument.Dark) || site.PointID(o.At).Part() == "metalwork" && proof != dead {
			s.quiet = false
		}
		if k := s.ts.steps[i].reading; k >= 0 {
			s.evidence = s.evidence.With(k)
		}
	}
	for i := range s.m.Method.Facts {
		if s.m.hangsOn(int8(i))&s.keep != 0 {
			s.hang |= 1 << i
		}
	}
	type like struct {
		supports   uint16
		tool, stop int8
		danger     bool
		fact       int8
		own        int // 1 + the step, where answers differ in what they lead to
	}
	kinds := map[like]int{}
	for i := range s.m.steps {
		st := &s.m.steps[i]
		k := like{st.supports, st.tool, st.stop, s.ts.steps[i].bad != nil && s.ts.steps[i].bad.fact.Danger, -1, 0}
		if len(st.others) > 0 {
			k.own = i + 1
		}
		if len(st.when) > 0 {
			k.fact = st.when[0].fact
		}
		if _, ok := kinds[k]; !ok {
			kinds[k] = len(kinds)
		}
		s.alike = append(s.alike, kinds[k])
		s.inert = append(s.inert, s.isInert(st))
	}
}

// isInert reports whether a step neither acts nor bears on the proof that is followed.
func (s *search) isInert(st *step) bool {
	switch st.does {
	case doInspect, doRecord:
		return st.supports&s.keep == 0
	case doObserve:
		return st.supports&s.keep == 0 && (st.supports != 0 || s.proof != 0)
	case doTakeUp:
		// A kit is passed over, which a visit cannot do: what is taken up is tried everywhere.
		return st.kit != 0 || s.tools&(1<<st.tool) == 0
	case doProve:
		return s.tools&(1<<st.tool) == 0
	case doDecide:
		return s.hang&(1<<st.fact) == 0
	}
	return false
}

// deadProof is the proof with most readings of quiet meter terminals.
func (s *search) deadProof() int {
	best, most := -1, 0
	for p := range s.m.proofs {
		n := 0
		for _, i := range s.m.proofs[p].supports {
			if o := s.m.Method.Steps[i].Observe; o != nil && o.Expect == string(instrument.Dark) && site.PointID(o.At).Part() == "meter" {
				n++
			}
		}
		if n > most {
			best, most = p, n
		}
	}
	return best
}

func (s *search) push(p place, spite int8, by *trial, then ...*trial) {
	c, l := p.c, p.l.Settled()
	c.slip, c.retest = 0, 0
	l.Fresh, l.Closed = l.Fresh.And(s.evidence), l.Closed.And(s.evidence)
	s.canonical(&c, &l)
	key := s.key(&c, &l, spite)
	list := s.seen[key]
	for _, i := range list {
		if n := &s.nodes[i]; n.l.Closed.Within(l.Closed) && n.l.Fresh.Within(l.Fresh) {
			return
		}
	}
	kept := list[:0:0]
	for _, i := range list {
		if n := &s.nodes[i]; l.Closed.Within(n.l.Closed) && l.Fresh.Within(n.l.Fresh) {
			n.gone = true
			continue
		}
		kept = append(kept, i)
	}
	s.seen[key] = append(kept, int32(len(s.nodes)))
	s.nodes = append(s.nodes, node{c: c, l: l, spite: spite, parent: p.from, by: by, then: then})
}

// run searches breadth first, so that the first trace found is a shortest one.
// It stops early when until says so.
func (s *search) run(until func() bool) error {
	s.nodes, s.seen = nil, map[nodeKey][]int32{}
	s.push(place{from: -1}, 0, nil)
	for i := 0; i < len(s.nodes); i++ {
		if s.nodes[i].gone {
			continue
		}
		s.count++
		if len(s.nodes) > s.limit {
			return fmt.Errorf("more than %d states: the laws cannot be proved of a method with so many", s.limit)
		}
		if s.expand(int32(i)); s.err != nil {
			return s.err
		}
		if until != nil && until() {
			return nil
		}
	}
	return nil
}

// trace is the shortest way to a breach, event by event.
func (s *search) trace(b laws.Breach) []Body {
	var list []Body
	w := s.broken[b]
	for i := w.from; s.nodes[i].parent >= 0; i = s.nodes[i].parent {
		for _, t := range slices.Backward(s.nodes[i].then) {
			list = append(list, t.body)
		}
		list = append(list, s.nodes[i].by.body)
	}
	slices.Reverse(list)
	for _, t := range w.last {
		list = append(list, t.body)
	}
	return list
}
