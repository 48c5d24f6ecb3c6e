package world

import (
	"testing"

	"meterwright/site"
)

// TestTouchesAgreeWithTheSite: a shroud covers the supply-side contact and nothing else, and the ends of
// tails that are out of the meter are bare though its cover is on.
func TestTouchesAgreeWithTheSite(t *testing.T) {
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS})
	if err != nil {
		t.Fatal(err)
	}
	var state site.Switching
	for _, act := range []site.ActID{"withdraw-carrier", "shroud-contact", "take-tails-out"} {
		if state, err = s.Do(state, act); err != nil {
			t.Fatal(err)
		}
	}
	w, err := New(Setup{Site: s, Switching: state})
	if err != nil {
		t.Fatal(err)
	}
	touches, err := w.Touches()
	if err != nil {
		t.Fatal(err)
	}
	want := map[site.PointID]bool{"cutout.l-supply": false, "cutout.l-load": true, "cutout.n": true, "meter.l-in": true, "socket.e": true, "socket.l": false}
	for _, h := range touches {
		if reach, listed := want[h.Part]; listed && h.Reach != reach {
			t.Errorf("%s is within reach: %t, want %t", h.Part, h.Reach, reach)
		}
		delete(want, h.Part)
	}
	if len(want) != 0 {
		t.Errorf("nothing said of %v", want)
	}
}
