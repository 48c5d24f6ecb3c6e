package drawing

import (
	"strings"

	"meterwright/site"
)

// switchPole draws one pole of a switch, as it stands.
func (d *sheet) switchPole(x, y float64, open bool) {
	d.line(Thin, x, y, x, y+5)
	if open {
		d.line(Thin, x-8, y+7, x, y+19)
	} else {
		d.line(Thin, x, y+5, x, y+19)
	}
	d.line(Thin, x, y+19, x, y+24)
	d.line(Thin, x-3, y+5, x+3, y+5)
}

// units draws the consumer units with their main switches, and returns where they end. What passes the
// isolating switch comes from the first row.
func (d *sheet) units(first, row float64) float64 {
	bottom := row + inset + 40
	foot := bottom + 3 + d.nameHigh()
	for k, u := range d.Claims.Units {
		x := d.unitAt(k)
		wide := d.wide(k)
		d.box(Part, Rect{x, row, x + wide, bottom})
		off, last := d.away(site.MainSwitch(u)), x
		for _, c := range d.poles {
			px := d.pole(k, c)
			d.switchPole(px, row+inset+dot, off)
			d.point(site.PointID("unit."+u+"-"+c), px, row+inset, false)
			last = max(last, px)
		}
		if d.Claims.Switched && k == len(d.Claims.Units)-1 {
			last = d.pole(k, "sw")
			if d.Claims.Isolator { // past the isolating switch
				d.line(LineConductor, last, first+inset, last, row+inset)
			}
			d.switchPole(last, row+inset+dot, off)
			d.line(Thin, last-4, row+inset, last+4, row+inset)
		}
		d.part(site.MainSwitch(u), Rect{d.pole(k, d.poles[0]) - 10, row + inset + 6, last + 6, row + inset + 34})
		word := d.Words.Say("drawing.on")
		if off {
			word = d.Words.Say("drawing.off")
		}
		name := strings.ReplaceAll(u, "-", " ")
		if d.stacked() {
			name += "\n" + word
		} else {
			d.label(Label, last+9, row+inset+27, Start, level, low(x+wide-last-11, 25, word), word)
		}
		tail := 0.0
		if k == 0 && len(d.Claims.Sources) > 0 {
			tail = 24
		}
		room := d.label(d.named(d.unitPoints(u)...), x+(wide-tail)/2, bottom+3, Middle, below, wide+unitGap-6-tail, name)
		for _, id := range d.unitPoints(u) {
			d.rooms[id] = room
		}
	}
	if len(d.Claims.Units) > 1 {
		foot += 8 // for the earth of the others
	}
	return d.sources(bottom, max(foot, d.nameRow+lineOf*d.text))
}

// nameHigh is the height of what stands below a unit.
func (d *sheet) nameHigh() float64 {
	if d.stacked() {
		return 2 * lineOf * d.text
	}
	return lineOf * d.text
}

func (d *sheet) unitPoints(u string) (ids []site.PointID) {
	for _, c := range d.poles {
		ids = append(ids, site.PointID("unit."+u+"-"+c))
	}
	return ids
}

// isolator draws the isolating switch above the units, and returns where those stand.
func (d *sheet) isolator(row float64) float64 {
	x, load := d.unitAt(0), row+inset+36
	wide := d.polePitch*float64(len(d.poles)) + 8
	d.box(Part, Rect{x, row, x + wide, load + reach})
	var nets []*net
	from, to := x+wide+5, d.p.W-4
	if sw := d.pole(len(d.Claims.Units)-1, "sw"); d.Claims.Switched && len(d.Claims.Units) == 1 {
		from = sw + half + 4
	} else if d.Claims.Switched {
		to = sw - half - 4
	}
	room := d.label(d.named(d.isolatorPoints()...), from, row+inset+20, Start, level, to-from, d.Words.Say("drawing.isolator"))
	for _, c := range d.poles {
		px, id := d.pole(0, c), site.PointID("isolator."+c+"-load")
		d.line(Thin, px-4, row+inset, px+4, row+inset)
		d.switchPole(px, row+inset, false)
		d.line(Thin, px, row+inset+24, px, load-dot)
		d.point(id, px, load, false)
		d.rooms[id] = room
		var down []spot
		for k := range d.Claims.Units {
			down = append(down, spot{d.pole(k, c), inset})
		}
		nets = append(nets, newNet(conductor(c), []spot{{px, load}}, down...))
	}
	top := load + reach + lane
	next := top + 2
	if len(d.Claims.Units) > 1 {
		next += lane * float64(route(nets))
	}
	for _, n := range nets {
		for i := range n.down {
			n.down[i].y += next
		}
		d.lead(n, top)
	}
	return next
}

func (d *sheet) isolatorPoints() (ids []site.PointID) {
	for _, c := range d.poles {
		ids = append(ids, site.PointID("isolator."+c+"-load"))
	}
	return ids
}

// socket draws a socket as its face is seen: earth at the top, line at the right below (BS 1363-2) [S].
func (d *sheet) socket(y float64) {
	if d.Claims.NoSocket {
		return
	}
	x := d.p.W - socketBox - socketEdge
	d.box(Part, Rect{x, y, x + socketBox, y + socketBox})
	ids := []site.PointID{"socket.e", "socket.n", "socket.l"}
	for i, at := range []spot{{socketBox / 2, 17}, {15, 44}, {socketBox - 15, 44}} {
		d.point(ids[i], x+at.x, y+at.y, false)
	}
	room := d.label(d.named(ids...), x+socketBox/2, y+socketBox+3, Middle, below, socketBox+2*socketEdge-6, d.Words.Say("drawing.socket"))
	for _, id := range ids {
		d.rooms[id] = room
	}
}

// sources draws the supplies on the consumer's side below the first unit, and returns where all that ends.
func (d *sheet) sources(from, foot float64) float64 {
	right := d.unitAt(0) + d.wide(0)
	l, n, left := right-6, right-16, 0.0
	if d.Claims.Arrangement == site.TT {
		left = d.metAt() + half + 3
	}
	end := foot
	for i, s := range d.Claims.Sources {
		id := site.SwitchID("source." + string(s))
		at := foot + 8 + (float64(i)+0.5)*(2*lineOf*d.text+6)
		body := Rect{right - 58, at - 17, right - 26, at + 17}
		d.box(Part, body)
		d.part(id, body)
		for _, bus := range []struct {
			c    Class
			x, y float64
		}{{conductor(d.lines[0]), l, at - 8}, {Neutral, n, at + 8}} {
			if i == len(d.Claims.Sources)-1 {
				d.line(bus.c, bus.x, from, bus.x, bus.y, body.X2, bus.y)
			} else {
				d.line(bus.c, bus.x, bus.y, body.X2, bus.y)
			}
		}
		d.switchPole((body.X1+body.X2)/2, at-12, d.away(id))
		word := d.Words.Say("drawing.joined")
		if d.away(id) {
			word = d.Words.Say("drawing.locked")
			d.box(Seal, Rect{body.X1 - 13, at - 2, body.X1 - 3, at + 7}) // a padlock
			d.line(Thin, body.X1-11, at-2, body.X1-11, at-7, body.X1-5, at-7, body.X1-5, at-2)
		}
		d.label(Label, body.X1-17, at, End, level, body.X1-17-max(left, d.columns["n"]+40), strings.ReplaceAll(string(s), "-", " ")+"\n"+word)
		end = at
	}
	if end > foot {
		foot = end + lineOf*d.text
	}
	return foot
}
