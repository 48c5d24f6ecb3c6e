// Package drawing draws a service position once, as plain shapes, from the site's data: the meter's own
// order of terminals, the phases that there are, every switch as it stands.
//
// SVG writes the shapes for a page; a report draws the same ones into its PDF. The service comes in from
// below into the cut-out, the earth where it comes from; every conductor is heavy always, from terminal to
// terminal, in its own colour, since what was tested holds at points and never along a length.
//
// A point is hollow until it has been tested, filled with ink while the run of the test holds, and hatched
// when that run is void or has lapsed. A point behind the meter's cover or a shroud is not shown, unless
// something is known of it or it is meant. What is meant is ringed: the tip of an instrument with the
// letter a, its other lead with b, what a hand takes hold of with a broken ring.
//
// A label has a room of its own, sized for text twice as large as usual, which nothing else enters. It
// grows with the reader's text up to that room.
package drawing

import (
	"slices"
	"strings"

	"meterwright/say"
	"meterwright/site"
)

// Position is what is to be drawn.
type Position struct {
	// Words says what stands in the drawing, and the names of points.
	Words  *say.Speaker
	Claims site.Spec
	// Switches holds the positions that are known, by switch; the others stand at home.
	Switches map[string]string
	// Tip and Other are the points that an instrument is put on.
	Tip, Other site.PointID
	// Act is the act that is to be done: what it sets is marked, or else the points that it touches.
	Act site.ActID
	// Look names what is to be looked at, by the switch that it is.
	Look []site.SwitchID
	// Tested says how the points that were tested stand.
	Tested map[site.PointID]Mark
	// Readings is the number of readings taken at each point, shown where there are any.
	Readings map[string]int
	// Zoom asks for a view of what is meant, with what stands round it, instead of the whole.
	Zoom bool
}

// Mark says how a point stands. None says that anything is dead.
type Mark uint8

// The marks.
const (
	Untested Mark = iota
	Tested        // and the run holds
	Lapsed        // tested in a run that is void or has lapsed
)

// Picture is a drawing, in units of about a pixel of a narrow screen, from the top left.
type Picture struct {
	W, H   float64
	Shapes []Shape
	// View is the part to be shown: left, top, width and height.
	View [4]float64
	// Title names the drawing and Says describes it, for those who do not see it.
	Title, Says string
}

// Kind is a kind of shape.
type Kind uint8

// The kinds.
const (
	Line Kind = iota // through its corners
	Box              // between two opposite corners
	Dot              // round its middle
	Text             // from its anchor
)

// Class says what a shape stands for; a surface gives it a colour and a weight.
type Class string

// The classes, from the lowest layer up. Conductors alone have the colours of conductors.
const (
	Case   Class = "box"    // the metal case round the position
	Part   Class = "part"   // the body of something
	Screen Class = "screen" // the meter's register
	Gone   Class = "gone"   // the outline of what has been taken away

	LineConductor Class = "line"
	L2Conductor   Class = "l2"
	L3Conductor   Class = "l3"
	Neutral       Class = "neutral"
	Earth         Class = "earth"

	Winding Class = "winding" // of a current transformer
	Thin    Class = "thin"    // a sign
	Carrier Class = "carrier" // of the cut-out, with its fuse
	Link    Class = "link"    // of a fuse
	Cover   Class = "cover"   // over the meter's terminals
	Shroud  Class = "shroud"  // over a contact
	Screw   Class = "screw"
	Seal    Class = "seal"
	Hole    Class = "hole" // a point that is untested
	Behind  Class = "behind"
	Held    Class = "held" // a point whose test holds
	Void    Class = "void" // a point whose test does not, with its hatching
	Hatch   Class = "hatch"
	Count   Class = "count"
	Label   Class = "tiny"
	Named   Class = "named" // the label of a point that is meant
	Ring    Class = "ring"
	Touch   Class = "touch"
	Tag     Class = "tag"
	Letter  Class = "letter"
)

var layers = []Class{Case, Part, Screen, Gone, LineConductor, L2Conductor, L3Conductor, Neutral, Earth, Winding, Carrier, Link, Thin, Shroud, Cover, Screw, Seal,
	Hole, Behind, Held, Void, Hatch, Count, Label, Named, Ring, Touch, Tag, Letter}

// Conductor reports whether shapes of the class are conductors.
func (c Class) Conductor() bool {
	return c == LineConductor || c == L2Conductor || c == L3Conductor || c == Neutral || c == Earth
}

