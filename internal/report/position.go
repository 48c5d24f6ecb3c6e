package report

import (
	"fmt"
	"strings"

	"meterwright/site"
)

// Picture is a drawing in plain shapes, in units of a tenth of a millimetre from the top left.
type Picture struct {
	W, H   float64
	Shapes []Shape
	// Says describes the drawing in a sentence, for those who do not see it.
	Says string
}

// Shape is a line, a box, a dot or a text.
type Shape struct {
	// Kind is line, box, dot or text.
	Kind string
	// Points are x, y pairs: of a line its corners, of a box two opposite corners, of a dot
	// its middle, of a text its anchor on the base line.
	Points []float64
	// Colour is ink, quiet, or the name of a conductor's colour.
	Colour string
	Width  float64
	Text   string
	Size   float64
	// Middle centres a text on its anchor.
	Middle bool
	// Fill fills a box or dot with paper.
	Fill bool
}

// colours of conductors: IEC 60445, and BS 7671 table 51, three-phase brown, black, grey [S].
func lineColour(i, phases int) string {
	if phases == 3 {
		return []string{"brown", "black", "grey"}[i]
	}
	return "brown"
}

// drawer collects shapes.
type drawer struct{ p Picture }

func (d *drawer) line(colour string, width float64, pts ...float64) {
	d.p.Shapes = append(d.p.Shapes, Shape{Kind: "line", Points: pts, Colour: colour, Width: width})
}

func (d *drawer) box(x, y, w, h float64) {
	d.p.Shapes = append(d.p.Shapes, Shape{Kind: "box", Points: []float64{x, y, x + w, y + h}, Colour: "ink", Width: 5, Fill: true})
}

func (d *drawer) dot(x, y float64) {
	d.p.Shapes = append(d.p.Shapes, Shape{Kind: "dot", Points: []float64{x, y}, Colour: "ink", Width: 4, Size: 16, Fill: true})
}

func (d *drawer) text(x, y, size float64, middle bool, colour, s string) {
	d.p.Shapes = append(d.p.Shapes, Shape{Kind: "text", Points: []float64{x, y}, Size: size, Middle: middle, Colour: colour, Text: s})
}

// point draws a test point with its short name and, where readings were taken, their number.
func (d *drawer) point(x, y float64, name string, n int) {
	d.dot(x, y)
	if name != "" && n > 0 {
		d.text(x, y-54, 26, true, "ink", name)
		d.text(x, y-26, 24, true, "quiet", fmt.Sprint(n))
		return
	}
	d.text(x, y-26, 26, true, "ink", name)
	if n > 0 {
		d.text(x+22, y+8, 24, false, "quiet", fmt.Sprint(n))
	}
}

// beside draws a test point in a conductor that runs down, with its words at the side.
func (d *drawer) beside(x, y float64, name string, n int) {
	d.dot(x, y)
	if n > 0 {
		name += fmt.Sprintf(" · %d", n)
	}
	d.text(x+24, y+8, 24, false, "ink", name)
}

// Position draws a service position from what the job claims of it: cut-out, meter with its
// terminals in their own order, and consumer unit, with the number of readings at each point.
func Position(claims site.Spec, seen map[string]int) Picture {
	claims = claims.WithDefaults()
	lines := []string{"l"}
	if claims.Phases == 3 {
		lines = []string{"l1", "l2", "l3"}
	}
	d := &drawer{p: Picture{W: 1760, H: 760}}
	at := func(id string) int { return seen[id] }

	// Cut-out: supply contacts above, load contacts below, neutral and earth beside them.
	pitch := 150.0
	cw := pitch*float64(len(lines)+1) + 130
	if claims.Arrangement == site.TT {
		cw -= 90
	}
	d.box(40, 90, cw, 330)
	d.text(40+cw-105, 70, 30, false, "ink", "cut-out")
	load := map[string]float64{}
	for i, l := range lines {
		x := 80 + pitch*float64(i)
		d.line(lineColour(i, len(lines)), 12, x, 20, x, 180)
		d.box(x-20, 205, 40, 90)
		d.line("ink", 4, x, 205, x, 295)
		d.beside(x, 180, l+" supply", at("cutout."+l+"-supply"))
		d.beside(x, 320, l+" load", at("cutout."+l+"-load"))
		load[l] = x
	}
	nx := 80 + pitch*float64(len(lines))
	d.line("blue", 12, nx, 20, nx, 320)
	d.beside(nx, 320, "n", at("cutout.n"))
	ex := nx + 100
	if claims.Arrangement != site.TT {
		d.beside(ex, 320, "e", at("cutout.e"))
	}

	// Meter.
	terms := claims.Terminals
	mx := max(700, 40+cw+90)
	if claims.Metering == site.CTOperated {
		d.text(mx, 70, 30, false, "ink", "meter, fed by current transformers through the test block")
	}
	mp := 112.0
	if len(terms) > 5 {
		mp = 80
	}
	mw := mp*float64(len(terms)) + 40
	d.box(mx, 90, mw, 330)
	if claims.Metering != site.CTOperated {
		d.text(mx, 70, 30, false, "ink", "meter")
	}
	d.box(mx+mw/2-130, 130, 260, 80)
	d.text(mx+mw/2, 182, 36, true, "quiet", "kWh")
	term := map[string]float64{}
	for i, t := range terms {
		x := mx + 20 + mp*(float64(i)+0.5)
		term[t] = x
		d.point(x, 350, strings.ReplaceAll(t, "-", " "), at("meter."+t))
	}

	// Consumer units.
	ux := mx + mw + 140
	d.box(ux, 90, 300, 330)
	d.text(ux, 70, 30, false, "ink", unitWords(claims.Units))
	d.text(ux+150, 180, 28, true, "quiet", "main switch")
	unit := "unit." + claims.Units[0] + "-"
	unitX := map[string]float64{}
	for i, l := range lines {
		x := ux + 60 + 70*float64(i)
		unitX[l] = x
		d.point(x, 350, l, at(unit+l))
	}
	unitX["n"] = ux + 60 + 70*float64(len(lines))
	d.point(unitX["n"], 350, "n", at(unit+"n"))

	d.tails(lines, load, nx, term, unitX)
	d.rest(claims, ex, seen)
	d.fit()
	d.p.Says = fmt.Sprintf("Cut-out, meter and consumer unit of a %s position, %s. The meter's terminals from left to right: %s.", map[bool]string{true: "three-phase", false: "single-phase"}[len(lines) == 3], claims.Arrangement, strings.ReplaceAll(strings.Join(terms, ", "), "-", " "))
	return d.p
}

