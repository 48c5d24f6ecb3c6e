package site

import (
	"fmt"
	"strings"
)

// Switching says which switches of a site stand away from home. The zero value
// is a healthy service as the visit finds it. Switchings are comparable.
type Switching struct{ away uint64 }

// Away reports whether the switch with that index in Switches is away from home.
func (w Switching) Away(i int) bool { return i >= 0 && i < 64 && w.away>>uint(i)&1 == 1 }

// Put returns w with switches put into positions.
func (s *Site) Put(w Switching, settings ...Setting) (Switching, error) {
	for _, set := range settings {
		sw, i, ok := s.Switch(set.Switch)
		if !ok {
			var known []string
			for _, each := range s.Switches {
				known = append(known, string(each.ID))
			}
			return w, fmt.Errorf("%q is no switch here: the switches are %s", set.Switch, strings.Join(known, ", "))
		}
		switch set.Position {
		case sw.Home:
			w.away &^= 1 << uint(i)
		case sw.Away:
			w.away |= 1 << uint(i)
		default:
			return w, fmt.Errorf("%s cannot be %q: write %q or %q", sw.ID, set.Position, sw.Home, sw.Away)
		}
	}
	return w, nil
}

// Do returns w after an act.
func (s *Site) Do(w Switching, id ActID) (Switching, error) {
	a, ok := s.Act(id)
	if !ok {
		return w, fmt.Errorf("%q is no act here", id)
	}
	return s.Put(w, a.Sets...)
}

// away reports whether the named switch exists and stands away from home.
func (s *Site) away(w Switching, id SwitchID) bool {
	_, i, ok := s.Switch(id)
	return ok && w.Away(i)
}

// Describe says in words which switches stand away from home.
func (s *Site) Describe(w Switching) string {
	var words []string
	for i, sw := range s.Switches {
		if w.Away(i) {
			words = append(words, sw.Words+" "+string(sw.Away))
		}
	}
	if len(words) == 0 {
		return "as found"
	}
	return strings.Join(words, ", ")
}
