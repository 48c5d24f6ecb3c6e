package visit

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"meterwright/method"
	"meterwright/visit/laws"
)

// Finding is a law of the trade that some visit by a method breaks.
type Finding struct {
	laws.Breach
	// Trace is a shortest visit that breaks it, as far as the proof followed goes: whatever bears on other
	// proofs alone is passed over.
	Trace []Body
}

// String says it with the trace, an event a line.
func (f Finding) String() string {
	lines := []string{f.Breach.String()}
	for _, b := range f.Trace {
		text, err := EncodeBody(b)
		if err != nil {
			text = []byte(err.Error())
		}
		lines = append(lines, "  "+string(KindOf(b))+" "+string(text))
	}
	return strings.Join(lines, "\n")
}

// Prove walks every state that visits by a method can reach, following one proof at a time, and
// returns the laws of package laws that one of them breaks, in a fixed order. limit is the most
// states that one proof may take; the error says that it was too few, or that the method cannot be prepared.
func Prove(r *method.Resolved, limit int) ([]Finding, error) {
	m, err := New(r)
	if err != nil {
		return nil, err
	}
	w, err := m.walk(limit, 0)
	if err != nil {
		return nil, err
	}
	return w.findings(), nil
}

// walked is what the searches of one machine found, one for each proof.
type walked struct {
	grounds  *grounds
	states   int
	searches []*search
}

func (m *Machine) walk(limit, spite int) (*walked, error) {
	if len(m.proofs) == 0 {
		// A method without proofs is searched as one whose only proof is never shown.
		bare := *m
		bare.proofs = make([]proofRow, 1)
		m = &bare
	}
	g, err := newGrounds(m)
	if err != nil {
		return nil, err
	}
	w := &walked{grounds: g}
	for p := range m.proofs {
		s := g.search(m, p)
		s.spite, s.limit = spite, limit
		if err := s.run(nil); err != nil {
			return nil, fmt.Errorf("proof %d: %w", p+1, err)
		}
		w.states += s.count
		w.searches = append(w.searches, s)
	}
	return w, nil
}

// breaches lists whatever any search found, in a fixed order.
func (w *walked) breaches() []laws.Breach {
	all := map[laws.Breach]bool{}
	for _, s := range w.searches {
		for b := range s.broken {
			all[b] = true
		}
	}
	return slices.SortedFunc(maps.Keys(all), func(a, b laws.Breach) int { return strings.Compare(a.String(), b.String()) })
}

// convicts reports whether a law counts as broken. A law about evidence does when
// no search keeps it; any other does when one search breaks it.
func (w *walked) convicts(b laws.Breach) bool {
	if !b.Evidence() {
		return true
	}
	return !slices.ContainsFunc(w.searches, func(s *search) bool { _, broken := s.broken[b]; return !broken })
}

func (w *walked) findings() []Finding {
	var list []Finding
	for _, b := range w.breaches() {
		if !w.convicts(b) {
			continue
		}
		f := Finding{Breach: b}
		for _, s := range w.searches {
			if _, ok := s.broken[b]; ok {
				if t := s.trace(b); f.Trace == nil || len(t) < len(f.Trace) {
					f.Trace = t
				}
			}
		}
		list = append(list, f)
	}
	return list
}