// fit widens the picture to what was drawn. A text is taken as half as wide as it is high for
// each letter.
func (d *drawer) fit() {
	const margin = 40
	for _, s := range d.p.Shapes {
		reach := 0.0
		if s.Kind == "text" {
			reach = float64(len(s.Text)) * s.Size / 2
			if s.Middle {
				reach /= 2
			}
		}
		for i := 0; i+1 < len(s.Points); i += 2 {
			d.p.W = max(d.p.W, s.Points[i]+reach+margin)
		}
	}
}

func unitWords(units []string) string {
	if len(units) == 1 {
		return units[0] + " consumer unit"
	}
	return fmt.Sprintf("consumer units: %s", strings.Join(units, ", "))
}

// tails joins cut-out, meter and consumer unit, each conductor on a level of its own.
func (d *drawer) tails(lines []string, load map[string]float64, nx float64, term, unit map[string]float64) {
	y := 455.0
	join := func(colour string, from, fy, to, ty float64) {
		d.line(colour, 12, from, fy+16, from, y, to, y, to, ty+16)
		y += 24
	}
	for i, l := range lines {
		join(lineColour(i, len(lines)), load[l], 320, term[l+"-in"], 350)
	}
	join("blue", nx, 320, term["n-in"], 350)
	y = 455 + 24*float64(len(lines)+1)
	join("blue", term["n-out"], 350, unit["n"], 350)
	for i := len(lines) - 1; i >= 0; i-- {
		join(lineColour(i, len(lines)), term[lines[i]+"-out"], 350, unit[lines[i]], 350)
	}
}

// rest draws earth, metalwork, socket and the references in a row below.
func (d *drawer) rest(claims site.Spec, ex float64, seen map[string]int) {
	y := 690.0
	x := ex
	if claims.Arrangement == site.TT {
		x = 300
	}
	if claims.Arrangement != site.TT {
		d.line("green-yellow", 12, x, 336, x, y-16)
	}
	d.point(x, y, "", seen[string(site.MET)])
	d.text(x-20, y+50, 26, true, "ink", "main earthing terminal")
	x = max(700, x+350)
	for _, m := range claims.Metalwork {
		d.point(x, y, "", seen["metalwork."+m])
		d.text(x, y+50, 26, true, "ink", strings.ReplaceAll(m, "-", " ")+" (metal)")
		x += 200
	}
	if !claims.NoSocket {
		d.box(x-60, y-50, 200, 66)
		for i, p := range []string{"l", "n", "e"} {
			px := x - 20 + 60*float64(i)
			d.p.Shapes = append(d.p.Shapes, Shape{Kind: "dot", Points: []float64{px, y}, Colour: "ink", Width: 4, Size: 12, Fill: true})
			n := ""
			if k := seen["socket."+p]; k > 0 {
				n = fmt.Sprintf(" %d", k)
			}
			d.text(px, y-22, 24, true, "ink", p+n)
		}
		d.text(x+40, y+50, 26, true, "ink", "socket")
		x += 260
	}
	if claims.Reference || seen[string(site.Reference)] > 0 {
		d.point(x+60, y, "", seen[string(site.Reference)])
		d.text(x+60, y+50, 26, true, "ink", "independent earth reference")
	}
}
