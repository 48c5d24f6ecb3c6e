package drawing_test

import (
	"encoding/xml"
	"errors"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"meterwright/internal/drawing"
	"meterwright/site"
)

// TestSwitchesAreShown: what stands away from home is seen.
func TestSwitchesAreShown(t *testing.T) {
	spec := site.Spec{Arrangement: site.TNCS, Units: []string{"house", "garage"}, Sources: []site.Source{site.Inverter}}
	words := func(pic drawing.Picture, word string) (n int) {
		for _, x := range pic.Shapes {
			if x.Text == word {
				n++
			}
		}
		return n
	}
	shut := func(pic drawing.Picture) (n int) { // blades that stand upright over more than a contact
		for _, x := range pic.Shapes {
			if x.Class == drawing.Thin && len(x.Points) == 4 && x.Points[0] == x.Points[2] && x.Points[3]-x.Points[1] == 14 {
				n++
			}
		}
		return n
	}
	home := draw(t, drawing.Position{Claims: spec})
	for _, c := range []struct {
		id                       site.SwitchID
		class                    drawing.Class
		more                     int
		word                     string
		words, blades, terminals int
	}{
		{site.Carrier, drawing.Gone, 1, "out", 1 + 2, 0, 0}, // two terminals of the meter are named so already
		{site.Contact, drawing.Shroud, 1, "on", 2, 0, -1},
		{site.Cover, drawing.Cover, -1, "on", 2, 0, 4},
		{site.Seals, drawing.Seal, -2, "on", 2, 0, 0},
		{site.MeterFit, drawing.Gone, 1, "meter off", 1, 0, 0},
		{site.MeterFit, drawing.Screen, -1, "meter off", 1, 0, 0},
		{"main.house", drawing.Part, 0, "off", 1, -2, 0},
		{"main.garage", drawing.Part, 0, "on", 1, -2, 0},
		{"source.inverter", drawing.Seal, 1, "locked off", 1, -1, 0},
		{site.TailsIn, drawing.Gone, 0, "on", 2, 0, 0},
	} {
		pic := draw(t, drawing.Position{Claims: spec, Switches: off(c.id)})
		if got := classes(pic)[c.class] - classes(home)[c.class]; got != c.more {
			t.Errorf("%s: %d more of %s, not %d", c.id, got, c.class, c.more)
		}
		if got := words(pic, c.word); got != c.words {
			t.Errorf("%s: %q stands %d times, not %d", c.id, c.word, got, c.words)
		}
		if got := shut(pic) - shut(home); got != c.blades {
			t.Errorf("%s: %d blades more, not %d", c.id, got, c.blades)
		}
		if got := len(at(pic)) - len(at(home)); got != c.terminals {
			t.Errorf("%s: %d points more, not %d", c.id, got, c.terminals)
		}
		if !strings.Contains(pic.Says, off(c.id)[string(c.id)]) {
			t.Errorf("%s: %q does not say it", c.id, pic.Says)
		}
	}
	if _, seen := at(draw(t, drawing.Position{Claims: spec, Tip: "meter.l-in"}))["meter.l-in"]; !seen {
		t.Error("a terminal that is meant is not shown through the cover")
	}
}

// TestTailsThatAreOutEndShort: no conductor touches a terminal of the meter then, and every one is still there.
func TestTailsThatAreOutEndShort(t *testing.T) {
	spec := site.Spec{Arrangement: site.TNCS}
	in, out := draw(t, drawing.Position{Claims: spec, Switches: off("cover")}), draw(t, drawing.Position{Claims: spec, Switches: off("cover", "tails")})
	if a, b := len(wires(in)), len(wires(out)); a != b {
		t.Errorf("%d conductors with the tails out, %d with them in", b, a)
	}
	for id, p := range at(out) {
		touched := func(pic drawing.Picture) bool {
			return slices.ContainsFunc(wires(pic), func(w drawing.Shape) bool { return touches(w, p) })
		}
		if id.Part() == "meter" && (touched(out) || !touched(in)) {
			t.Errorf("%s: touched with the tails out %t, with them in %t", id, touched(out), touched(in))
		}
	}
}

// TestWhatIsMeantIsMarked: an act marks what it takes hold of, and looking at the fuse marks the carrier
// where it is, never a screw.
func TestWhatIsMeantIsMarked(t *testing.T) {
	spec := site.Spec{Arrangement: site.TNCS}
	for _, c := range []struct {
		name string
		p    drawing.Position
		on   drawing.Class
	}{
		{"carrier drawn", drawing.Position{Act: "withdraw-carrier"}, drawing.Carrier},
		{"fuse in the hand", drawing.Position{Look: []site.SwitchID{site.Carrier}, Switches: off("carrier")}, drawing.Carrier},
		{"cover", drawing.Position{Act: "take-cover-off"}, drawing.Cover},
		{"seal", drawing.Position{Act: "break-seals"}, drawing.Seal},
		{"meter", drawing.Position{Act: "take-meter-off"}, drawing.Screen},
	} {
		c.p.Claims = spec
		pic := draw(t, c.p)
		marked := false
		for _, x := range pic.Shapes {
			if x.Class != c.on {
				continue
			}
			for _, m := range pic.Shapes {
				if m.Class == drawing.Touch && within(x.Points[0], m.Points[0], m.Points[2]) && within(x.Points[1], m.Points[1], m.Points[3]) {
					marked = true
				}
			}
		}
		for _, m := range pic.Shapes {
			if screw := at(pic)["metalwork.box"]; m.Class == drawing.Touch && within(screw[0], m.Points[0], m.Points[len(m.Points)-2]) && within(screw[1], m.Points[1], m.Points[len(m.Points)-1]) {
				t.Errorf("%s: a screw is marked", c.name)
			}
		}
		if !marked {
			t.Errorf("%s: no %s is marked", c.name, c.on)
		}
	}
}

