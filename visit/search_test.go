package visit

import (
	"fmt"
	"strings"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit/laws"
)

// search walks every state that a method's engine can reach, with every kind of
// event tried in each, and watches the laws of package laws.
//
// A state of the search is the engine's Control beside what the laws remember.
// Four reductions keep it small; none hides a broken law:
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
//  6. Whoever leaves comes back at once, in the same way.
type search struct {
	m        *Machine
	u        *laws.Universe
	proof    int       // the proof that is followed
	keep     uint16    // proofs that are followed; the others always hold
	evidence laws.Bits // readings that are followed; the others count for nothing
	tools    uint16    // instruments that the proofs followed are made with
	quiet    bool      // the proof followed is one of conductors being dead
	hang     uint8     // facts that the proofs followed hang on

	reading []int // per step: index in the universe, or -1
	danger  []bool
	inert   []bool
	spite   int // how many acts in spite of a refusal one trace may hold
	limit   int

	cur, was Control // scratch, so that trying allocates nothing
	att      attempt
	tried    [3]int32 // node, stop and switches of the last call of frozen
	nodes    []node
	seen     map[nodeKey][]int32
	broken   map[string]int32 // law → node whose trace breaks it
	last     map[string]string
	count    int
}

type node struct {
	c      Control
	l      laws.State
	spite  int8
	key    nodeKey
	parent int32
	by     move
	gone   bool
}

// nodeKey is a state of the search without its evidence. Of Control it leaves
// out the proofs that are not followed, which always hold.
type nodeKey struct {
	begun, away, told bool
	spite             int8
	pos               int16
	worn, fit         uint8
	switches          uint32
	tools             [10]toolState
	facts             [method.MaxFacts]uint8
	proof             proofState
	l                 laws.Remembered
}

// move is one event of a trace.
type move struct {
	a attempt
	f laws.Fact
}

func newSearch(m *Machine, waived map[site.ActID]uint8) (*search, error) {
	s := &search{m: m, keep: 1<<len(m.proofs) - 1, spite: 0, limit: 1_000_000, last: map[string]string{}, broken: map[string]int32{}}
	var readings []laws.Reading
	index := map[laws.Reading]int{}
	for i := range m.steps {
		r, danger := readingOf(&m.Method.Steps[i], m.steps[i].tool)
		s.danger = append(s.danger, danger)
		if r.Says == 0 {
			s.reading = append(s.reading, -1)
			continue
		}
		k, ok := index[r]
		if !ok {
			k = len(readings)
			index[r] = k
			readings = append(readings, r)
		}
		s.reading = append(s.reading, k)
	}
	s.evidence = laws.All(len(readings))
	u, err := laws.New(m.Method.Points, m.Method.Switches, m.Method.Acts, readings, waived)
	if err != nil {
		return nil, err
	}
	s.u = u
	return s, nil
}

// readingOf says what an expected answer of a step says in the laws' terms, and
// whether the contrary is danger.
func readingOf(st *method.Step, tool int8) (laws.Reading, bool) {
	o := st.Observe
	if o == nil {
		return laws.Reading{}, false
	}
	r := laws.Reading{Tool: int(tool), At: site.PointID(o.At), Against: site.PointID(o.Against), Says: laws.Other}
	switch {
	case o.Expect == string(instrument.Dark):
		r.Says = laws.Quiet
	case o.Expect == string(instrument.Lit):
		r.Says = laws.Live
	case o.Expect == string(instrument.Over) && o.With == string(instrument.Continuity):
		r.Says = laws.Parted
	case o.Bounds != nil && o.With == string(instrument.Continuity):
		r.Says = laws.Joined
	case o.Bounds != nil && o.Bounds.Unit == "A":
		r.Says = laws.Still
	}
	return r, r.Says == laws.Quiet
}

