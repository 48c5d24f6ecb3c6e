package drawing_test

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"meterwright/internal/drawing"
	"meterwright/method"
	"meterwright/say"
	"meterwright/say/en"
	"meterwright/site"
)

// draw draws a position in English.
func draw(t *testing.T, p drawing.Position) drawing.Picture {
	t.Helper()
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	return drawIn(l, p)
}

func drawIn(l *say.Language, p drawing.Position) drawing.Picture {
	m := &method.Resolved{Claims: p.Claims}
	if s, err := site.Expand(p.Claims); err == nil {
		m.Points, m.Switches = s.Points, s.Switches
	}
	p.Words = l.Of(m)
	return drawing.Draw(p)
}

// specs is what a job may claim, one property at a time and together.
func specs() []site.Spec {
	var list []site.Spec
	for _, a := range site.Arrangements() {
		for _, phases := range []int{1, 3} {
			for _, s := range []site.Spec{
				{},
				{Isolator: true, Reference: true},
				{NoSocket: true, Reference: true, Metalwork: []string{"box", "pipe", "unit", "screw", "door", "rail"}, Units: []string{"house", "garage"}},
				{Switched: true, Metalwork: []string{"box", "water-pipe"}},
				{Switched: true, Isolator: true, Units: []string{"house", "off-peak", "yard"}},
				{Sources: []site.Source{site.Inverter, site.Battery, site.Vehicle}, Units: []string{"house", "shed"}},
				{Terminals: []string{"l-in", "l-out", "n-in", "n-out"}},
				{Terminals: []string{"n-out", "l-out", "l-in", "n-in"}},
				{Terminals: []string{"l3-out", "n-in", "l1-in", "l2-out", "n-out", "l3-in", "l1-out", "l2-in"}},
				{Metering: site.CTOperated},
			} {
				s.Arrangement, s.Phases = a, phases
				if s.Validate() == nil {
					list = append(list, s)
				}
			}
		}
	}
	return list
}

// eachPicture draws every claim in several states of its switches, its points marked in turn: every one of
// them in some state, and in every state where MW_SOAK asks for it.
func eachPicture(t *testing.T, do func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture)) {
	for _, spec := range specs() {
		s, err := site.Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		for state, away := range [][]site.SwitchID{nil, {site.Cover, site.Carrier}, {site.Cover, site.Carrier, site.Contact, site.TailsIn}, {site.Carrier, site.TailsIn, site.MeterFit}} {
			p := drawing.Position{Claims: spec, Switches: map[string]string{}}
			for _, id := range away {
				if w, _, ok := s.Switch(id); ok {
					p.Switches[string(id)] = string(w.Away)
				}
			}
			t.Run(fmt.Sprintf("%+v %v", spec, away), func(t *testing.T) {
				all := drawing.Position{Claims: spec, Switches: p.Switches, Tested: map[site.PointID]drawing.Mark{}}
				for i := range s.Points {
					p.Tip, p.Other, p.Zoom = s.Points[i].ID, s.Points[(i+1)%len(s.Points)].ID, i%8 < 4
					if i%4 == state || os.Getenv("MW_SOAK") != "" {
						do(t, s, p, draw(t, p))
					}
					all.Tested[s.Points[i].ID] = drawing.Mark(1 + i%2)
				}
				do(t, s, all, draw(t, all))
			})
		}
	}
}

// at finds where a test point is drawn.
func at(pic drawing.Picture) map[site.PointID][2]float64 {
	m := map[site.PointID][2]float64{}
	for _, x := range pic.Shapes {
		if x.Point != "" {
			m[x.Point] = [2]float64{x.Points[0], x.Points[1]}
		}
	}
	return m
}

func classes(pic drawing.Picture) map[drawing.Class]int {
	n := map[drawing.Class]int{}
	for _, x := range pic.Shapes {
		n[x.Class]++
	}
	return n
}

