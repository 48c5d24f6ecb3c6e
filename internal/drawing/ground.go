package drawing

import (
	"strings"

	"meterwright/site"
)

// earthing draws the main earthing terminal with what it is joined to, and the carrier where it lies when
// it is out.
func (d *sheet) earthing(row, second float64) {
	y := row + inset + neutralDrop
	if d.ct() {
		y += transformerRoom
	}
	middle := d.metAt()
	bar := Rect{middle - 24, y - 9, middle + 24, y + 9}
	d.box(Part, bar)
	if x, ok := d.columns["e"]; ok {
		d.line(Earth, x, y, middle, y)
	} else {
		d.line(Earth, middle, y, middle, footless) // to the consumer's own electrode
	}
	for k := range d.Claims.Units {
		into := spot{d.unitAt(k) + 5, second + inset + 24}
		switch turn := d.unitAt(k) - unitGap/2; {
		case k == 0 && into.y == y:
			d.line(Earth, middle, y, into.x, y)
		case k == 0:
			d.line(Earth, middle, y, turn, y, turn, into.y, into.x, into.y)
		default: // below the one before it
			under, from := second+inset+43+d.nameHigh()+4, into.y
			if k > 1 {
				from = under
			}
			d.line(Earth, turn-d.unitWide-unitGap, from, turn-d.unitWide-unitGap, under, turn, under, turn, into.y, into.x, into.y)
		}
		d.line(Thin, into.x, into.y-8, into.x, into.y+8)
	}
	d.point(site.MET, middle, y, false)
	d.rooms[site.MET] = d.label(d.named(site.MET), d.unitsLeft-unitGap, y-reach-2, End, above, d.unitsLeft-unitGap-d.cutRight-6, d.Words.Say("drawing.earthing"))
	if d.away(site.Carrier) {
		at := y + reach + 2 + d.gap/2
		lies := Rect{d.cutRight + 10, at - 8, d.cutRight + 40, at + 8}
		d.box(Carrier, lies)
		d.fuseSign(lies)
		d.line(Thin, lies.X1-4, at, lies.X1, at)
		d.line(Thin, lies.X2, at, lies.X2+4, at)
		d.part(site.Carrier, lies)
		word := d.Words.Say("drawing.carrier.out")
		d.label(Label, lies.X2+10, at, Start, level, low(d.zoneRight()-lies.X2-10, d.gap, word), word)
	}
}

// metAt is where the main earthing terminal stands, to the left of the units.
func (d *sheet) metAt() float64 { return d.unitsLeft - unitGap - 42 }

// zoneRight is how far to the right a word between cut-out and units may reach.
func (d *sheet) zoneRight() float64 {
	if d.Claims.Arrangement == site.TT {
		return d.metAt() - half - 2 // beside the conductor to the electrode
	}
	return d.unitsLeft - unitGap
}

// surroundings draws the case round the position with the metal parts on it, what lies outside it, and sets
// the height.
func (d *sheet) surroundings(frame float64) {
	x0 := d.columns["n"] + 22
	if d.Claims.Arrangement == site.TNS {
		x0 = d.columns["e"] + 22
	}
	x, y, foot := x0, frame, frame
	step := func(words string) float64 { return 2*reach + 6 + letter*d.text*float64(len([]rune(words))) }
	electrode := d.metAt()
	item := func(words string) (at spot, wide float64) {
		need := min(step(words), d.p.W-8-x0)
		if d.Claims.Arrangement == site.TT && x < electrode+20 && x+need > electrode-16 {
			x = electrode + 20
		}
		if x+need > d.p.W-4 {
			x, y = x0, y+reach+lineOf*d.text+8
			if d.Claims.Arrangement == site.TT {
				x = electrode + 20
			}
		}
		at = spot{x + reach, y}
		wide = min(need, d.p.W-4-x) - 2*reach - 4
		x += need + 2*tagSize
		foot = y + reach
		return at, wide
	}
	for _, m := range d.Claims.Metalwork {
		words := strings.ReplaceAll(m, "-", " ")
		at, wide := item(words)
		id := site.PointID("metalwork." + m)
		d.dot(Screw, at.x, at.y, dot+3)
		d.point(id, at.x, at.y, false)
		d.rooms[id] = d.label(d.named(id), at.x+reach+3, at.y+3, Start, below, wide, words)
		foot = max(foot, d.rooms[id].Y2)
	}
	for _, id := range []site.PointID{site.Reference, site.Body} {
		if !d.known(id) {
			continue
		}
		words := d.Words.Say("drawing." + id.Part())
		at, wide := item(words)
		at.y += reach + 4
		if id == site.Body {
			d.person(at.x, at.y)
		} else {
			d.spike(at.x, at.y)
		}
		d.rooms[id] = d.label(d.named(id), at.x+reach+3, at.y, Start, level, wide, words)
		foot = max(foot, at.y+reach+2*tagSize-4, d.rooms[id].Y2)
	}
	d.p.H = foot + 8
	d.box(Case, Rect{margin, 2, d.p.W - margin, frame})
	for i := range d.p.Shapes {
		s := &d.p.Shapes[i]
		if n := len(s.Points); s.Kind == Line && s.Points[n-1] == footless {
			s.Points[n-1] = d.p.H
			if s.Class == Earth && d.Claims.Arrangement == site.TT {
				s.Points[n-1] = frame + 10
				d.ground(s.Points[n-2], frame+10)
			}
		}
	}
}

// ground is the sign of earth (IEC 60617).
func (d *sheet) ground(x, y float64) {
	for i, w := range []float64{10, 6.5, 3} {
		d.line(Thin, x-w, y+4*float64(i), x+w, y+4*float64(i))
	}
}

// spike draws a reference that does not belong to the installation: a rod in the ground.
func (d *sheet) spike(x, y float64) {
	d.line(Thin, x, y, x, y+20)
	d.line(Thin, x-11, y+11, x+11, y+11)
	d.point(site.Reference, x, y, false)
}

// person draws the operative as the second pole of a single-pole indication.
func (d *sheet) person(x, y float64) {
	d.spots[site.Body] = spot{x, y}
	d.dot(Screw, x, y-6, 3.5)
	d.line(Thin, x, y-2, x, y+5, x-5, y+12)
	d.line(Thin, x, y+5, x+5, y+12)
	d.line(Thin, x-7, y+1, x+7, y+1)
}
