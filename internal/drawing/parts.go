package drawing

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"meterwright/site"
)

func (d *sheet) ct() bool { return d.Claims.Metering == site.CTOperated }

const (
	unitGap    = 14.0
	socketBox  = 62.0
	socketEdge = 20.0 // room for a letter beside it
	grown      = 1.25 // how far the label with the least room grows with the reader's text
)

func (d *sheet) three() bool { return len(d.lines) == 3 }

// stacked reports whether how a main switch stands is written below the name of its unit, not beside it.
func (d *sheet) stacked() bool { return d.three() || len(d.Claims.Units) > 1 }

// wide is the width of a unit: the last one has a pole more for a switched load.
func (d *sheet) wide(k int) float64 {
	if d.Claims.Switched && k == len(d.Claims.Units)-1 {
		return d.unitWide + d.polePitch
	}
	return d.unitWide
}

// measure lays out what stands beside one another. Letters are larger in a drawing that is wider than a
// narrow screen, and so is the room that they ask for.
func (d *sheet) measure() {
	d.poles = append(slices.Clone(d.lines), "n")
	if !d.ct() {
		d.poles = d.poles[:0]
		for _, t := range d.Claims.Terminals {
			if c, side, _ := strings.Cut(t, "-"); side == "out" && c != "sw" {
				d.poles = append(d.poles, c)
			}
		}
	}
	for range 20 {
		was := d.p.W
		d.stretch(max(1, was/narrow) * TextSize)
		if d.p.W-was < 1 {
			break
		}
	}
	d.text = 2 * TextSize * d.p.W / narrow
}

// stretch lays out for letters of a size.
func (d *sheet) stretch(size float64) {
	room := func(letters float64) float64 { return grown * size * letter * letters }
	d.columnPitch, d.polePitch = 30, 27
	d.gap = max(26, grown*size*lineOf)
	if d.three() {
		d.columnPitch, d.polePitch = max(30, room(2.3)+2*half+2), 24
	}
	if d.ct() {
		d.columnPitch += 8
	}
	x := 8 + 20.0
	for _, c := range append(slices.Clone(d.lines), "n", "e") {
		if c != "e" || d.Claims.Arrangement != site.TT {
			d.columns[c] = x
			d.cutRight = x + 18
			x += d.columnPitch
		}
	}
	d.unitWide = d.polePitch*float64(len(d.poles)) + 8
	if !d.stacked() {
		d.unitWide += max(46, room(3)+14) // for how its switch stands
	}
	if d.Claims.Isolator && !d.three() {
		d.unitWide += 22 // its name stands beside it
	}
	units := float64(len(d.Claims.Units)) * (d.unitWide + unitGap)
	if d.Claims.Switched {
		units += d.polePitch
	}
	zone := max(126, room(10)+unitGap+8)
	if d.Claims.Arrangement == site.TT {
		zone = max(zone, room(7)+76, room(3)+118) // beside the conductor to the electrode
	}
	d.p.W = max(narrow, d.cutRight+zone+units)
	d.unitsLeft = d.p.W - units
}

// point draws a test point and keeps where it is.
func (d *sheet) point(id site.PointID, x, y float64, hidden bool) {
	d.spots[id] = spot{x, y}
	put := func(c Class) {
		d.add(Shape{Kind: Dot, Class: c, Point: id, Points: []float64{x, y}, Size: dot})
	}
	switch {
	case d.Tested[id] == Tested:
		put(Held)
	case d.Tested[id] == Lapsed:
		put(Void)
		for _, at := range []float64{-3, 0, 3} {
			h := math.Sqrt(dot*dot-at*at) - 1 // half a chord, at half a right angle
			x, y, h := x+at*math.Sqrt2/2, y+at*math.Sqrt2/2, h*math.Sqrt2/2
			d.line(Hatch, x-h, y+h, x+h, y-h)
		}
	case hidden && !d.known(id):
	case hidden:
		put(Behind)
	default:
		put(Hole)
	}
	if n := d.Readings[string(id)]; n > 0 {
		d.add(Shape{Kind: Text, Class: Count, Points: []float64{x, y}, Size: 9, Text: strconv.Itoa(n), Align: Middle, Down: 0.35, Room: Rect{x - dot, y - dot, x + dot, y + dot}})
	}
}