// TestEveryPointIsDrawnAndMarked: whatever the method may name is there, and is ringed when it is meant.
func TestEveryPointIsDrawnAndMarked(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		n := classes(pic)
		if p.Tip == "" {
			if held, void := (len(s.Points)+1)/2, len(s.Points)/2; n[drawing.Held]+n[drawing.Void] != held+void-1 { // but for the body, which has no place of its own
				t.Errorf("%d filled and %d hatched of %d points", n[drawing.Held], n[drawing.Void], len(s.Points))
			}
			return
		}
		if n[drawing.Ring] != 2 || n[drawing.Tag] != 2 {
			t.Errorf("%s against %s: %d rings, %d tags", p.Tip, p.Other, n[drawing.Ring], n[drawing.Tag])
		}
		words, _ := s.Point(p.Tip)
		if !strings.Contains(pic.Says, words.Words) {
			t.Errorf("%q does not name %s", pic.Says, words.Words)
		}
		for id, where := range map[string]site.PointID{"a": p.Tip, "b": p.Other} {
			point, ok := at(pic)[where]
			if !ok && where != site.Body {
				t.Errorf("%s is ringed and not drawn", where)
			}
			for _, x := range pic.Shapes {
				if x.Class == drawing.Letter && x.Text == id && ok && math.Hypot(x.Points[0]-point[0], x.Points[1]-point[1]) > 26 {
					t.Errorf("the letter %s stands far from %s", id, where)
				}
			}
		}
	})
}

// wires are the conductors of a picture.
func wires(pic drawing.Picture) (list []drawing.Shape) {
	for _, x := range pic.Shapes {
		if x.Kind == drawing.Line && x.Class.Conductor() {
			list = append(list, x)
		}
	}
	return list
}

// touches reports whether a place lies on a conductor.
func touches(w drawing.Shape, e [2]float64) bool {
	for k := 0; k+3 < len(w.Points); k += 2 {
		if within(e[0], w.Points[k], w.Points[k+2]) && within(e[1], w.Points[k+1], w.Points[k+3]) {
			return true
		}
	}
	return false
}

func within(x, a, b float64) bool { return min(a, b)-0.01 <= x && x <= max(a, b)+0.01 }

func ends(w drawing.Shape) [2][2]float64 {
	n := len(w.Points)
	return [2][2]float64{{w.Points[0], w.Points[1]}, {w.Points[n-2], w.Points[n-1]}}
}

// joined gathers every place that drawn conductors of one class lead to from one.
func joined(pic drawing.Picture, class drawing.Class, from [2]float64) (list []drawing.Shape) {
	places := [][2]float64{from}
	left := slices.DeleteFunc(wires(pic), func(w drawing.Shape) bool { return w.Class != class })
	for len(places) > 0 {
		at := places[0]
		places = places[1:]
		left = slices.DeleteFunc(left, func(w drawing.Shape) bool {
			meets := touches(w, at)
			for _, o := range list {
				meets = meets || touches(o, ends(w)[0]) || touches(o, ends(w)[1])
			}
			if meets {
				list = append(list, w)
				e := ends(w)
				places = append(places, e[0], e[1])
			}
			return meets
		})
	}
	return list
}

// TestTailsLeadToTheirOwnTerminals: in every order that a single-phase meter may have, and in two of a
// three-phase one, the terminals are named in that order from left to right, each incoming tail leads to
// the cut-out's contact of its own conductor, and each outgoing one to every unit's.
func TestTailsLeadToTheirOwnTerminals(t *testing.T) {
	orders := permutations([]string{"l-in", "n-in", "n-out", "l-out"})
	orders = append(orders, []string{"l1-in", "l1-out", "l2-in", "l2-out", "l3-in", "l3-out", "n-in", "n-out"},
		[]string{"n-out", "l2-in", "l1-out", "l3-in", "n-in", "l1-in", "l3-out", "l2-out"})
	colour := map[string]drawing.Class{"l": drawing.LineConductor, "l1": drawing.LineConductor, "l2": drawing.L2Conductor, "l3": drawing.L3Conductor, "n": drawing.Neutral}
	for _, order := range orders {
		t.Run(strings.Join(order, " "), func(t *testing.T) {
			pic := draw(t, drawing.Position{Claims: site.Spec{Arrangement: site.TNS, Phases: map[int]int{4: 1, 8: 3}[len(order)], Terminals: order, Units: []string{"house", "shed"}}, Switches: off("cover")})
			points := at(pic)
			before := 0.0
			for _, term := range order {
				name, side, _ := strings.Cut(term, "-")
				p := points[site.PointID("meter."+term)]
				if p[0] <= before {
					t.Errorf("%s stands out of its order", term)
				}
				before = p[0]
				if got := above(pic, p); got != strings.ToUpper(name)+" "+side {
					t.Errorf("%s is named %q", term, got)
				}
				want := []site.PointID{site.PointID("cutout." + name + "-load")}
				switch {
				case term == "n-in":
					want[0] = "cutout.n"
				case side == "out":
					want = []site.PointID{site.PointID("unit.house-" + name), site.PointID("unit.shed-" + name)}
				}
				var got []site.PointID
				for id, q := range points {
					if q != p && slices.ContainsFunc(joined(pic, colour[name], p), func(w drawing.Shape) bool { return ends(w)[0] == q || ends(w)[1] == q }) {
						got = append(got, id)
					}
				}
				if slices.Sort(got); !slices.Equal(got, want) {
					t.Errorf("from %s a conductor leads to %v, not to %v", term, got, want)
				}
			}
		})
	}
}