func (s *search) canonical(c *Control, l *laws.State, spite int8) nodeKey {
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
	worn, sound, inDate, open := l.Worn(), l.Sound(), l.InDate(), l.OpenTools()
	if c.worn == worn && c.fit == sound {
		c.worn, c.fit, worn, sound = 0, 0, 0, 0
	}
	var rests uint16
	for i := range s.m.proofs {
		rests |= c.proofs[i].rests
	}
	for t := range c.tools {
		bit := uint16(1) << t
		if rests&bit != 0 {
			continue
		}
		if (c.tools[t] == toolProved) != (open&bit != 0) || (c.tools[t] >= toolUnproved) != (inDate&bit != 0) {
			continue
		}
		l.Fresh = l.Fresh.Minus(s.u.OfTool(t))
		c.tools[t] = toolAbsent
		inDate &^= bit
		open &^= bit
	}
	*l = l.Assume(sound, worn, inDate, open)
	k := nodeKey{begun: c.begun, away: c.away, told: c.told, spite: spite, pos: c.pos, worn: c.worn, fit: c.fit,
		switches: c.switches, tools: c.tools, facts: c.facts, l: l.Remembered}
	if s.proof >= 0 {
		k.proof = c.proofs[s.proof]
	}
	return k
}

// project follows one proof alone.
func (s *search) project(proof int) {
	s.proof, s.keep = proof, 1<<proof
	s.evidence, s.quiet = laws.Bits{}, true
	for _, i := range s.m.proofs[proof].supports {
		if r, _ := readingOf(&s.m.Method.Steps[i], 0); r.Says != laws.Quiet || !s.danger[i] {
			s.quiet = false
		}
		if at := s.m.Method.Steps[i].Observe; at != nil && strings.HasPrefix(at.At, "metalwork.") && proof != s.deadProof() {
			s.quiet = false
		}
		if k := s.reading[i]; k >= 0 {
			s.evidence = s.evidence.With(k)
		}
	}
	s.tools, s.hang, s.inert = s.m.proofs[proof].tools, 0, nil
	for i := range s.m.Method.Facts {
		if s.m.hangsOn(int8(i))&s.keep != 0 {
			s.hang |= 1 << i
		}
	}
	for i := range s.m.steps {
		st := &s.m.steps[i]
		inert := false
		switch st.does {
		case doInspect, doRecord:
			inert = st.supports&s.keep == 0
		case doObserve:
			inert = st.supports&s.keep == 0 && (st.supports != 0 || proof != 0)
		case doProve, doTakeUp:
			inert = s.tools&(1<<st.tool) == 0
		case doDecide:
			inert = s.hang&(1<<st.fact) == 0
		}
		s.inert = append(s.inert, inert)
	}
}

// deadProof is the proof with most readings of quiet meter terminals.
func (s *search) deadProof() int {
	best, most := -1, 0
	for p := range s.m.proofs {
		n := 0
		for _, i := range s.m.proofs[p].supports {
			if o := s.m.Method.Steps[i].Observe; o != nil && o.Expect == string(instrument.Dark) && strings.HasPrefix(o.At, "meter.") {
				n++
			}
		}
		if n > most {
			best, most = p, n
		}
	}
	return best
}

func (s *search) push(c Control, l laws.State, spite int8, parent int32, by move) {
	l.Fresh, l.Closed = l.Fresh.And(s.evidence), l.Closed.And(s.evidence)
	key := s.canonical(&c, &l, spite)
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
	s.nodes = append(s.nodes, node{c: c, l: l, spite: spite, key: key, parent: parent, by: by})
}

// run searches breadth first, so that the first trace found is a shortest one.
// It stops early when until says so.
func (s *search) run(until func() bool) error {
	s.nodes, s.seen = nil, map[nodeKey][]int32{}
	s.push(Control{}, laws.State{}, 0, -1, move{})
	for i := 0; i < len(s.nodes); i++ {
		if s.nodes[i].gone {
			continue
		}
		s.count++
		if len(s.nodes) > s.limit {
			return fmt.Errorf("more than %d states", s.limit)
		}
		s.expand(int32(i))
		if until != nil && until() {
			return nil
		}
	}
	return nil
}