// Shape is one shape.
type Shape struct {
	Kind  Kind
	Class Class
	// Point is the test point that a dot stands for.
	Point site.PointID
	// Points are x, y pairs.
	Points []float64
	// Size is the radius of a dot, and the greatest height of letters of a text.
	Size float64
	Text string
	// Align places a text on its anchor.
	Align Align
	// Down moves the base line of a text down from its anchor, in heights of its letters.
	Down float64
	// Room is what a text never leaves.
	Room Rect
}

// Align says which part of a text lies on its anchor.
type Align uint8

// The alignments.
const (
	Start Align = iota
	Middle
	End
)

// Rect is an upright rectangle.
type Rect struct{ X1, Y1, X2, Y2 float64 }

func (r Rect) meets(o Rect) bool { return r.X1 < o.X2 && o.X1 < r.X2 && r.Y1 < o.Y2 && o.Y1 < r.Y2 }

func (r Rect) grown(by float64) Rect { return Rect{r.X1 - by, r.Y1 - by, r.X2 + by, r.Y2 + by} }

func (r Rect) with(o Rect) Rect {
	if r == (Rect{}) {
		return o
	}
	return Rect{min(r.X1, o.X1), min(r.Y1, o.Y1), max(r.X2, o.X2), max(r.Y2, o.Y2)}
}

func (r Rect) in(o Rect) bool { return r.X1 >= o.X1 && r.Y1 >= o.Y1 && r.X2 <= o.X2 && r.Y2 <= o.Y2 }

// TextSize is the height of a label's letters where the drawing is as wide as a narrow screen.
const TextSize = 12

// Sizes of what is drawn.
const (
	narrow    = 360.0 // a narrow screen, in pixels
	dot       = 6.5   // radius of a point
	reach     = 14.0  // from the middle of a point to the outer edge of its ring
	lane      = 8.0   // from one conductor to the next beside it
	half      = 3.5   // of a conductor's width, with its edge
	letter    = 0.6   // width of a letter, of its height: IBM Plex Sans SemiBold has less on the average
	lineOf    = 1.08  // height of a line, of its letters' height
	margin    = 4.0
	contacts  = 46.0 // from the load-side to the supply-side contact
	fewestTop = 110.0
)

type spot struct{ x, y float64 }

// sheet gathers the shapes of one position.
type sheet struct {
	Position
	p     Picture
	site  *site.Site
	lines []string // line conductors
	poles []string // lines and neutral, in the order in which they leave the meter
	text  float64  // the most that a label grows to
	spots map[site.PointID]spot
	rooms map[site.PointID]Rect // of a point's labels
	parts map[site.SwitchID][]Rect
	// touched is what the hand meets in an act that sets nothing.
	touched []site.PointID

	cutRight, nameRow   float64 // where the cut-out ends, and where its name begins
	gap                 float64 // below the main earthing terminal, for a carrier that is out
	unitWide, unitsLeft float64
	columnPitch         float64            // from one conductor of the cut-out to the next
	polePitch           float64            // from one pole of a switch to the next
	columns             map[string]float64 // of the cut-out
}

// Draw draws a position. One that cannot be is drawn as nothing.
func Draw(p Position) Picture {
	s, err := site.Expand(p.Claims)
	if err != nil {
		return Picture{W: narrow, H: 34, View: [4]float64{0, 0, narrow, 34}, Title: p.Words.Say("drawing.title"), Says: p.Words.Say("drawing.none", "why", err.Error())}
	}
	d := &sheet{Position: p, site: s, lines: s.Lines(), spots: map[site.PointID]spot{}, rooms: map[site.PointID]Rect{}, parts: map[site.SwitchID][]Rect{}, columns: map[string]float64{}}
	d.Claims = s.Spec
	act, _ := s.Act(p.Act)
	for _, set := range act.Sets {
		d.Look = append(slices.Clip(d.Look), set.Switch)
	}
	if len(act.Sets) == 0 {
		d.touched = act.Touches
	}
	d.measure()
	d.feed(d.meter())
	d.marks()
	slices.SortStableFunc(d.p.Shapes, func(a, b Shape) int { return slices.Index(layers, a.Class) - slices.Index(layers, b.Class) })
	d.p.Title, d.p.Says = p.Words.Say("drawing.title"), d.says()
	return d.p
}