// above is the words that stand over a place.
func above(pic drawing.Picture, p [2]float64) string {
	var words []string
	for _, x := range pic.Shapes {
		if x.Kind == drawing.Text && x.Points[0] == p[0] && x.Points[1] < p[1] && p[1]-x.Points[1] < 20 {
			words = append(words, x.Text)
		}
	}
	return strings.Join(words, " ")
}

func permutations(list []string) (all [][]string) {
	if len(list) < 2 {
		return [][]string{list}
	}
	for i := range list {
		rest := slices.Concat(list[:i:i], list[i+1:])
		for _, p := range permutations(rest) {
			all = append(all, append([]string{list[i]}, p...))
		}
	}
	return all
}

// TestServiceComesInFromBelow: line and neutral reach the lower edge from the cut-out, and the earth comes
// from where the arrangement of IEC 60364-1 has it.
func TestServiceComesInFromBelow(t *testing.T) {
	for _, phases := range []int{1, 3} {
		for _, a := range site.Arrangements() {
			pic := draw(t, drawing.Position{Claims: site.Spec{Arrangement: a, Phases: phases}})
			points := at(pic)
			lines := map[site.PointID]drawing.Class{"cutout.l-supply": drawing.LineConductor}
			if phases == 3 {
				lines = map[site.PointID]drawing.Class{"cutout.l1-supply": drawing.LineConductor, "cutout.l2-supply": drawing.L2Conductor, "cutout.l3-supply": drawing.L3Conductor}
			}
			lines["cutout.n"] = drawing.Neutral
			if a == site.TNS {
				lines["cutout.e"] = drawing.Earth
			}
			fromBelow := 0
			for _, w := range wires(pic) {
				if e := ends(w); e[1][1] == pic.H {
					fromBelow++
					if !slices.ContainsFunc(slices.Collect(maps.Keys(lines)), func(id site.PointID) bool { return points[id] == e[0] && lines[id] == w.Class }) {
						t.Errorf("%s: a %s conductor comes in to %v", a, w.Class, e[0])
					}
				}
			}
			if fromBelow != len(lines) {
				t.Errorf("%s: %d conductors come in from below, not %d", a, fromBelow, len(lines))
			}
			earth := func(id, to site.PointID) bool {
				return slices.ContainsFunc(joined(pic, drawing.Earth, points[id]), func(w drawing.Shape) bool { return touches(w, points[to]) })
			}
			if _, has := points["cutout.e"]; has != (a != site.TT) {
				t.Errorf("%s: an earth terminal at the cut-out: %t", a, has)
			}
			if got := earth("cutout.n", "cutout.e"); got != (a == site.TNCS) {
				t.Errorf("%s: neutral and earth are joined at the cut-out: %t", a, got)
			}
			if a != site.TT && !earth("cutout.e", "earthing.met") {
				t.Errorf("%s: no earthing conductor", a)
			}
			rod := slices.ContainsFunc(joined(pic, drawing.Earth, points["earthing.met"]), func(w drawing.Shape) bool { return ends(w)[1][1] > pic.H-40 })
			if want := a != site.TNCS; rod != want {
				t.Errorf("%s: the earth leads into the ground: %t", a, rod)
			}
		}
	}
}

