package drawing_test

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"meterwright/internal/drawing"
	"meterwright/method"
	"meterwright/say/en"
	"meterwright/site"
)

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
				{Terminals: []string{"l-in", "l-out", "n-in", "n-out"}},
				{Terminals: []string{"n-out", "l-out", "l-in", "n-in"}},
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

// eachPicture draws every claim in every state of the switches that the drawing shows, each point marked
// in turn.
// draw draws a position in English.
func draw(t *testing.T, p drawing.Position) drawing.Picture {
	t.Helper()
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	m := &method.Resolved{Claims: p.Claims}
	if s, err := site.Expand(p.Claims); err == nil {
		m.Points = s.Points
	}
	p.Words = l.Of(m)
	return drawing.Draw(p)
}

func eachPicture(t *testing.T, do func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture)) {
	for _, spec := range specs() {
		s, err := site.Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		for _, away := range [][]site.SwitchID{nil, {site.Carrier}, {site.Carrier, site.Contact, site.TailsIn}, {site.Carrier, site.TailsIn, site.MeterFit}} {
			p := drawing.Position{Claims: spec, Switches: map[string]string{}}
			for _, id := range away {
				if w, _, ok := s.Switch(id); ok {
					p.Switches[string(id)] = string(w.Away)
				}
			}
			t.Run(fmt.Sprintf("%+v %v", spec, away), func(t *testing.T) {
				counted := drawing.Position{Claims: spec, Switches: p.Switches, Readings: map[string]int{}}
				for i := range s.Points {
					p.Tip, p.Other = s.Points[i].ID, s.Points[(i+1)%len(s.Points)].ID
					do(t, s, p, draw(t, p))
					counted.Readings[string(s.Points[i].ID)] = 12
				}
				do(t, s, counted, draw(t, counted))
			})
		}
	}
}

// TestEveryPointIsDrawnAndMarked: whatever the method may name is there, and is ringed when it is meant.
func TestEveryPointIsDrawnAndMarked(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		n := map[drawing.Class]int{}
		for _, x := range pic.Shapes {
			n[x.Class]++
		}
		if p.Tip == "" {
			counts := 0
			for _, x := range pic.Shapes {
				if x.Text == "12" {
					counts++
				}
			}
			if want := len(s.Points) - 1; counts != want { // but for the body, whose second pole no number counts
				t.Errorf("%d of %d points show how often they were read", counts, want)
			}
			return
		}
		if n[drawing.Tip] != 1 || n[drawing.Ring] != 1 || n[drawing.Arrow] != 1 {
			t.Errorf("%s against %s: %d tips, %d rings, %d arrows", p.Tip, p.Other, n[drawing.Tip], n[drawing.Ring], n[drawing.Arrow])
		}
		words, _ := s.Point(p.Tip)
		if !strings.Contains(pic.Says, words.Words) {
			t.Errorf("%q does not name %s", pic.Says, words.Words)
		}
	})
}

// TestConductorsEndAtTerminals: each end of a conductor lies at a point, at the edge where the service
// comes in or an electrode goes out, or, of a tail that is out, straight below its terminal; no two run
// along one another.
func TestConductorsEndAtTerminals(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		points := map[[2]float64]bool{}
		var wires []drawing.Shape
		for _, x := range pic.Shapes {
			switch {
			case x.Class == drawing.Hole:
				points[[2]float64{x.Points[0], x.Points[1]}] = true
			case x.Kind == drawing.Line && x.Class.Conductor():
				wires = append(wires, x)
			}
			for i := 0; i+1 < len(x.Points); i += 2 {
				if px, py := x.Points[i], x.Points[i+1]; px < 0 || px > pic.W || py < 0 || py > pic.H {
					t.Errorf("%s %q at %g, %g is outside %g by %g", x.Class, x.Text, px, py, pic.W, pic.H)
				}
			}
		}
		neutralEnters := false
		for i, w := range wires {
			n := len(w.Points)
			neutralEnters = neutralEnters || w.Class == drawing.Neutral && w.Points[1] == 0
			for _, e := range [][2]float64{{w.Points[0], w.Points[1]}, {w.Points[n-2], w.Points[n-1]}} {
				ok := points[e] || e[1] == 0 || w.Class == drawing.Earth && e[1] > pic.H-10
				for q := range points {
					short := p.Switches[string(site.TailsIn)] == "out" && q[0] == e[0] && e[1]-q[1] > 0 && e[1]-q[1] < 24
					ok = ok || short
				}
				if !ok && !onAnother(wires, i, e) && !s.Spec.Switched {
					t.Errorf("a %s conductor ends nowhere, at %v", w.Class, e)
				}
			}
			for j := range i {
				if along(w.Points, wires[j].Points) {
					t.Errorf("a %s conductor runs along a %s one: %v, %v", w.Class, wires[j].Class, w.Points, wires[j].Points)
				}
			}
		}
		if !neutralEnters {
			t.Error("the neutral of the service does not come in")
		}
	})
}

