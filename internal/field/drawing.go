package field

import (
	"context"
	"fmt"
	"html"
	"io"
	"strings"

	"github.com/a-h/templ"

	"meterwright/method"
	"meterwright/site"
)

// drawing is the service position as the method describes it, with the places where the probes
// go. It is drawn from the site's data: the meter's own order of terminals, the phases that there
// are, the switches as they stand. Conductors alone have conductor colours.
type drawing struct {
	Method   *method.Resolved
	Switches map[string]string
	// Tip and Other are the points that the instrument is put to.
	Tip, Other string
	// Act is the act that is to be done, whose points are marked.
	Act string
}

type spot struct{ x, y int }

// canvas gathers the parts of one drawing. Units are about a pixel of a narrow screen.
type canvas struct {
	b     strings.Builder
	spots map[string]spot
}

const (
	drawWidth  = 320
	drawHeight = 214
)

func (d drawing) component() templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, d.svg())
		return err
	})
}

func (c *canvas) put(format string, args ...any) { fmt.Fprintf(&c.b, format, args...) }

func (c *canvas) text(x, y int, class, anchor, s string) {
	c.put(`<text x="%d" y="%d" class="%s" text-anchor="%s">%s</text>`, x, y, class, anchor, html.EscapeString(s))
}

// wire draws a conductor: a dark edge below its colour, so that it is seen on any ground.
func (c *canvas) wire(class, path string) {
	c.put(`<path d="%s" class="wire-edge"/><path d="%s" class="wire %s"/>`, path, path, class)
	if class == "earth" {
		c.put(`<path d="%s" class="wire-stripe"/>`, path)
	}
}

func lineClass(l string) string {
	switch l {
	case "l2":
		return "l2"
	case "l3":
		return "l3"
	}
	return "line"
}

// svg writes the drawing.
func (d drawing) svg() string {
	c := &canvas{spots: map[string]spot{}}
	spec := d.Method.Claims
	lines := []string{"l"}
	if spec.Phases == 3 {
		lines = []string{"l1", "l2", "l3"}
	}
	is := func(id site.SwitchID) string { return d.Switches[string(id)] }
	d.place(c, lines)
	c.put(`<svg class="draw" viewBox="0 0 %d %d" role="img" aria-label="%s">`, drawWidth, drawHeight, html.EscapeString(d.words()))

	// The box, with its metalwork.
	c.put(`<rect x="3" y="14" width="258" height="150" class="box"/>`)
	// Cut-out.
	out := is(site.Carrier) == "out"
	c.put(`<rect x="14" y="30" width="74" height="92" class="part"/>`)
	c.text(51, 44, "tiny", "middle", "cut-out")
	// Meter.
	meterOut := is(site.MeterFit) == "out"
	if !meterOut {
		c.put(`<rect x="110" y="24" width="140" height="98" class="part"/>`)
		c.put(`<rect x="132" y="32" width="96" height="24" class="dial"/>`)
		c.text(180, 48, "tiny", "middle", "meter")
	} else {
		c.put(`<rect x="110" y="24" width="140" height="98" class="gone"/>`)
		c.text(180, 48, "tiny", "middle", "meter off")
	}
	d.tails(c, lines, is(site.TailsIn) == "out")
	// The carrier joins or parts supply and load side.
	for _, l := range lines {
		s, t := c.spots["cutout."+l+"-supply"], c.spots["cutout."+l+"-load"]
		if !out && t != (spot{}) {
			c.put(`<path d="M%d %dL%d %d" class="fuse"/>`, s.x, s.y, t.x, t.y)
		}
	}
	if out {
		c.text(51, 25, "tiny", "middle", "carrier out")
	}
	c.put(`<rect x="272" y="60" width="44" height="62" class="part"/>`)
	c.text(294, 54, "tiny", "middle", "unit")
	// The points.
	for _, p := range d.Method.Points {
		id := string(p.ID)
		at, ok := c.spots[id]
		if !ok || id == string(site.Body) && d.Tip != id && d.Other != id {
			continue
		}
		d.point(c, p, at)
	}
	d.mark(c, d.Other, false)
	d.mark(c, d.Tip, true)
	for _, a := range d.Method.Acts {
		if string(a.ID) == d.Act {
			for _, t := range a.Touches {
				if at, ok := c.spots[string(t)]; ok {
					c.put(`<circle cx="%d" cy="%d" r="13" class="touch"/>`, at.x, at.y)
				}
			}
		}
	}
	c.put(`</svg>`)
	return c.b.String()
}

// place gives every point of the method its place.
func (d drawing) place(c *canvas, lines []string) {
	n := len(lines)
	for i, l := range lines {
		x := 28
		if n > 1 {
			x = 24 + 14*i
		}
		c.spots["cutout."+l+"-supply"] = spot{x, 106}
		c.spots["cutout."+l+"-load"] = spot{x, 66}
	}
	c.spots["cutout.n"] = spot{74, 66}
	c.spots["cutout.e"] = spot{74, 106}
	c.spots["earthing.met"] = spot{74, 196}
	c.spots["reference.independent"] = spot{24, 190}
	c.spots["body.self"] = spot{226, 192}
	// As its face is seen: earth at the top, line at the right below (BS 1363-2) [S].
	c.spots["socket.l"] = spot{302, 196}
	c.spots["socket.n"] = spot{264, 196}
	c.spots["socket.e"] = spot{283, 166}
	terms := d.Method.Claims.Terminals
	step := 120
	if len(terms) > 1 {
		step = 112 / (len(terms) - 1)
	}
	for i, t := range terms {
		c.spots["meter."+t] = spot{124 + i*step, 102}
	}
	at := 0
	for _, p := range d.Method.Points {
		id := string(p.ID)
		part, place, _ := strings.Cut(id, ".")
		switch {
		case part == "metalwork":
			c.spots[id] = spot{[]int{150, 210, 104, 240, 30, 90}[at%6], 14}
			at++
		case part == "isolator" || part == "unit":
			x, y := 284, 76
			if strings.HasSuffix(place, "-n") || place == "n-load" {
				x = 306
			}
			for i, l := range lines {
				if strings.HasSuffix(place, "-"+l) || place == l+"-load" {
					y = 76 + 14*i
				}
			}
			if part == "isolator" {
				y = 112
			}
			c.spots[id] = spot{x, y}
		}
	}
}

