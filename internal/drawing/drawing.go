// Package drawing draws a service position once, as plain shapes, from the site's data: the meter's own
// order of terminals, the phases that there are, the switches as they stand.
//
// SVG writes the shapes for a page; a report draws the same ones into its PDF. Every conductor is drawn
// heavy always, from terminal to terminal: what was tested holds at points, never along a length. The
// service comes in from above, its neutral with it. What is meant is ringed: the tip of an instrument
// with a filled disc, its other lead with a ring, what a hand or tool touches with a broken ring. Labels
// stand where no ring reaches.
package drawing

import (
	"fmt"
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
	// Act is the act that is to be done, whose points are marked.
	Act site.ActID
	// Readings is the number of readings taken at each point, shown where there are any.
	Readings map[string]int
}

// Picture is a drawing, in units of about a pixel of a narrow screen, from the top left.
type Picture struct {
	W, H   float64
	Shapes []Shape
	// Says describes the drawing in a sentence, for those who do not see it.
	Says string
}

// Kind is a kind of shape.
type Kind uint8

// The kinds.
const (
	Line Kind = iota // through its corners
	Box              // between two opposite corners
	Dot              // round its middle
	Text             // from its anchor on the base line
)

// Class says what a shape stands for; a surface gives it a colour and a weight.
type Class string

// The classes. Conductors alone have the colours of conductors.
const (
	LineConductor Class = "line"
	L2Conductor   Class = "l2"
	L3Conductor   Class = "l3"
	Neutral       Class = "neutral"
	Earth         Class = "earth"

	Part   Class = "part"   // the outline of something
	Gone   Class = "gone"   // the outline of what has been taken away
	Case   Class = "box"    // the metal case round the position
	Thin   Class = "thin"   // a sign
	Fuse   Class = "fuse"   // the carrier, where it joins two contacts
	Shroud Class = "shroud" // over a contact
	Hole   Class = "hole"   // a point
	Tip    Class = "tip"
	Arrow  Class = "arrow" // in the tip
	Ring   Class = "ring"
	Touch  Class = "touch"
	Label  Class = "tiny"
	Named  Class = "named" // the label of a point that is meant
)

// Conductor reports whether shapes of the class are conductors.
func (c Class) Conductor() bool {
	return c == LineConductor || c == L2Conductor || c == L3Conductor || c == Neutral || c == Earth
}

// Shape is one shape.
type Shape struct {
	Kind  Kind
	Class Class
	// Points are x, y pairs.
	Points []float64
	// Size is the radius of a dot.
	Size float64
	Text string
	// Middle centres a text on its anchor.
	Middle bool
}

// TextSize is the height of a label.
const TextSize = 12

// Sizes of what is drawn.
const (
	least     = 360.0 // width
	pitch     = 24.0  // from one terminal to the next
	reach     = 12.0  // radius of a ring
	lane      = 9.0   // from one conductor to the next beside it
	top       = 34.0  // of the case
	parts     = 46.0  // top of cut-out and meter
	supplyRow = 70.0  // supply-side contacts of the cut-out
	meterRow  = 126.0 // load-side contacts, terminals of the meter
	firstLane = 164.0
)

type spot struct{ x, y float64 }

// sheet gathers the shapes of one position.
type sheet struct {
	Position
	p     Picture
	site  *site.Site
	lines []string
	spots map[site.PointID]spot
	below float64 // where the next conductor runs
}

// Draw draws a position. One that cannot be is drawn as nothing.
func Draw(p Position) Picture {
	s, err := site.Expand(p.Claims)
	if err != nil {
		return Picture{W: least, H: top, Says: p.Words.Say("drawing.none", "why", err.Error())}
	}
	d := &sheet{Position: p, site: s, lines: s.Lines(), spots: map[site.PointID]spot{}, below: firstLane, p: Picture{W: least}}
	d.Claims = s.Spec
	end := d.cutout()
	d.meter(end + 16)
	d.tails()
	d.marks()
	d.p.Says = d.says()
	return d.p
}

