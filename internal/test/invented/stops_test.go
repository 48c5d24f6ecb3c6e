package invented_test

import (
	"path/filepath"
	"testing"

	"meterwright/internal/test/invented"
	"meterwright/method/written"
	"meterwright/replay"
)

// TestEveryStopHasItsVisit: each stop of the shipped single-phase method comes up in a visit of examples/visits, whatever
// arrangement its job claims.
func TestEveryStopHasItsVisit(t *testing.T) {
	shelf, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	m, err := shelf.Method("gb-single-phase-exchange")
	if err != nil {
		t.Fatal(err)
	}
	folders, err := filepath.Glob("../../../examples/visits/*/script.yaml")
	if err != nil || len(folders) == 0 {
		t.Fatal("no examples", err)
	}
	raised := map[string]bool{}
	for _, f := range folders {
		v, err := invented.Example(filepath.Dir(f))
		if err != nil {
			t.Fatal(err)
		}
		var r replay.Reader
		c, err := r.Read(v.Events())
		if err != nil {
			t.Fatalf("%s: %v", f, err)
		}
		for _, s := range c.Visit.Account().Stops {
			raised[s.ID] = true
		}
	}
	for _, s := range m.Stops {
		if !raised[s.ID] {
			t.Errorf("%s: no visit of examples/visits comes to it", s.ID)
		}
	}
}
