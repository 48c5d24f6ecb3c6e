package site

import (
	"fmt"
	"strings"
)

// Jaw names the terminals of the model whose conductors a clamp meter at a point
// closes round, each as joint:a or joint:b for the end that a healthy position has
// there. Model.Conductor tells which conductor sits on it. Their currents add.
func (s *Site) Jaw(p PointID) ([]string, error) {
	place := p.Place()
	side := func(c, way string) []string {
		switch {
		case s.Spec.Metering == CTOperated && c == "n":
			return []string{"meter-neutral:b"}
		case s.Spec.Metering == CTOperated && way == "v":
			return []string{"meter-v." + c + ":b"}
		case s.Spec.Metering == CTOperated && way == "in":
			return []string{"meter-in." + c + ":b"}
		case s.Spec.Metering == CTOperated:
			return []string{"meter-out." + c + ":a"}
		case way == "in":
			return []string{"tail-in." + c + ":b"}
		case s.Spec.Isolator:
			return []string{"isolator." + c + ":a"}
		}
		var list []string
		for _, u := range s.Spec.Units {
			list = append(list, "tail-out."+u+"."+c+":a")
		}
		return list
	}
	switch p.Part() {
	case "meter":
		if place == "sw-out" {
			return []string{"tail-out." + s.Spec.Units[len(s.Spec.Units)-1] + ".sw:a"}, nil
		}
		c, way, _ := strings.Cut(place, "-")
		return side(c, way), nil
	case "cutout":
		c, _, _ := strings.Cut(place, "-")
		switch {
		case c == "e" && s.Spec.Arrangement == TNS:
			return []string{"service.e:b"}, nil
		case c == "e":
			return []string{"pen-link:b"}, nil
		case c == "n":
			return []string{"service.n:b"}, nil
		}
		return []string{"fuse." + c + ":b"}, nil
	case "isolator":
		c, _, _ := strings.Cut(place, "-")
		return []string{"isolator." + c + ":b"}, nil
	case "earthing":
		if s.Spec.Arrangement == TT {
			return []string{"electrode:a"}, nil
		}
		return []string{"earthing-conductor:b"}, nil
	case "unit":
		i := strings.LastIndexByte(place, '-')
		return []string{"tail-out." + place[:i] + "." + place[i+1:] + ":b"}, nil
	case "testblock":
		c, way, _ := strings.Cut(place, "-")
		switch way {
		case "s1":
			return []string{"ct-lead." + c + ":b"}, nil
		case "s2":
			return []string{"meter-out." + c + ":b"}, nil
		}
	case "metalwork":
		return []string{"bond." + place + ":b"}, nil
	}
	return nil, fmt.Errorf("a clamp meter cannot close round anything at %s: name a meter, cut-out, isolator, consumer unit, metalwork or earthing point", p)
}