// TestWhatAHandMeetsIsMarked: where an act sets nothing, the points that it touches; where it sets something, none.
func TestWhatAHandMeetsIsMarked(t *testing.T) {
	for act, want := range map[site.ActID]int{"fit-isolating-switch": 5, "take-meter-off": 0, "break-seals": 0} {
		pic, rings := draw(t, drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Act: act}), 0
		for _, x := range pic.Shapes {
			if x.Class == drawing.Touch && x.Kind == drawing.Dot {
				rings++
			}
		}
		terminals := slices.DeleteFunc(slices.Collect(maps.Keys(at(pic))), func(id site.PointID) bool { return id.Part() != "meter" })
		if rings != want || len(terminals) != min(want, 4) {
			t.Errorf("%s: %d points are marked, %d terminals seen through the cover", act, rings, len(terminals))
		}
	}
}

// TestMarksOfPoints: hollow, filled, hatched; nothing is called dead.
func TestMarksOfPoints(t *testing.T) {
	pic := draw(t, drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Switches: off("cover"),
		Tested: map[site.PointID]drawing.Mark{"meter.l-in": drawing.Tested, "meter.n-in": drawing.Lapsed}})
	want := map[site.PointID]drawing.Class{"meter.l-in": drawing.Held, "meter.n-in": drawing.Void, "meter.n-out": drawing.Hole, "cutout.n": drawing.Hole}
	for _, x := range pic.Shapes {
		if c := want[x.Point]; c != "" && c != x.Class {
			t.Errorf("%s is drawn as %s, not %s", x.Point, x.Class, c)
		}
	}
	hatches := 0
	for _, x := range pic.Shapes {
		if p := at(pic)["meter.n-in"]; x.Class == drawing.Hatch && math.Hypot(x.Points[0]-p[0], x.Points[1]-p[1]) < 8 {
			hatches++
		}
	}
	if hatches != 3 {
		t.Errorf("%d lines of hatching", hatches)
	}
	if said := strings.ToLower(pic.SVG()); strings.Contains(said, "dead") || strings.Contains(said, "safe") {
		t.Error("a point is called dead or safe")
	}
}

// TestZoomHoldsWhatIsMeant: both rings with their letters and labels lie in the view, which has the shape
// of its place on the page and shows the most of the width.
func TestZoomHoldsWhatIsMeant(t *testing.T) {
	eachPicture(t, func(t *testing.T, s *site.Site, p drawing.Position, pic drawing.Picture) {
		v := pic.View
		if !p.Zoom {
			if v != [4]float64{0, 0, pic.W, pic.H} {
				t.Errorf("the whole is shown as %v", v)
			}
			return
		}
		if math.Abs(v[2]/v[3]-360.0/190) > 0.01 || v[2] < 0.75*pic.W {
			t.Errorf("the view is %v of %g by %g", v, pic.W, pic.H)
		}
		view, named := drawing.Rect{X1: v[0], Y1: v[1], X2: v[0] + v[2], Y2: v[1] + v[3]}, 0
		for _, x := range pic.Shapes {
			switch x.Class {
			case drawing.Ring, drawing.Tag:
				for _, r := range covers(x) {
					if r.X1 < view.X1 || r.X2 > view.X2 || r.Y1 < view.Y1 || r.Y2 > view.Y2 {
						t.Errorf("%s against %s: a %s is cut", p.Tip, p.Other, x.Class)
					}
				}
			case drawing.Named:
				named++
				if !strings.Contains(pic.SVG(), ">"+x.Text+"</text>") {
					t.Errorf("%s against %s: %q is left out", p.Tip, p.Other, x.Text)
				}
			}
		}
		if named == 0 {
			t.Errorf("%s against %s: neither is named", p.Tip, p.Other)
		}
	})
}

// TestSVGIsWellFormed: whatever a unit is called.
func TestSVGIsWellFormed(t *testing.T) {
	pic := draw(t, drawing.Position{Claims: site.Spec{Arrangement: site.TT}, Tip: "meter.l-in", Other: "earthing.met", Readings: map[string]int{"meter.l-in": 3}})
	pic.Says = `a "quoted" <word> & more`
	pic.Shapes = append(pic.Shapes, drawing.Shape{Kind: drawing.Text, Class: drawing.Count, Points: []float64{1, 1}, Text: "<b>&"})
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
	if seen["b"] > 0 || seen["svg"] != 1 || seen["title"] != 1 || seen["desc"] != 1 || seen["circle"] < 10 {
		t.Errorf("got %v", slices.Sorted(maps.Keys(seen)))
	}
}