// meter draws the meter, or where it was, with its terminals in their own order, and returns where the
// conductors below it may begin.
func (d *sheet) meter() float64 {
	terms, gone := d.Claims.Terminals, d.away(site.MeterFit)
	n := float64(len(terms))
	beside := 0.0
	switch {
	case d.ct():
		beside = d.blockWords()
	case !d.three() && !d.Claims.NoSocket:
		beside = socketBox + 2*socketEdge
	}
	pitch := min(44*d.p.W/narrow, (d.p.W-16-28-beside)/n)
	wide := pitch*n + 28
	left := max(8, (d.p.W-beside-wide)/2)
	head := 24.0
	if gone {
		head = d.text*lineOf + 6
	}
	row := 6 + head + 2*lineOf*d.text + reach + 2
	bottom := row + reach + 3
	body := Rect{left, 6, left + wide, bottom}
	d.part(site.MeterFit, body)
	if gone {
		d.box(Gone, body)
		d.label(Label, left+wide/2, 10, Middle, below, wide-8, d.Words.Say("drawing.meter.off"))
	} else {
		d.box(Part, body)
		d.box(Screen, Rect{left + wide/2 - 46, 12, left + wide/2 + 46, 27})
	}
	covered := !gone && !d.away(site.Cover)
	words, times, widest := d.terminals()
	at := func(i int) float64 { return left + 14 + pitch*(float64(i)+0.5) }
	for i, t := range terms {
		id := site.PointID("meter." + t)
		d.point(id, at(i), row, covered || gone)
		d.rooms[id] = d.label(d.named(id), at(i), row-reach-1, Middle, above, (pitch-1)*times[i]/widest, words[i])
	}
	d.part(site.TailsIn, Rect{at(0) - reach, row - reach, at(len(terms)-1) + reach, row + reach + 2})
	d.cover(Rect{left + 5, row - reach + 2, left + wide - 5, bottom + 3}, row, covered, gone)
	if !d.three() {
		d.socket(8)
	}
	return bottom + lane + 2
}

// terminals are the words at the meter's terminals and how wide each is, of its letters' height. All are as
// high as the two neighbours allow that need the most between them, which is widest.
func (d *sheet) terminals() (words []string, times []float64, widest float64) {
	sides := map[string]string{"in": d.Words.Say("drawing.in"), "out": d.Words.Say("drawing.out"), "v": d.Words.Say("drawing.voltage")}
	for i, t := range d.Claims.Terminals {
		name, side, _ := strings.Cut(t, "-")
		word := strings.ToUpper(name)
		if name == "sw" {
			word = d.Words.Say("drawing.switched")
		}
		words = append(words, word+"\n"+sides[side])
		times = append(times, max(letters(word), letters(sides[side])))
		if i > 0 {
			widest = max(widest, (times[i-1]+times[i])/2)
		}
	}
	return words, times, widest
}

// cover draws the plate over the meter's terminals with its screws and its seal, or the bare screws.
func (d *sheet) cover(plate Rect, row float64, on, gone bool) {
	d.part(site.Cover, plate)
	if gone {
		return
	}
	if on {
		d.box(Cover, plate)
	}
	for _, x := range []float64{plate.X1 + 6, plate.X2 - 6} {
		d.dot(Screw, x, row, 3.5)
		d.line(Hatch, x-2.2, row+2.2, x+2.2, row-2.2)
	}
	d.seal(plate.X2-6, row+9)
}

// seal draws a seal by its loop where the seals are on.
func (d *sheet) seal(x, y float64) {
	if !d.away(site.Seals) {
		d.dot(Seal, x, y, 3)
	}
	d.part(site.Seals, Rect{x - 5, y - 5, x + 5, y + 5})
}

// feed draws what lies below the meter: conductors, and the parts at their ends.
func (d *sheet) feed(top float64) {
	if d.ct() {
		top = d.testblock(top)
	}
	nets := d.nets()
	row := max(top+lane*float64(route(nets))+2, fewestTop)
	for _, n := range nets {
		for i := range n.down {
			n.down[i].y += row
		}
		d.lead(n, top)
	}
	d.cutout(row)
	second := row
	if d.Claims.Isolator {
		second = d.isolator(row)
	}
	d.earthing(row, second)
	foot := d.units(row, second)
	if d.three() && !d.Claims.NoSocket {
		d.socket(foot + 8)
		foot += 8 + socketBox + 3 + lineOf*d.text
	}
	d.surroundings(max(foot, d.nameRow+lineOf*d.text) + reach + 1)
}

// inset is from the top of a part to its first contact.
const inset = 17.0

// nets are the conductors between the meter and what lies below it, with what they are short of the row.
func (d *sheet) nets() []*net {
	var list []*net
	short := 0.0
	if d.away(site.TailsIn) {
		short = reach + 9 // a tail that is out ends short of its terminal
	}
	terminal := func(id string) []spot {
		at := d.spots[site.PointID(id)]
		return []spot{{at.x, at.y + short}}
	}
	ends := func(c string) (to []spot) {
		for k := range d.Claims.Units {
			if to = append(to, spot{d.pole(k, c), inset}); d.Claims.Isolator {
				return to
			}
		}
		return to
	}
	for _, c := range append(slices.Clone(d.lines), "n") {
		at := spot{d.columns[c], inset}
		if c == "n" {
			at.y += neutralDrop
		}
		if d.ct() {
			at.y += transformerRoom
			list = append(list, newNet(conductor(c), nil, append([]spot{at}, ends(c)...)...))
			continue
		}
		list = append(list, newNet(conductor(c), terminal("meter."+c+"-in"), at), newNet(conductor(c), terminal("meter."+c+"-out"), ends(c)...))
	}
	if d.Claims.Switched {
		// The switched load has a pole of the last main switch.
		list = append(list, newNet(LineConductor, terminal("meter.sw-out"), spot{d.pole(len(d.Claims.Units)-1, "sw"), inset}))
	}
	if d.ct() {
		list = append(list, d.secondaries()...)
	}
	return list
}