// tails draws the conductors between cut-out, meter and consumer unit.
func (d drawing) tails(c *canvas, lines []string, out bool) {
	// A tail that is out of its terminal ends short of it.
	end := func(s spot) int {
		if out {
			return s.y + 22
		}
		return s.y
	}
	deep := 132
	for i, l := range lines {
		from, to := c.spots["cutout."+l+"-load"], c.spots["meter."+l+"-in"]
		y := deep + 7*i
		c.wire(lineClass(l), fmt.Sprintf("M%d %dV58H96V%dH%dV%d", from.x, from.y, y, to.x, end(to)))
		if o, ok := c.spots["meter."+l+"-out"]; ok {
			c.wire(lineClass(l), fmt.Sprintf("M%d %dV%dH%dV%d", o.x, end(o), y, 284, 122))
		}
	}
	n := c.spots["cutout.n"]
	y := deep + 7*len(lines) + 3
	if to, ok := c.spots["meter.n-in"]; ok {
		c.wire("neutral", fmt.Sprintf("M%d %dV%dH%dV%d", n.x, n.y, y, to.x, end(to)))
	}
	if o, ok := c.spots["meter.n-out"]; ok {
		c.wire("neutral", fmt.Sprintf("M%d %dV%dH%dV%d", o.x, end(o), y, 306, 122))
	}
	met := c.spots["earthing.met"]
	if _, ok := c.spots["cutout.e"]; ok && d.Method.Claims.Arrangement != site.TT {
		e := c.spots["cutout.e"]
		c.wire("earth", fmt.Sprintf("M%d %dV%d", e.x+8, e.y, met.y))
	}
	// The service cable comes from below.
	for _, l := range lines {
		s := c.spots["cutout."+l+"-supply"]
		c.wire(lineClass(l), fmt.Sprintf("M%d %dV150", s.x, s.y))
	}
}

func (d drawing) point(c *canvas, p site.Point, at spot) {
	id := string(p.ID)
	switch {
	case id == string(site.MET):
		c.put(`<rect x="%d" y="%d" width="36" height="10" class="part"/>`, at.x-18, at.y-5)
		c.text(at.x+24, at.y+5, "tiny", "start", "earthing terminal")
	case id == string(site.Reference):
		if id == d.Tip || id == d.Other {
			c.put(`<path d="M%d %dv-22m-9 6h18m-14 5h10" class="thin"/>`, at.x, at.y)
		}
	case id == string(site.Body):
		c.put(`<path d="M%d %dc-7 0-10-6-10-14v-7h4v5v-12h5v10v-13h5v13v-9h5v17c0 6-4 10-9 10z" class="thin"/>`, at.x, at.y+8)
	case strings.HasPrefix(id, "metalwork."):
		c.put(`<circle cx="%d" cy="%d" r="6" class="hole"/><path d="M%d %dl6 6" class="thin"/>`, at.x, at.y, at.x-3, at.y-3)
	case strings.HasPrefix(id, "socket."):
		if id == "socket.e" {
			c.put(`<rect x="248" y="152" width="70" height="60" class="part"/>`)
		}
		c.put(`<rect x="%d" y="%d" width="8" height="6" class="hole"/>`, at.x-4, at.y-3)
	case strings.HasPrefix(id, "unit."):
		c.put(`<circle cx="%d" cy="%d" r="4" class="hole"/>`, at.x, at.y)
	default:
		c.put(`<circle cx="%d" cy="%d" r="7" class="hole"/>`, at.x, at.y)
		if part, place, _ := strings.Cut(id, "."); part == "meter" {
			name, side, _ := strings.Cut(place, "-")
			if id != d.Tip && id != d.Other {
				c.text(at.x, at.y-22, "tiny", "middle", strings.ToUpper(name))
				c.text(at.x, at.y-11, "tiny", "middle", side)
			} else {
				c.text(at.x, at.y-18, "named", "middle", strings.TrimSpace(strings.ToUpper(name)+" "+side))
			}
		}
	}
}

// mark shows where a probe goes: a filled disc for the tip, a ring for the other.
func (d drawing) mark(c *canvas, id string, tip bool) {
	at, ok := c.spots[id]
	if id == "" || !ok {
		return
	}
	if tip {
		c.put(`<circle cx="%d" cy="%d" r="13" class="tip"/>`, at.x, at.y)
		c.put(`<path d="M%d %dl-8-12h16z" class="arrow"/>`, at.x, at.y+5)
		return
	}
	c.put(`<circle cx="%d" cy="%d" r="12" class="ring-edge"/><circle cx="%d" cy="%d" r="12" class="ring"/>`, at.x, at.y, at.x, at.y)
}

// words says what the drawing shows.
func (d drawing) words() string {
	w := "Drawing of the service position"
	if d.Tip != "" {
		w += ": the tip goes to " + points(d.Method, d.Tip)
	}
	if d.Other != "" {
		w += ", the other to " + points(d.Method, d.Other)
	}
	return w
}
