package site

import (
	"testing"

	"meterwright/circuit"
)

func TestEveryDepartureCompiles(t *testing.T) {
	for _, spec := range specs() {
		s, err := Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		v := Usual()
		seen := map[string]bool{}
		list := s.Departures()
		for _, d := range append([]Departure{{ID: "healthy"}}, list...) {
			if seen[d.ID] {
				t.Errorf("%v: %s stands twice", spec, d.ID)
			}
			seen[d.ID] = true
			for _, w := range []Switching{{}, {away: 1<<uint(len(s.Switches)) - 1}} {
				m, err := s.Compile(&v, w, d)
				if err != nil {
					t.Errorf("%v: %v", spec, err)
					continue
				}
				p, err := circuit.Compile(m.Circuit, m.Ports)
				if err != nil {
					t.Errorf("%v: %s: %v", spec, d.ID, err)
					continue
				}
				ws := p.NewWorkspace()
				if err := m.Apply(ws, &v); err != nil {
					t.Errorf("%s: %v", d.ID, err)
				}
				if err := ws.Solve(); err != nil {
					t.Errorf("%s: %v", d.ID, err)
				} else if _, err := ws.Check(); err != nil {
					t.Errorf("%s: %v", d.ID, err)
				}
			}
		}
		t.Logf("%s %d %s: %d departures, %d nodes", s.Spec.Arrangement, s.Spec.Phases, s.Spec.Metering, len(list), func() int { m, _ := s.Compile(&v, Switching{}); return len(m.Circuit.Nodes) }())
	}
}

// specs are the arrangements with everything that a position may have.
func specs() []Spec {
	var list []Spec
	for _, a := range Arrangements() {
		list = append(list,
			Spec{Arrangement: a, Reference: true},
			Spec{Arrangement: a, Switched: true, Isolator: true, Units: []string{"house", "outbuilding"}, Sources: Sources()[:4], Metalwork: []string{"box", "water-pipe"}, Reference: true},
			Spec{Arrangement: a, Phases: 3, Reference: true, Sources: []Source{SecondSupply}},
			Spec{Arrangement: a, Phases: 3, Metering: CTOperated},
		)
	}
	return list
}