// onAnother reports whether a place lies on another conductor of the same class, as a branch does.
func onAnother(wires []drawing.Shape, i int, e [2]float64) bool {
	return slices.ContainsFunc(wires, func(o drawing.Shape) bool {
		if &o == &wires[i] || o.Class != wires[i].Class || slices.Equal(o.Points, wires[i].Points) {
			return false
		}
		for k := 0; k+3 < len(o.Points); k += 2 {
			if within(e[0], o.Points[k], o.Points[k+2]) && within(e[1], o.Points[k+1], o.Points[k+3]) {
				return true
			}
		}
		return false
	})
}

func within(x, a, b float64) bool { return min(a, b) <= x && x <= max(a, b) }

// along reports whether two lines of level and upright pieces share more than a crossing.
func along(a, b []float64) bool {
	for i := 0; i+3 < len(a); i += 2 {
		for j := 0; j+3 < len(b); j += 2 {
			for axis := range 2 {
				k, l := i+axis, j+axis
				if a[k] != a[k+2] || b[l] != b[l+2] || math.Abs(a[k]-b[l]) > 4 {
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

type rect struct{ x1, y1, x2, y2 float64 }

func (r rect) meets(o rect) bool { return r.x1 < o.x2 && o.x1 < r.x2 && r.y1 < o.y2 && o.y1 < r.y2 }

// TestLabelsAreNotCovered: no conductor, ring or other label lies on a label. A letter is taken as 0.55
// of its height wide, a little more than IBM Plex Sans has on the average of these words.
func TestLabelsAreNotCovered(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		type label struct {
			text string
			rect
		}
		var labels []label
		for _, x := range pic.Shapes {
			if x.Kind != drawing.Text {
				continue
			}
			wide := 0.55 * drawing.TextSize * float64(len(x.Text))
			left := x.Points[0]
			if x.Middle {
				left -= wide / 2
			}
			l := label{x.Text, rect{left, x.Points[1] - 9, left + wide, x.Points[1] + 1}}
			if l.x1 < 0 || l.x2 > pic.W {
				t.Errorf("%q leaves the picture", x.Text)
			}
			for _, o := range labels {
				if o.meets(l.rect) {
					t.Errorf("%q lies on %q", x.Text, o.text)
				}
			}
			labels = append(labels, l)
		}
		for _, x := range pic.Shapes {
			var cover []rect
			switch {
			case x.Kind == drawing.Line && x.Class.Conductor():
				for i := 0; i+3 < len(x.Points); i += 2 {
					a := x.Points[i:]
					cover = append(cover, rect{min(a[0], a[2]) - 3, min(a[1], a[3]) - 3, max(a[0], a[2]) + 3, max(a[1], a[3]) + 3})
				}
			case x.Kind == drawing.Dot && x.Class != drawing.Hole:
				cover = append(cover, rect{x.Points[0] - x.Size, x.Points[1] - x.Size, x.Points[0] + x.Size, x.Points[1] + x.Size})
			}
			for _, c := range cover {
				for _, l := range labels {
					if c.meets(l.rect) {
						t.Errorf("%s against %s: a %s covers %q", p.Tip, p.Other, x.Class, l.text)
					}
				}
			}
		}
	})
}

// TestSwitchesAreShown: what stands away from home is seen.
func TestSwitchesAreShown(t *testing.T) {
	count := func(class drawing.Class, switches map[string]string) int {
		n := 0
		for _, x := range draw(t, drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Switches: switches}).Shapes {
			if x.Class == class {
				n++
			}
		}
		return n
	}
	for _, c := range []struct {
		class  drawing.Class
		with   map[string]string
		before int
		after  int
	}{
		{drawing.Fuse, map[string]string{"carrier": "out"}, 1, 0},
		{drawing.Shroud, map[string]string{"carrier": "out", "contact": "shrouded"}, 0, 1},
		{drawing.Gone, map[string]string{"meter": "out"}, 0, 1},
	} {
		if b, a := count(c.class, nil), count(c.class, c.with); b != c.before || a != c.after {
			t.Errorf("%s: %d at home, %d with %v", c.class, b, a, c.with)
		}
	}
}

// TestSVGIsWellFormed: whatever a unit is called.
func TestSVGIsWellFormed(t *testing.T) {
	pic := draw(t, drawing.Position{Claims: site.Spec{Arrangement: site.TT}, Tip: "meter.l-in", Other: "earthing.met", Readings: map[string]int{"meter.l-in": 3}})
	pic.Says = `a "quoted" <word> & more`
	pic.Shapes = append(pic.Shapes, drawing.Shape{Kind: drawing.Text, Class: drawing.Label, Points: []float64{1, 1}, Text: "<b>&"})
	d := xml.NewDecoder(strings.NewReader(pic.SVG()))
	seen := map[string]int{}
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			seen[e.Name.Local]++
		}
	}
	if seen["b"] > 0 || seen["svg"] != 1 || seen["circle"] < 10 {
		t.Errorf("got %v", slices.Sorted(maps.Keys(seen)))
	}
}
