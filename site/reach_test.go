package site

import (
	"slices"
	"strings"
	"testing"
)

// TestWithinReach: what a hand can meet, by what the trade covers and uncovers.
func TestWithinReach(t *testing.T) {
	s, err := Expand(Spec{Arrangement: TNCS, Metalwork: []string{"box"}, Isolator: true})
	if err != nil {
		t.Fatal(err)
	}
	always := []string{"earthing.met", "metalwork.box", "socket.e"}
	meter := []string{"meter.l-in", "meter.l-out", "meter.n-in", "meter.n-out"}
	for _, c := range []struct {
		away string
		want []string
	}{
		{"", nil},
		{"seals", nil},
		{"main.house", nil},
		{"cover", meter},
		{"meter", meter},
		{"tails", meter},
		{"contact", nil},
		{"carrier", []string{"cutout.l-supply", "cutout.l-load", "cutout.n", "cutout.e"}},
		{"carrier contact", []string{"cutout.l-load", "cutout.n", "cutout.e"}},
		{"cover carrier contact", append(slices.Clone(meter), "cutout.l-load", "cutout.n", "cutout.e")},
	} {
		var state Switching
		for _, id := range strings.Fields(c.away) {
			w, _, ok := s.Switch(SwitchID(id))
			if !ok {
				t.Fatalf("no switch %s", id)
			}
			if state, err = s.Put(state, Setting{Switch: w.ID, Position: w.Away}); err != nil {
				t.Fatal(err)
			}
		}
		for _, p := range s.Points {
			want := slices.Contains(always, string(p.ID)) || slices.Contains(c.want, string(p.ID))
			if got := s.WithinReach(state, p.ID); got != want {
				t.Errorf("with %q away %s is within reach: %t, want %t", c.away, p.ID, got, want)
			}
		}
	}
}

// TestExposesNamesWhatThereIs: a name that no position has would expose nothing without a word.
func TestExposesNamesWhatThereIs(t *testing.T) {
	for _, x := range exposures {
		found := false
		for _, spec := range []Spec{{Arrangement: TNS}, {Arrangement: TNS, Phases: 3, Metering: CTOperated}} {
			s, err := Expand(spec)
			if err != nil {
				t.Fatal(err)
			}
			w, _, ok := s.Switch(x.Switch)
			found = found || ok && (x.At == w.Home || x.At == w.Away)
		}
		if !found || len(x.Parts) == 0 || !slices.Equal(Exposes(x.Switch, x.At), x.Parts) {
			t.Errorf("%s %s exposes %v", x.Switch, x.At, Exposes(x.Switch, x.At))
		}
		for _, p := range x.Parts {
			if !slices.Contains(parts, p) {
				t.Errorf("%q is no part", p)
			}
		}
	}
	if Exposes(Cover, "on") != nil || Exposes(Seals, "off") != nil {
		t.Error("a cover that is on, or seals that are off, expose something")
	}
}
