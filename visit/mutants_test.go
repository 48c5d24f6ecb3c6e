package visit

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"

	"meterwright/method"
	"meterwright/site"
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
		if strings.Contains(u.id, "in-spite") {
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

// touchesProofs names the rows of the table of undoings that can void both proofs
// that hold and proofs that are being shown; the others only ever meet the latter.
var touchesProofs = map[string]bool{
	"act-undoes": true, "position-left": true,
	"handed-over": true, "done-in-spite": true, "seen-otherwise": true, "stop-declared": true, "other-fact": true, "answer-corrected": true, "proving-corrected": true,
}

func (m *Machine) copy() *Machine {
	c := *m
	c.proofs = slices.Clone(m.proofs)
	return &c
}

// killed reports the law that convicts a mutant, or "". The baseline says which
// laws each search of the sound engine keeps.
func killed(t *testing.T, base *outcome, m *Machine, mu mutant) string {
	t.Helper()
	x := m.copy()
	mu.change(x)
	broken := make([]map[string]bool, len(x.proofs))
	order := []int{}
	if mu.proof >= 0 {
		order = append(order, mu.proof)
	}
	rest := []int{}
	for p := range x.proofs {
		if p != mu.proof {
			rest = append(rest, p)
		}
	}
	slices.SortStableFunc(rest, func(a, b int) int { return base.searches[a].count - base.searches[b].count })
	order = append(order, rest...)
	for _, p := range order {
		s, err := newSearch(x, nil)
		if err != nil {
			t.Fatal(err)
		}
		s.project(p)
		s.spite = mu.spite
		found := ""
		convict := func() bool {
			for law := range s.broken {
				if !base.broken[p][law] && base.keepers(law, broken) == 0 {
					found = law
					return true
				}
			}
			return false
		}
		broken[p] = map[string]bool{}
		seen := 0
		err = s.run(func() bool {
			if len(s.broken) == seen {
				return false
			}
			seen = len(s.broken)
			for law := range s.broken {
				broken[p][law] = true
			}
			return convict()
		})
		if err != nil {
			t.Fatal(err)
		}
		if found != "" {
			return found
		}
		if p == mu.proof && maps.Equal(broken[p], base.broken[p]) {
			return "" // no other search follows the proof that was changed
		}
	}
	return ""
}

// keepers counts the searches that keep a law in the sound engine and have not
// been seen to break it in the mutant.
func (o *outcome) keepers(law string, broken []map[string]bool) int {
	if !strings.Contains(law, "bracketed evidence") {
		return 0
	}
	n := 0
	for p := range o.broken {
		if !o.broken[p][law] && (broken[p] == nil || !broken[p][law]) {
			n++
		}
	}
	return n
}

func TestEveryMutantIsCaught(t *testing.T) {
	m := shippedMachine(t, "gb-single-phase-exchange", nil, method.Job{Site: site.Spec{Arrangement: site.TNCS, Sources: []site.Source{site.Inverter}}})
	base, err := walk(m, nil)
	if err != nil {
		t.Fatal(err)
	}
	list := mutants(m)
	var mu sync.Mutex
	var survivors []string
	var wg sync.WaitGroup
	slots := make(chan struct{}, 2)
	for _, x := range list {
		wg.Add(1)
		go func() {
			defer wg.Done()
			slots <- struct{}{}
			defer func() { <-slots }()
			law := killed(t, base, m, x)
			mu.Lock()
			defer mu.Unlock()
			if law == "" {
				survivors = append(survivors, x.name)
			}
		}()
	}
	wg.Wait()
	slices.Sort(survivors)
	t.Logf("%d mutants, %d caught", len(list), len(list)-len(survivors))
	for _, s := range survivors {
		t.Errorf("survived: %s", s)
	}
}
