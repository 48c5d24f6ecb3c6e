package visit

import (
	"fmt"
	"slices"
	"sync"
	"testing"

	"meterwright/method"
	"meterwright/site"
	"meterwright/visit/laws"
)

// mutant is the engine with one reason to refuse, or one way of undoing, taken
// out, weakened or pointed at another proof.
type mutant struct {
	name  string
	spite int
	// proof is the proof that it is about, or -1.
	proof  int
	change func(m *Machine)
}

func (m *Machine) without(id Row) {
	m.guards = slices.DeleteFunc(slices.Clone(m.guards), func(g guard) bool { return g.id == id })
}

// weaken lets a row of the table of undoings spare the proofs in some phases.
func (m *Machine) weaken(id string, spare func(proofPhase) bool) {
	m.undoings = slices.Clone(m.undoings)
	for i, u := range m.undoings {
		if u.id != id {
			continue
		}
		m.undoings[i].undo = func(m *Machine, c, was *Control, a *attempt) {
			before := c.proofs
			u.undo(m, c, was, a)
			for p := range before {
				if spare(before[p].phase) {
					c.proofs[p] = before[p]
				}
			}
		}
	}
}

func unfinished(p proofPhase) bool { return p == proofRunning || p == proofAwaiting }
func finished(p proofPhase) bool   { return p == proofHeld }

func mutants(m *Machine) []mutant {
	var list []mutant
	for _, g := range guardTable {
		list = append(list, mutant{name: "guard " + string(g.id) + " removed", proof: -1, change: func(m *Machine) { m.without(g.id) }})
	}
	for _, u := range undoTable {
		spite := 0
		if inSpite[u.id] {
			spite = 1
		}
		list = append(list, mutant{name: "undoing " + u.id + " removed", spite: spite, proof: -1, change: func(m *Machine) {
			m.undoings = slices.DeleteFunc(slices.Clone(m.undoings), func(x undoing) bool { return x.id == u.id })
		}})
		if touchesProofs[u.id] {
			list = append(list,
				mutant{name: "undoing " + u.id + " spares what holds", spite: spite, proof: -1, change: func(m *Machine) { m.weaken(u.id, finished) }},
				mutant{name: "undoing " + u.id + " spares what is unfinished", spite: spite, proof: -1, change: func(m *Machine) { m.weaken(u.id, unfinished) }})
		}
	}
	for _, o := range oweTable {
		spite := 0
		if inSpite[o.id] {
			spite = 1
		}
		list = append(list, mutant{name: "owing " + o.id + " removed", spite: spite, proof: -1, change: func(m *Machine) {
			m.owings = slices.DeleteFunc(slices.Clone(m.owings), func(x owing) bool { return x.id == o.id })
		}})
	}
	for _, l := range lapseTable {
		list = append(list, mutant{name: "lapsing " + l.id + " removed", proof: -1, change: func(m *Machine) {
			m.lapsings = slices.DeleteFunc(slices.Clone(m.lapsings), func(x lapsing) bool { return x.id == l.id })
		}})
	}
	for name, lifts := range map[string]func(m *Machine, was *Control, a *attempt) bool{
		"a slip lifts its stop": func(m *Machine, was *Control, a *attempt) bool { return a.slip },
		"a stop is lifted by the proving before the point is tested again": func(m *Machine, was *Control, a *attempt) bool {
			return was.retest != 0 && a.do == doProve && a.result == expected
		},
		"a stop is lifted before the proving after the point is tested again": func(m *Machine, was *Control, a *attempt) bool {
			return a.do == doObserve && a.result == expected && m.answers(was, a)
		},
	} {
		list = append(list, mutant{name: name, proof: -1, change: func(m *Machine) {
			m.undoings = append(slices.Clone(m.undoings), undoing{undo: func(m *Machine, c, was *Control, a *attempt) {
				if lifts(m, was, a) {
					c.stop = 0
				}
			}})
		}})
	}
	for p := range m.proofs {
		id := m.Method.Proofs[p].ID
		if m.proofs[p].lastsMS > 0 {
			list = append(list, mutant{name: "time limit of " + id + " removed", proof: p, change: func(m *Machine) { m.proofs[p].lastsMS = 0 }})
		}
		for _, cause := range method.Causes() {
			bit := causeBit(cause)
			if m.proofs[p].undone&bit == 0 {
				continue
			}
			list = append(list, mutant{name: fmt.Sprintf("%s no longer undone by %s", id, cause), proof: p, change: func(m *Machine) { m.proofs[p].undone &^= bit }})
			list = append(list, mutant{name: fmt.Sprintf("%s: %s undoes another proof instead", id, cause), proof: p, change: func(m *Machine) {
				m.proofs[p].undone &^= bit
				m.proofs[(p+1)%len(m.proofs)].undone |= bit
			}})
		}
	}
	return list
}