func (d *sheet) add(s Shape) { d.p.Shapes = append(d.p.Shapes, s) }

func (d *sheet) line(c Class, points ...float64) { d.add(Shape{Kind: Line, Class: c, Points: points}) }

func (d *sheet) box(c Class, x, y, w, h float64) {
	d.add(Shape{Kind: Box, Class: c, Points: []float64{x, y, x + w, y + h}})
}

func (d *sheet) text(x, y float64, middle bool, words string) {
	d.add(Shape{Kind: Text, Class: Label, Points: []float64{x, y}, Text: words, Middle: middle})
}

// point draws a test point and keeps where it is.
func (d *sheet) point(id site.PointID, x, y float64) {
	d.spots[id] = spot{x, y}
	d.add(Shape{Kind: Dot, Class: Hole, Points: []float64{x, y}, Size: 6})
	if n := d.Readings[string(id)]; n > 0 {
		d.text(x+6.5, y-9, false, fmt.Sprint(n)) // beside what comes in from above, clear of what goes out below
	}
}

func (d *sheet) away(id site.SwitchID) bool {
	w, _, ok := d.site.Switch(id)
	return ok && d.Switches[string(id)] == string(w.Away)
}

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

// cutout draws the cut-out with the service that comes in above it, and returns its right edge.
func (d *sheet) cutout() float64 {
	columns := append(slices.Clone(d.lines), "n")
	if d.Claims.Arrangement != site.TT {
		columns = append(columns, "e")
	}
	column := pitch
	if len(d.lines) == 1 {
		column = 32
	}
	right := 12 + column*float64(len(columns)) + 4
	key, x := "drawing.cutout", 0.0
	for i, c := range columns {
		x = 26 + column*float64(i)
		switch {
		case c == "e" && d.Claims.Arrangement == site.TNS:
			d.line(Earth, x, 0, x, meterRow)
		case c == "e":
			// Neutral and earth are joined at the cut-out.
			d.line(Earth, x-column, meterRow, x, meterRow)
		case c == "n":
			d.line(Neutral, x, 0, x, meterRow)
		default:
			d.line(conductor(c), x, 0, x, supplyRow)
		}
	}
	d.box(Part, 10, parts, right-10, meterRow+reach+4-parts)
	for i, c := range columns {
		x := 26 + column*float64(i)
		switch c {
		case "n", "e":
			d.point(site.PointID("cutout."+c), x, meterRow)
		default:
			if !d.away(site.Carrier) && d.Claims.Metering != site.CTOperated {
				d.line(Fuse, x, supplyRow, x, meterRow)
			}
			d.point(site.PointID("cutout."+c+"-supply"), x, supplyRow)
			d.point(site.PointID("cutout."+c+"-load"), x, meterRow)
		}
	}
	if d.away(site.Carrier) {
		key = "drawing.cutout.out"
	}
	if d.away(site.Contact) {
		d.box(Shroud, 14, supplyRow-9, column*float64(len(d.lines)-1)+24, 18)
		key += ".shrouded"
	}
	if d.Claims.Arrangement == site.TNCS {
		x -= column
	}
	d.text(x+9, 11, false, d.Words.Say(key))
	return right
}

// meter draws the meter, or where it was, with its terminals in their own order.
func (d *sheet) meter(left float64) {
	terms := d.Claims.Terminals
	wide := max(pitch*float64(len(terms))+10, d.p.W-left-14)
	d.p.W = max(d.p.W, left+wide+14)
	class, key, under := Part, "drawing.meter", 14.0
	if d.away(site.MeterFit) {
		class, key = Gone, "drawing.meter.off"
	}
	d.box(class, left, parts, wide, meterRow+reach+4-parts)
	if d.Claims.Metering == site.CTOperated {
		key, under = key+".ct", 9
		block, _ := d.site.Match("testblock.*")
		for i, id := range block {
			d.point(id, left+(float64(i)+0.5)*wide/float64(len(block)), parts+28)
		}
	}
	d.text(left+wide/2, parts+under, true, d.Words.Say(key))
	for i, t := range terms {
		x := left + (float64(i)+0.5)*wide/float64(len(terms))
		id := site.PointID("meter." + t)
		d.point(id, x, meterRow)
		name, side, _ := strings.Cut(strings.ToUpper(t), "-")
		label := Label
		if id == d.Tip || id == d.Other {
			label = Named
		}
		for k, words := range []string{name, strings.ToLower(side)} {
			d.add(Shape{Kind: Text, Class: label, Points: []float64{x, meterRow - reach - 7 - TextSize*float64(1-k)}, Text: words, Middle: true})
		}
	}
}

