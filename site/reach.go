package site

import "slices"

// exposures lists what a position of a switch brings within reach of a hand, by part: the terminals of
// meter and test block under their cover, the ends of conductors that are out of the meter, the contacts
// of the cut-out behind its carrier [P].
var exposures = []struct {
	Switch SwitchID
	At     Position
	Parts  []string
}{
	{Cover, "off", []string{"meter", "testblock"}},
	{TailsIn, "out", []string{"meter"}},
	{MeterFit, "out", []string{"meter"}},
	{Carrier, "out", []string{"cutout"}},
}

// Exposes lists the parts whose points a position of a switch brings within reach, none for most. The
// carrier's do not depend on the shroud, which covers the supply-side contacts alone: load side, neutral
// and earth of the cut-out stay bare.
func Exposes(id SwitchID, at Position) []string {
	var parts []string
	for _, x := range exposures {
		if x.Switch == id && x.At == at {
			parts = append(parts, x.Parts...)
		}
	}
	return parts
}

// WithinReach reports whether a hand can meet a point in a state of the switches: metalwork, the main
// earthing terminal and the earth contact of a socket always, and whatever a switch exposes unless the
// shroud covers it.
func (s *Site) WithinReach(state Switching, p PointID) bool {
	switch {
	case p.Part() == "metalwork" || p.Part() == "earthing" || p == "socket.e":
		return true
	case s.suppliesContact(p) && s.away(state, Contact):
		return false
	}
	for i, w := range s.Switches {
		at := w.Home
		if state.Away(i) {
			at = w.Away
		}
		if slices.Contains(Exposes(w.ID, at), p.Part()) {
			return true
		}
	}
	return false
}

// suppliesContact reports whether a point is a supply-side contact of the cut-out.
func (s *Site) suppliesContact(p PointID) bool {
	return slices.ContainsFunc(s.Lines(), func(l string) bool { return p == PointID("cutout."+l+"-supply") })
}
