package drawing

import (
	"math"

	"meterwright/site"
)

// marks rings what is meant and says which part of the drawing shows it.
func (d *sheet) marks() {
	var view Rect
	ring := func(id site.PointID, c Class) {
		at, ok := d.spots[id]
		if !ok {
			return
		}
		d.dot(c, at.x, at.y, reach-2)
		view = view.with(Rect{at.x, at.y, at.x, at.y}.grown(reach)).with(d.rooms[id])
	}
	for _, id := range d.touched {
		ring(id, Touch)
	}
	for _, id := range d.Look {
		for _, r := range d.parts[id] {
			d.box(Touch, r.grown(5))
			view = view.with(r.grown(8))
		}
	}
	ring(d.Other, Ring)
	ring(d.Tip, Ring)
	for i, id := range []site.PointID{d.Tip, d.Other} {
		if at, ok := d.spots[id]; ok {
			view = view.with(d.tag(at, string(rune('a'+i)), i == 1))
		}
	}
	d.p.View = [4]float64{0, 0, d.p.W, d.p.H}
	if d.Zoom && view != (Rect{}) {
		d.zoom(view.grown(4))
	}
}

// tagSize is the radius of the disc with a ring's letter.
const tagSize = 9.0

// tag puts a letter beside a ring where it covers no label, no other ring, and as little else as can be.
func (d *sheet) tag(at spot, words string, right bool) Rect {
	const away, slant = reach + tagSize - 1, 0.7071 * (reach + tagSize - 1)
	places := []spot{{-slant, slant}, {slant, slant}, {-slant, -slant}, {slant, -slant}, {-away, 0}, {away, 0}, {0, away}, {0, -away}}
	if right {
		places[0], places[1], places[2], places[3] = places[1], places[0], places[3], places[2]
	}
	best, least := spot{}, 1e9
	for i, p := range places {
		m := spot{at.x + p.x, at.y + p.y}
		if c := d.covered(m) + float64(i)/100; c < least {
			best, least = m, c
		}
	}
	r := Rect{best.x - tagSize, best.y - tagSize, best.x + tagSize, best.y + tagSize}
	d.dot(Tag, best.x, best.y, tagSize)
	d.add(Shape{Kind: Text, Class: Letter, Points: []float64{best.x, best.y}, Size: 15, Text: words, Align: Middle, Down: 0.34, Room: r})
	return r
}

// covered weighs what a tag in that place would lie on.
func (d *sheet) covered(m spot) float64 {
	r := Rect{m.x - tagSize, m.y - tagSize, m.x + tagSize, m.y + tagSize}
	cost := 0.0
	if !r.in(Rect{1, 1, d.p.W - 1, d.p.H - 1}) {
		cost += 1000
	}
	for _, s := range d.p.Shapes {
		switch {
		case s.Kind == Text && s.Room.meets(r):
			cost += 100
		case s.Kind == Dot:
			if far(m, s) < s.Size+tagSize {
				cost += 40
			}
		case s.Kind == Line:
			for i := 0; i+3 < len(s.Points); i += 2 {
				a := s.Points[i:]
				if r.meets(Rect{min(a[0], a[2]), min(a[1], a[3]), max(a[0], a[2]), max(a[1], a[3])}.grown(half)) {
					cost += 3
				}
			}
		}
	}
	return cost
}

func far(m spot, s Shape) float64 {
	return math.Hypot(m.x-s.Points[0], m.y-s.Points[1])
}

// The view of a zoomed drawing: its shape on the page, and the least of the whole that it shows.
const (
	viewWide, viewHigh = 360.0, 190.0
	viewLeast          = 0.8
)

// zoom sets the view round what is meant, in the shape that a page has room for.
func (d *sheet) zoom(r Rect) {
	w := max(r.X2-r.X1, (r.Y2-r.Y1)*viewWide/viewHigh, viewLeast*d.p.W)
	h := w * viewHigh / viewWide
	x := inside((r.X1+r.X2)/2-w/2, w, d.p.W)
	y := inside((r.Y1+r.Y2)/2-h/2, h, d.p.H)
	d.p.View = [4]float64{x, y, w, h}
}

// inside moves a stretch so that it lies within the whole, or the whole in the middle of it.
func inside(at, long, whole float64) float64 {
	if long >= whole {
		return (whole - long) / 2
	}
	return min(max(at, 0), whole-long)
}