// inSpite names the rows that only ever meet an act done in spite of a refusal.
var inSpite = map[string]bool{"done-in-spite": true, "done-in-spite-brackets": true}

// touchesProofs names the rows of the table of undoings that can void both proofs
// that hold and proofs that are being shown; the others only ever meet the latter.
var touchesProofs = map[string]bool{
	"act-undoes": true, "position-left": true,
	"handed-over": true, "done-in-spite": true, "seen-otherwise": true, "stop-declared": true, "other-fact": true, "slip": true, "answer-corrected": true, "proving-corrected": true,
}

func (m *Machine) copy() *Machine {
	c := *m
	c.proofs = slices.Clone(m.proofs)
	return &c
}

// killed reports the law that convicts a mutant. The base says which laws each search of the sound engine keeps.
func killed(t *testing.T, base *walked, m *Machine, mu mutant) (law laws.Breach, dead bool) {
	t.Helper()
	x := m.copy()
	mu.change(x)
	broken := make([]map[laws.Breach]bool, len(x.proofs))
	var order []int
	for p := range x.proofs {
		order = append(order, p)
	}
	// The proof that was changed first, then whatever is searched fastest.
	cost := func(p int) int {
		if p == mu.proof {
			return -1
		}
		return base.searches[p].count
	}
	slices.SortStableFunc(order, func(a, b int) int { return cost(a) - cost(b) })
	for _, p := range order {
		s := base.grounds.search(x, p)
		s.spite = mu.spite
		broken[p] = map[laws.Breach]bool{}
		known := func(b laws.Breach) bool { _, ok := base.searches[p].broken[b]; return ok }
		err := s.run(func() bool {
			if len(s.broken) == len(broken[p]) {
				return false
			}
			for b := range s.broken {
				broken[p][b] = true
				if !known(b) && base.keepers(b, broken) == 0 {
					law, dead = b, true
				}
			}
			return dead
		})
		if err != nil {
			t.Fatal(err)
		}
		if dead {
			return law, true
		}
		if p == mu.proof && len(broken[p]) == len(base.searches[p].broken) {
			return law, false // No other search follows the proof that was changed.
		}
	}
	return law, false
}

// keepers counts the searches that keep a law in the sound engine and have not
// been seen to break it in the mutant.
func (w *walked) keepers(b laws.Breach, broken []map[laws.Breach]bool) int {
	n := 0
	for p, s := range w.searches {
		if _, was := s.broken[b]; b.Evidence() && !was && !broken[p][b] {
			n++
		}
	}
	return n
}

func TestEveryMutantIsCaught(t *testing.T) {
	m := shippedMachine(t, "gb-single-phase-exchange", nil, method.Job{Site: site.Spec{Arrangement: site.TNCS, Sources: []site.Source{site.Inverter}}})
	base, err := m.walk(1_000_000, 0)
	if err != nil {
		t.Fatal(err)
	}
	list := mutants(m)
	if !soak() {
		// Every row of the tables by itself, and of the causes that undo a proof, a few.
		n := 0
		list = slices.DeleteFunc(list, func(x mutant) bool {
			if x.proof < 0 {
				return false
			}
			n++
			return n%8 != 0
		})
	}
	queue := make(chan mutant)
	var mu sync.Mutex
	var survivors []string
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for x := range queue {
				_, dead := killed(t, base, m, x)
				mu.Lock()
				if !dead {
					survivors = append(survivors, x.name)
				}
				mu.Unlock()
			}
		})
	}
	for _, x := range list {
		queue <- x
	}
	close(queue)
	wg.Wait()
	slices.Sort(survivors)
	t.Logf("%d mutants, %d caught", len(list), len(list)-len(survivors))
	for _, s := range survivors {
		t.Errorf("survived: %s", s)
	}
}