// tails draws the conductors below, each on a level of its own, and what stands at their ends.
func (d *sheet) tails() {
	all := append(slices.Clone(d.lines), "n")
	short := 0.0
	if d.away(site.TailsIn) {
		short = 20 // a tail that is out ends short of its terminal
	}
	level := func() float64 { d.below += lane; return d.below - lane }
	from := map[string]spot{}
	for _, c := range all {
		at := d.spots[site.PointID("cutout."+c+"-load")]
		if c == "n" {
			at = d.spots[site.CutoutN]
		}
		if d.Claims.Metering == site.CTOperated {
			from[c] = at // the mains pass through the transformers, by the meter
			continue
		}
		to, y := d.spots[site.PointID("meter."+c+"-in")], level()
		d.line(conductor(c), at.x, at.y, at.x, y, to.x, y, to.x, to.y+short)
		from[c] = d.spots[site.PointID("meter."+c+"-out")]
		from[c] = spot{from[c].x, from[c].y + short}
	}
	levels := map[string]float64{}
	for _, c := range all {
		levels[c] = level()
	}
	d.ends(all, from, levels, short)
}

// ends draws earth, reference, consumer units and socket in a row, with what runs to them.
func (d *sheet) ends(all []string, from map[string]spot, levels map[string]float64, short float64) {
	head := d.below + 6
	if d.Claims.Isolator {
		head += 34
	}
	row := head + 34
	d.p.H = row + 34
	d.earthing(row)
	units := d.Claims.Units
	wide := pitch*float64(len(all)) + 8
	if d.Claims.Switched {
		wide += 16
	}
	socket := 66.0
	if d.Claims.NoSocket {
		socket = 4
	}
	d.p.W = max(d.p.W, 200+float64(len(units))*(wide+6)+socket)
	left := d.p.W - socket - float64(len(units))*(wide+6)
	for k, u := range units {
		x := left + float64(k)*(wide+6)
		for i, c := range all {
			at := spot{x + 4 + pitch*(float64(i)+0.5), row}
			source, y := from[c], levels[c]
			if k > 0 {
				// It leaves the one to the first where that comes nearest.
				first := left + 4 + pitch*(float64(i)+0.5)
				source = spot{min(max(at.x, min(first, source.x)), max(first, source.x)), y}
			}
			d.line(conductor(c), source.x, source.y, source.x, y, at.x, y, at.x, at.y)
		}
		d.box(Part, x, row-16, wide, 46)
		name := u
		if d.away(site.MainSwitch(u)) {
			name = d.Words.Say("drawing.unit.off", "unit", u)
		}
		d.text(x+wide/2, row+27, true, name)
		for i, c := range all {
			px := x + 4 + pitch*(float64(i)+0.5)
			d.point(site.PointID("unit."+u+"-"+c), px, row)
			if d.Claims.Isolator && k == 0 {
				d.point(site.PointID("isolator."+c+"-load"), px, head-14)
			}
		}
	}
	if d.Claims.Isolator {
		d.box(Part, left, head-30, wide, 32)
	}
	if out, ok := d.spots["meter.sw-out"]; ok {
		// The switched line ends at the last unit, beside its line.
		y, x := d.below, d.p.W-socket-6-6
		d.line(LineConductor, out.x, out.y+short, out.x, y, x, y, x, row-16)
	}
	if !d.Claims.NoSocket {
		// As its face is seen: earth at the top, line at the right below (BS 1363-2) [S].
		d.box(Part, d.p.W-62, row-32, 58, 62)
		d.point("socket.e", d.p.W-38, row-18)
		d.point("socket.n", d.p.W-52, row+9)
		d.point("socket.l", d.p.W-24, row+9)
	}
	d.box(Case, 4, top, d.p.W-8, d.below-top+2)
	d.metalwork()
}