func (d *sheet) add(s Shape) { d.p.Shapes = append(d.p.Shapes, s) }

func (d *sheet) line(c Class, points ...float64) { d.add(Shape{Kind: Line, Class: c, Points: points}) }

func (d *sheet) box(c Class, r Rect) {
	d.add(Shape{Kind: Box, Class: c, Points: []float64{r.X1, r.Y1, r.X2, r.Y2}})
}

func (d *sheet) dot(c Class, x, y, size float64) {
	d.add(Shape{Kind: Dot, Class: c, Points: []float64{x, y}, Size: size})
}

// seat says on which side of its anchor a block of lines lies.
type seat uint8

const (
	above seat = iota
	below
	level
)

// label writes a block of lines into a room that is wide at the most, and returns the room that it takes.
func (d *sheet) label(c Class, x, y float64, a Align, s seat, wide float64, words string) Rect {
	lines := strings.Split(words, "\n")
	n, times := float64(len(lines)), 0.0
	for _, l := range lines {
		times = max(times, letters(l))
	}
	size := min(d.text, wide/times)
	w, h := size*times, size*lineOf*n
	first, room := 0.0, Rect{x, y, x + w, y + h}
	switch a {
	case Middle:
		room.X1, room.X2 = x-w/2, x+w/2
	case End:
		room.X1, room.X2 = x-w, x
	}
	switch s {
	case above:
		first, room.Y1, room.Y2 = -lineOf*n+0.84, y-h, y
	case below:
		first = 0.84
	case level:
		first, room.Y1, room.Y2 = -lineOf*n/2+0.84, y-h/2, y+h/2
	}
	for i, l := range lines {
		d.add(Shape{Kind: Text, Class: c, Points: []float64{x, y}, Size: size, Text: l, Align: a, Down: first + lineOf*float64(i), Room: room})
	}
	return room
}

// low narrows the room of one line so that its letters, too, stay within a height.
func low(wide, high float64, words string) float64 {
	return min(wide, high/lineOf*letters(words))
}

// letters is how long a word is at the most, of its letters' height: one of few letters may have wide ones.
func letters(word string) float64 { return letter*float64(len([]rune(word))) + 0.1 }

// named is the class of a point's label.
func (d *sheet) named(ids ...site.PointID) Class {
	for _, id := range ids {
		if id != "" && (id == d.Tip || id == d.Other) {
			return Named
		}
	}
	return Label
}

func (d *sheet) known(id site.PointID) bool {
	return id == d.Tip || id == d.Other || slices.Contains(d.touched, id) || d.Tested[id] != Untested || d.Readings[string(id)] > 0
}

func (d *sheet) away(id site.SwitchID) bool {
	w, _, ok := d.site.Switch(id)
	return ok && d.Switches[string(id)] == string(w.Away)
}

// part keeps where something is drawn that an act sets.
func (d *sheet) part(id site.SwitchID, r Rect) { d.parts[id] = append(d.parts[id], r) }

func conductor(name string) Class {
	switch name {
	case "n":
		return Neutral
	case "e":
		return Earth
	case "l2":
		return L2Conductor
	case "l3":
		return L3Conductor
	}
	return LineConductor
}

func (d *sheet) says() string {
	key := "drawing.says.single"
	if len(d.lines) == 3 {
		key = "drawing.says.three"
	}
	words := []string{d.Words.Say(key, "arrangement", string(d.Claims.Arrangement), "terminals", strings.ReplaceAll(strings.Join(d.Claims.Terminals, ", "), "-", " "))}
	for _, w := range d.site.Switches {
		if d.away(w.ID) {
			words = append(words, d.Words.Say("drawing.says.away", "switch", d.Words.Switch(w.ID), "position", string(w.Away)))
		}
	}
	for i, id := range []site.PointID{d.Tip, d.Other} {
		if _, ok := d.site.Point(id); ok {
			words = append(words, d.Words.Say([]string{"drawing.says.tip", "drawing.says.other"}[i], "point", d.Words.Point(string(id))))
		}
	}
	counts := [3]int{}
	for _, m := range d.Tested {
		counts[m]++
	}
	if counts[Tested]+counts[Lapsed] > 0 {
		words = append(words, d.Words.Say("drawing.says.tested", "n", counts[Tested], "lapsed", counts[Lapsed]))
	}
	return strings.Join(words, " ")
}