// unitAt is the left edge of a consumer unit, and pole where one of its conductors enters.
func (d *sheet) unitAt(k int) float64 { return d.unitsLeft + float64(k)*(d.unitWide+unitGap) }

func (d *sheet) pole(k int, c string) float64 {
	i := slices.Index(d.poles, c)
	if i < 0 {
		i = len(d.poles)
	}
	return d.unitAt(k) + 8 + d.polePitch*(float64(i)+0.5)
}

// neutralDrop is how far the neutral of the cut-out lies below the load-side contacts.
const neutralDrop = 24.0

// cutout draws the cut-out with the service that comes in from below.
func (d *sheet) cutout(row float64) {
	if d.ct() {
		d.transformers(row)
		row += transformerRoom
	}
	load, supply, neutral := row+inset, row+inset+contacts, row+inset+neutralDrop
	d.box(Part, Rect{8, row, d.cutRight, supply + 17})
	d.nameRow = neutral + reach + 3 + d.gap
	out, shrouded := d.away(site.Carrier), d.away(site.Contact)
	for _, l := range d.lines {
		x := d.columns[l]
		d.service(conductor(l), x, supply)
		fuse := Rect{x - 8, load + 9, x + 8, supply - 9}
		if !out {
			d.box(Carrier, fuse)
			d.fuseSign(fuse)
			d.line(Thin, x, load+dot, x, fuse.Y1)
			d.line(Thin, x, fuse.Y2, x, supply-dot)
		} else {
			d.box(Gone, fuse)
		}
		if !out {
			d.part(site.Carrier, fuse)
		}
		d.part(site.Contact, Rect{x - 9, supply - 9, x + 9, supply + 9})
		d.point(site.PointID("cutout."+l+"-load"), x, load, false)
		d.point(site.PointID("cutout."+l+"-supply"), x, supply, shrouded)
	}
	if shrouded {
		first, last := d.columns[d.lines[0]], d.columns[d.lines[len(d.lines)-1]]
		d.box(Shroud, Rect{first - 11, supply - 10, last + 11, supply + 11})
	}
	d.service(Neutral, d.columns["n"], neutral)
	d.point(site.CutoutN, d.columns["n"], neutral, false)
	if x, ok := d.columns["e"]; ok {
		if d.Claims.Arrangement == site.TNS {
			d.service(Earth, x, neutral)
		} else {
			d.line(Earth, d.columns["n"], neutral, x, neutral) // joined at the cut-out
		}
		d.point("cutout.e", x, neutral, false)
	}
	d.seal(15, row+8)
	d.letters(d.nameRow)
}

// fuseSign is the sign of a fuse: a long box with its link through it (IEC 60617).
func (d *sheet) fuseSign(r Rect) {
	x, y := (r.X1+r.X2)/2, (r.Y1+r.Y2)/2
	if link := (Rect{x - 3, r.Y1 + 5, x + 3, r.Y2 - 5}); r.X2-r.X1 < r.Y2-r.Y1 {
		d.box(Link, link)
		d.line(Thin, x, r.Y1, x, r.Y2)
	} else {
		d.box(Link, Rect{r.X1 + 5, y - 3, r.X2 - 5, y + 3})
		d.line(Thin, r.X1, y, r.X2, y)
	}
}

// letters names the conductors of the service, and the cut-out beside them.
func (d *sheet) letters(y float64) {
	room := d.columnPitch - 2*half - 2
	names := append(slices.Clone(d.lines), "n")
	if d.Claims.Arrangement == site.TNS {
		names = append(names, "e")
	}
	right := 0.0
	letters := map[string]Rect{}
	for _, c := range names {
		ids := []site.PointID{site.PointID("cutout." + c + "-supply"), site.PointID("cutout." + c + "-load"), site.PointID("cutout." + c)}
		letters[c] = d.label(d.named(ids...), d.columns[c]+half+1.5, y, Start, below, room, strings.ToUpper(c))
		right = letters[c].X2
	}
	whole := d.label(Label, right+8, y, Start, below, d.zoneRight()-right-8, d.Words.Say("drawing.cutout"))
	for _, c := range append(names, "e") {
		for _, id := range []string{"cutout." + c + "-supply", "cutout." + c + "-load", "cutout." + c} {
			d.rooms[site.PointID(id)] = whole.with(letters[c])
		}
	}
}

// service draws a conductor that comes in from below; its foot is set when the height is known.
func (d *sheet) service(c Class, x, y float64) { d.line(c, x, y, x, footless) }

// footless stands for the lower edge until that is known.
const footless = 1e6
