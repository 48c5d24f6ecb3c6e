package drawing

import (
	"slices"

	"meterwright/site"
)

// transformerRoom is what current transformers take above the cut-out.
const transformerRoom = 44.0

// blockWords is the room for the name of the test block beside it.
func (d *sheet) blockWords() float64 { return 56 * d.p.W / narrow }

// testblock draws the test block below a meter that current transformers feed, with its leads to the
// meter, and returns where the conductors below it may begin.
func (d *sheet) testblock(top float64) float64 {
	at := func(id string) spot { return d.spots[site.PointID(id)] }
	y := top + reach + 8
	left, right := d.p.W, 0.0
	for _, t := range d.Claims.Terminals {
		if x := at("meter." + t).x; t != "n-out" { // which has no lead to the block
			left, right = min(left, x), max(right, x)
		}
	}
	block := Rect{left - reach, y - reach, right + reach, y + reach}
	d.box(Part, block)
	d.part(site.Shorting, block)
	shorted := d.away(site.Shorting)
	var ids []site.PointID
	lead := func(c Class, place, terminal string) {
		id, from := site.PointID("testblock."+place), at("meter."+terminal)
		d.line(c, from.x, from.y, from.x, y)
		d.point(id, from.x, y, false)
		d.rooms[id] = d.rooms[site.PointID("meter."+terminal)] // which tells whose lead it is
		ids = append(ids, id)
	}
	for _, l := range d.lines {
		in, out, c := at("meter."+l+"-in"), at("meter."+l+"-out"), conductor(l)
		lead(c, l+"-s1", l+"-in")
		lead(c, l+"-s2", l+"-out")
		lead(c, l+"-v", l+"-v")
		if shorted {
			d.line(Thin, in.x, y+dot+2, in.x, y+dot+5, out.x, y+dot+5, out.x, y+dot+2)
		}
	}
	lead(Neutral, "n", "n-in")
	key := "drawing.testblock"
	if shorted {
		key = "drawing.testblock.shorted"
	}
	room := d.label(d.named(ids...), block.X2+5, top-2, Start, below, d.p.W-2*margin-block.X2-5, d.Words.Say(key))
	for _, id := range ids {
		d.rooms[id] = room.with(d.rooms[id])
	}
	return max(block.Y2+lane, room.Y2+half) + 2
}

// secondaries are the leads from the test block to the transformers and, over the voltage fuses, to the lines.
func (d *sheet) secondaries() (list []*net) {
	at := func(id string) []spot { return []spot{d.spots[site.PointID("testblock."+id)]} }
	for _, l := range d.lines {
		x, c := d.columns[l], conductor(l)
		list = append(list, newNet(c, at(l+"-s1"), spot{x + 11, 16}), newNet(c, at(l+"-s2"), spot{x + 19.5, 26}), newNet(c, at(l+"-v"), spot{x - 11, 36}))
	}
	return append(list, newNet(Neutral, at("n"), spot{d.columns["n"] + 11, 36}))
}

// transformers draws a current transformer on each line above the cut-out, and the voltage fuses.
func (d *sheet) transformers(row float64) {
	out := d.away(site.VFuses)
	for _, l := range d.lines {
		x, c := d.columns[l], conductor(l)
		d.dot(Winding, x, row+21, 10)
		d.line(c, x+11, row+16, x+9, row+16)
		d.line(c, x+19.5, row+26, x+9, row+26)
		d.line(c, x-11, row+36, x, row+36)
		fuse := Rect{x - 15, row + 8, x - 7, row + 30}
		class := Carrier
		if out {
			class = Gone
		}
		d.box(class, fuse)
		d.part(site.VFuses, fuse)
	}
	n := d.columns["n"]
	d.line(Neutral, n+11, row+36, n, row+36)
}

// first is the place that a net is led from, and rest are the others.
func (n *net) first() (a, b spot, rest []spot) {
	if len(n.up) == 0 {
		return n.down[0], n.down[1], n.down[2:]
	}
	return n.up[0], n.down[0], slices.Concat(n.up[1:], n.down[1:])
}
