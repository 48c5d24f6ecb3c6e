package drawing

import "slices"

// A net is a conductor that is led through a channel: from the places above to those below, along one level.
type net struct {
	class       Class
	up, down    []spot
	left, right float64
	level       int
}

func newNet(c Class, up []spot, down ...spot) *net {
	n := &net{class: c, up: up, down: down}
	n.left, n.right = down[0].x, down[0].x
	for _, s := range slices.Concat(up, down) {
		n.left, n.right = min(n.left, s.x), max(n.right, s.x)
	}
	return n
}

// clear is the least distance between two conductors that run beside one another.
const clear = 7.5

// fits reports whether a net may run on a level beside those that have theirs.
func (n *net) fits(level int, placed []*net) bool {
	for _, o := range placed {
		if level == o.level && n.left < o.right+clear && o.left < n.right+clear {
			return false
		}
		if near(n.down, o.up) && o.level >= level || near(n.up, o.down) && level >= o.level {
			return false
		}
	}
	return true
}

func near(a, b []spot) bool {
	for _, x := range a {
		for _, y := range b {
			if d := x.x - y.x; -clear < d && d < clear {
				return true
			}
		}
	}
	return false
}

// place gives each net the first level that is free for it, in order, and returns what the result costs.
func place(order []*net) (levels, cost int) {
	for i, n := range order {
		for n.level = 0; !n.fits(n.level, order[:i]); n.level++ {
			if n.level > 2*len(order) {
				cost += 1000
				break
			}
		}
		levels = max(levels, n.level+1)
	}
	cost += 3 * levels
	for _, a := range order {
		for _, b := range order {
			if a != b {
				cost += 2 * a.crosses(b)
			}
		}
	}
	return levels, cost
}

// crosses counts where the level piece of a net crosses the upright pieces of another.
func (n *net) crosses(o *net) (times int) {
	for _, s := range o.up {
		if n.left < s.x && s.x < n.right && n.level < o.level {
			times++
		}
	}
	for _, s := range o.down {
		if n.left < s.x && s.x < n.right && n.level > o.level {
			times++
		}
	}
	return times
}

// route gives each net a level so that none runs along another and few cross, and returns how many levels
// there are. It exchanges two in the order as long as that helps.
func route(nets []*net) int {
	order := slices.Clone(nets)
	slices.SortStableFunc(order, func(a, b *net) int { return int(a.left - b.left) })
	_, best := place(order)
	for better := true; better; {
		better = false
		for i := range order {
			for j := range i {
				order[i], order[j] = order[j], order[i]
				if _, cost := place(order); cost < best {
					best, better = cost, true
				} else {
					order[i], order[j] = order[j], order[i]
				}
			}
		}
	}
	levels, _ := place(order)
	return levels
}

// lead draws a net whose first level lies at y: between its first two places, and the others
// as branches.
func (d *sheet) lead(n *net, y float64) {
	y += lane * float64(n.level)
	a, b, rest := n.first()
	if a.x == b.x {
		d.line(n.class, a.x, a.y, b.x, b.y)
	} else {
		d.line(n.class, a.x, a.y, a.x, y, b.x, y, b.x, b.y)
	}
	left, right := min(a.x, b.x), max(a.x, b.x)
	for _, s := range rest {
		if from := min(max(s.x, left), right); from == s.x {
			d.line(n.class, s.x, y, s.x, s.y)
		} else {
			d.line(n.class, from, y, s.x, y, s.x, s.y)
		}
		left, right = min(left, s.x), max(right, s.x)
	}
}