// earthing draws the main earthing terminal with what it is joined to, and the reference.
func (d *sheet) earthing(row float64) {
	x := 90.0
	if e, ok := d.spots["cutout.e"]; ok {
		x = e.x
		d.line(Earth, x, e.y, x, row)
	} else {
		d.line(Earth, x, row, x, row+30) // to the consumer's own electrode
	}
	d.box(Part, x-16, row-8, 32, 16)
	d.point(site.MET, x, row)
	for i, line := range strings.Split(d.Words.Say("drawing.earthing"), "\n") {
		d.text(x+20, row+4+TextSize*float64(i), false, line)
	}
	if site.Body == d.Tip || site.Body == d.Other {
		d.spots[site.Body] = spot{54, row}
		d.line(Thin, 54, row-4, 54, row+5, 48, row+14)
		d.line(Thin, 54, row+5, 60, row+14)
		d.line(Thin, 46, row, 62, row)
		d.text(54, row+28, true, d.Words.Say("drawing.body"))
	}
	if d.Claims.Reference || site.Reference == d.Tip || site.Reference == d.Other || d.Readings[string(site.Reference)] > 0 {
		d.line(Thin, 24, row, 24, row+16)
		d.line(Thin, 16, row+12, 32, row+12)
		d.line(Thin, 19, row+16, 29, row+16)
		d.point(site.Reference, 24, row)
		d.text(10, row-22, false, d.Words.Say("drawing.reference"))
	}
}

// metalwork draws the screws of the case, and names them where there is room.
func (d *sheet) metalwork() {
	step := min(70, (d.p.W-190)/float64(max(1, len(d.Claims.Metalwork))))
	for i, m := range d.Claims.Metalwork {
		x := d.p.W - 24 - step*float64(i)
		d.point(site.PointID("metalwork."+m), x, top)
		d.line(Thin, x-4, top-4, x+4, top+4)
		if len(d.Claims.Metalwork) < 3 && len(m) < 8 {
			d.text(x-reach-4-6.6*float64(len(m)), top-4, false, strings.ReplaceAll(m, "-", " "))
		}
	}
}

// marks rings what is meant.
func (d *sheet) marks() {
	ring := func(c Class, id site.PointID) {
		if at, ok := d.spots[id]; ok {
			d.add(Shape{Kind: Dot, Class: c, Points: []float64{at.x, at.y}, Size: reach})
		}
	}
	ring(Ring, d.Other)
	ring(Tip, d.Tip)
	if at, ok := d.spots[d.Tip]; ok {
		d.line(Arrow, at.x, at.y+5, at.x-7, at.y-6, at.x+7, at.y-6)
	}
	if act, ok := d.site.Act(d.Act); ok {
		for _, id := range act.Touches {
			ring(Touch, id)
		}
	}
}

func (d *sheet) says() string {
	key := "drawing.says.single"
	if len(d.lines) == 3 {
		key = "drawing.says.three"
	}
	words := d.Words.Say(key, "arrangement", string(d.Claims.Arrangement), "terminals", strings.ReplaceAll(strings.Join(d.Claims.Terminals, ", "), "-", " "))
	for i, id := range []site.PointID{d.Tip, d.Other} {
		if _, ok := d.site.Point(id); ok {
			words += " " + d.Words.Say([]string{"drawing.says.tip", "drawing.says.other"}[i], "point", d.Words.Point(string(id)))
		}
	}
	return words
}
