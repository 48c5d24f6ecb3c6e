package visit

import (
	"fmt"
	"maps"
	"reflect"
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
	return f.Breach.String() + "\n  " + strings.Join(f.events(), "\n  ")
}

// Steps is the trace in one line.
func (f Finding) Steps() string { return strings.Join(f.events(), "; ") }

func (f Finding) events() []string {
	var list []string
	for _, b := range f.Trace {
		text, err := EncodeBody(b)
		if err != nil {
			text = []byte(err.Error())
		}
		list = append(list, string(KindOf(b))+" "+string(text))
	}
	return list
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
	m = m.flat()
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

// flat is the machine without sheets: each row has its place in the method's order.
func (m *Machine) flat() *Machine {
	out := *m
	out.steps = slices.Clone(m.steps)
	for i := range out.steps {
		out.steps[i].first, out.steps[i].last = int16(i), int16(i)
	}
	return &out
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

// Proving proves the laws of several methods. Of those that the engine cannot tell apart one is walked: a position's
// arrangement, for example, is often no more to it than words.
type Proving struct {
	// Limit is the most states that one proof may take.
	Limit int

	walked []*Machine
	found  [][]Finding
}

// Prove walks every state that visits by a method can reach, following one proof at a time, and
// returns the laws of package laws that one of them breaks, in a fixed order. The error says that Limit
// was too few, or that the method cannot be prepared.
func (p *Proving) Prove(r *method.Resolved) ([]Finding, error) {
	m, err := New(r)
	if err != nil {
		return nil, err
	}
	if i := slices.IndexFunc(p.walked, m.alike); i >= 0 {
		return p.found[i], nil
	}
	w, err := m.walk(p.Limit, 0)
	if err != nil {
		return nil, err
	}
	p.walked, p.found = append(p.walked, m), append(p.found, w.findings())
	return p.found[len(p.found)-1], nil
}

// alike reports whether the engine and the laws cannot tell two methods apart.
func (m *Machine) alike(o *Machine) bool {
	what := func(m *Machine) []any {
		var reads []laws.Reading
		for i := range m.steps {
			reads = append(reads, m.reading(i))
		}
		return []any{m.steps, m.acts, m.stops, m.proofs, m.kit, m.offNeed, m.exposed, m.service, reads, m.Method.Protection,
			m.Method.Points, m.Method.Switches, m.Method.Acts}
	}
	return reflect.DeepEqual(what(m), what(o))
}
