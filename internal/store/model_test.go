package store_test

import (
	"slices"

	"meterwright/internal/store"
	"meterwright/record"
)

// A model is a store as simple as can be: everything in memory, every rule applied again and
// again until nothing changes any more. It says what a real one must answer.
type model struct {
	accepted map[record.Hash]record.Event
	waiting  map[record.Hash]record.Event
	nature   map[string]record.Nature // by visit
}

func newModel() *model {
	return &model{accepted: map[record.Hash]record.Event{}, waiting: map[record.Hash]record.Event{}, nature: map[string]record.Nature{}}
}

// expected is what a receipt must say.
type expected struct {
	status store.Status
	reason string
	again  bool
}

// submit takes a batch and returns what each receipt must say.
func (m *model) submit(lines [][]byte) []expected {
	refused := map[record.Hash]string{}
	known := map[record.Hash]bool{} // before this batch
	for h := range m.accepted {
		known[h] = true
	}
	for h := range m.waiting {
		known[h] = true
	}
	type chain struct {
		visit string
		key   record.Key
	}
	var chains []chain
	events := make([]*record.Event, len(lines))
	bad := make([]string, len(lines))
	for i, line := range lines {
		e, err := record.Decode(line)
		if err == nil {
			err = e.CheckSignature()
		}
		if err != nil {
			bad[i] = string(err.(*record.Fault).What)
			continue
		}
		events[i] = &e
		if _, done := m.accepted[e.Hash]; !done {
			m.waiting[e.Hash] = e
		}
		if c := (chain{e.Visit, e.Key}); !slices.Contains(chains, c) {
			chains = append(chains, c)
		}
	}
	// Chains one after another in order of appearance, because of the nature, which belongs
	// to the first.
	for _, c := range chains {
		for changed := true; changed; {
			changed = false
			for h, e := range m.waiting {
				if c != (chain{e.Visit, e.Key}) || e.Seq > 0 && !m.has(e.Prev) {
					continue
				}
				changed = true
				delete(m.waiting, h)
				if reason := m.forbids(e); reason != "" {
					refused[h] = reason
					continue
				}
				m.accepted[h] = e
				m.nature[e.Visit] = e.Nature
			}
		}
	}
	answers := make([]expected, len(lines))
	seen := map[record.Hash]bool{}
	for i, e := range events {
		switch {
		case e == nil:
			answers[i] = expected{store.Refused, bad[i], false}
			continue
		case m.has(e.Hash):
			answers[i] = expected{store.Accepted, "", known[e.Hash] || seen[e.Hash]}
		case refused[e.Hash] != "":
			answers[i] = expected{store.Refused, refused[e.Hash], false}
		default:
			answers[i] = expected{store.Waiting, "", known[e.Hash] || seen[e.Hash]}
		}
		seen[e.Hash] = true
	}
	return answers
}

func (m *model) has(h record.Hash) bool {
	_, ok := m.accepted[h]
	return ok
}

// forbids says which rule a line breaks whose line before is accepted.
func (m *model) forbids(e record.Event) string {
	if n := m.nature[e.Visit]; n != "" && n != e.Nature {
		return string(record.OtherNature)
	}
	ended := e.Seq > 0 && m.ended(m.accepted[e.Prev])
	switch {
	case ended && e.Kind != record.KindSupplement:
		return string(record.AfterEnd)
	case !ended && e.Kind == record.KindSupplement && e.Seq > 0:
		return string(record.SupplementSoon)
	}
	return ""
}

func (m *model) ended(e record.Event) bool {
	for ; ; e = m.accepted[e.Prev] {
		if e.Kind == record.KindEnded || e.Kind == record.KindSupplement {
			return true
		}
		if e.Seq == 0 {
			return false
		}
	}
}

// leaves counts the accepted lines of a chain that nothing follows: one for each version.
func (m *model) leaves(visit string, key record.Key) int {
	n := 0
	for h, e := range m.accepted {
		if e.Visit != visit || e.Key != key {
			continue
		}
		last := true
		for _, other := range m.accepted {
			last = last && (other.Prev != h || other.Seq == 0)
		}
		if last {
			n++
		}
	}
	return n
}
