package site

import (
	"fmt"
	"strings"
)

// Jaw names the conductors of the model that a clamp meter at a point closes
// round. Their currents add.
func (s *Site) Jaw(p PointID) ([]string, error) {
	place := p.Place()
	side := func(c string, in bool) []string {
		switch {
		case s.Spec.Metering == CTOperated && c == "n":
			return []string{"meter-neutral"}
		case s.Spec.Metering == CTOperated && in:
			return []string{"meter-in." + c}
		case s.Spec.Metering == CTOperated:
			return []string{"meter-out." + c}
		case in:
			return []string{"tail-in." + c}
		case s.Spec.Isolator:
			return []string{"isolator." + c}
		}
		var list []string
		for _, u := range s.Spec.Units {
			list = append(list, "tail-out."+u+"."+c)
		}
		return list
	}
	switch p.Part() {
	case "meter":
		if place == "sw-out" {
			return []string{"switched-load"}, nil
		}
		c, way, _ := strings.Cut(place, "-")
		return side(c, way == "in"), nil
	case "cutout":
		c, _, _ := strings.Cut(place, "-")
		switch {
		case c == "e" && s.Spec.Arrangement == TNS:
			return []string{"service.e"}, nil
		case c == "e":
			return []string{"pen-link"}, nil
		case c == "n":
			return []string{"service.n"}, nil
		}
		return []string{"fuse." + c}, nil
	case "isolator":
		c, _, _ := strings.Cut(place, "-")
		return []string{"isolator." + c}, nil
	case "earthing":
		if s.Spec.Arrangement == TT {
			return []string{"electrode"}, nil
		}
		return []string{"earthing-conductor"}, nil
	case "unit":
		i := strings.LastIndexByte(place, '-')
		return []string{"tail-out." + place[:i] + "." + place[i+1:]}, nil
	case "testblock":
		c, way, _ := strings.Cut(place, "-")
		switch way {
		case "s1":
			return []string{"ct-lead." + c}, nil
		case "s2":
			return []string{"meter-out." + c}, nil
		}
	case "metalwork":
		return []string{"bond." + place}, nil
	}
	return nil, fmt.Errorf("a clamp meter cannot close round anything at %s: name a meter, cut-out, isolator, consumer unit, metalwork or earthing point", p)
}