// TestConductorsEndSomewhere: each end of a conductor lies at a point, on another of its own, at the lower
// edge, in a part, or, of a tail that is out, straight below its terminal; no two run along one another,
// and nothing leaves the picture.
func TestConductorsEndSomewhere(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		every := map[site.PointID]drawing.Mark{}
		for _, x := range s.Points {
			every[x.ID] = drawing.Tested
		}
		points := at(draw(t, drawing.Position{Claims: p.Claims, Switches: p.Switches, Tested: every}))
		list := wires(pic)
		for _, x := range pic.Shapes {
			for i := 0; i+1 < len(x.Points); i += 2 {
				if px, py := x.Points[i], x.Points[i+1]; px < -8 || px > pic.W+8 || py < -8 || py > pic.H {
					t.Errorf("%s %q at %g, %g is outside %g by %g", x.Class, x.Text, px, py, pic.W, pic.H)
				}
			}
		}
		for i, w := range list {
			for _, e := range ends(w) {
				ok := e[1] == pic.H
				for _, q := range points {
					short := p.Switches[string(site.TailsIn)] == "out" && q[0] == e[0] && e[1]-q[1] > 0 && e[1]-q[1] < 50
					ok = ok || q == e || short
				}
				for j, o := range list {
					ok = ok || i != j && o.Class == w.Class && touches(o, e)
				}
				if !ok && !endsInPart(pic, e) {
					t.Errorf("a %s conductor ends nowhere, at %v", w.Class, e)
				}
			}
			for j := range i {
				if along(w.Points, list[j].Points) {
					t.Errorf("a %s conductor runs along a %s one: %v, %v", w.Class, list[j].Class, w.Points, list[j].Points)
				}
			}
		}
	})
}

// endsInPart reports whether a place lies in or at the edge of a part, at a sign, or at a winding.
func endsInPart(pic drawing.Picture, e [2]float64) bool {
	return slices.ContainsFunc(pic.Shapes, func(x drawing.Shape) bool {
		switch {
		case x.Class == drawing.Part, x.Class == drawing.Gone:
			return within(e[0], x.Points[0], x.Points[2]) && within(e[1], x.Points[1], x.Points[3])
		case x.Class == drawing.Winding:
			return math.Hypot(e[0]-x.Points[0], e[1]-x.Points[1]) < x.Size+3
		}
		return x.Class == drawing.Thin && touches(x, e)
	})
}

// along reports whether two lines of level and upright pieces share more than a crossing.
func along(a, b []float64) bool {
	for i := 0; i+3 < len(a); i += 2 {
		for j := 0; j+3 < len(b); j += 2 {
			for axis := range 2 {
				k, l := i+axis, j+axis
				if a[k] != a[k+2] || b[l] != b[l+2] || math.Abs(a[k]-b[l]) > 6 {
					continue
				}
				k, l = i+1-axis, j+1-axis
				if min(max(a[k], a[k+2]), max(b[l], b[l+2]))-max(min(a[k], a[k+2]), min(b[l], b[l+2])) > 8 {
					return true
				}
			}
		}
	}
	return false
}

// TestRoomsOfLabelsAreTheirOwn: no conductor, ring, letter, point or other label lies in the room of one.
func TestRoomsOfLabelsAreTheirOwn(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		var labels []drawing.Shape
		for _, x := range pic.Shapes {
			if x.Class == drawing.Label || x.Class == drawing.Named {
				for _, o := range labels {
					if o.Room != x.Room && meets(o.Room, x.Room) {
						t.Errorf("%q lies on %q", x.Text, o.Text)
					}
				}
				labels = append(labels, x)
			}
		}
		for _, x := range pic.Shapes {
			for _, c := range covers(x) {
				for _, l := range labels {
					if meets(c, l.Room) {
						t.Errorf("%s against %s: a %s covers %q", p.Tip, p.Other, x.Class, l.Text)
					}
				}
			}
		}
	})
}

func meets(a, b drawing.Rect) bool { return a.X1 < b.X2 && b.X1 < a.X2 && a.Y1 < b.Y2 && b.Y1 < a.Y2 }

// covers is what a conductor or a mark lies on.
func covers(x drawing.Shape) (list []drawing.Rect) {
	switch {
	case x.Kind == drawing.Line && x.Class.Conductor():
		for i := 0; i+3 < len(x.Points); i += 2 {
			a := x.Points[i:]
			list = append(list, drawing.Rect{X1: min(a[0], a[2]) - 3, Y1: min(a[1], a[3]) - 3, X2: max(a[0], a[2]) + 3, Y2: max(a[1], a[3]) + 3})
		}
	case x.Kind == drawing.Dot && x.Class != drawing.Screw && x.Class != drawing.Seal:
		list = append(list, drawing.Rect{X1: x.Points[0] - x.Size, Y1: x.Points[1] - x.Size, X2: x.Points[0] + x.Size, Y2: x.Points[1] + x.Size})
	}
	return list
}
