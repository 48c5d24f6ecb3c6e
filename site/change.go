package site

import (
	"fmt"
	"slices"
	"strings"
)

// Op is what a change does to the wiring.
type Op string

// The operations. On names joints, or nodes for Bridge and Couple, or feeds and
// transformers.
const (
	// Part opens joints.
	Part Op = "part"
	// Close closes joints.
	Close Op = "close"
	// Weaken adds ohms to joints.
	Weaken Op = "weaken"
	// Swap exchanges two ends, each written joint:a or joint:b.
	Swap Op = "swap"
	// Bridge joins two nodes through ohms.
	Bridge Op = "bridge"
	// Couple joins two nodes through farads.
	Couple Op = "couple"
	// Silence takes the voltage of feeds away, as with no supply.
	Silence Op = "silence"
	// Lose parts feeds, as with a broken line of the main.
	Lose Op = "lose"
	// Adjust multiplies the voltage of feeds by a factor.
	Adjust Op = "adjust"
	// Turn exchanges the secondary ends of current transformers.
	Turn Op = "turn"
	// Rescale multiplies the ratio of current transformers by a factor.
	Rescale Op = "rescale"
	// Raise raises a flag, for what is no conductor.
	Raise Op = "raise"
)

// knownFlags lists what Raise may raise.
var knownFlags = []string{"rcd-stuck", "island.inverter", "island.battery", "island.generator", "island.vehicle", "island.second-supply"}

// Change is one thing that a departure does to the wiring.
type Change struct {
	Op    Op       `json:"op"`
	On    []string `json:"on"`
	Ohm   float64  `json:"ohm,omitempty"`
	Farad float64  `json:"farad,omitempty"`
	// Factor is for Rescale and Adjust.
	Factor float64 `json:"factor,omitempty"`
}

func (w *wiring) change(c Change) error {
	switch c.Op {
	case Part, Close, Weaken:
		for _, name := range c.On {
			i, ok := w.byName[name]
			if !ok {
				return fmt.Errorf("there is no conductor %q at this position", name)
			}
			switch j := &w.joints[i]; c.Op {
			case Part:
				j.open = true
			case Close:
				j.open = false
			default:
				j.r = j.r.plus(c.Ohm)
			}
		}
	case Swap:
		return w.swap(c.On)
	case Bridge, Couple:
		return w.link(c)
	case Silence, Lose, Adjust:
		hit := func(f feed) bool { return slices.Contains(c.On, f.name) }
		if c.Op == Lose {
			w.feeds = slices.DeleteFunc(w.feeds, hit)
			break
		}
		for i := range w.feeds {
			switch f := &w.feeds[i]; {
			case !hit(*f):
			case c.Op == Silence:
				f.volt = fixed(0)
			default:
				f.volt.k *= c.Factor
			}
		}
	case Turn, Rescale:
		for i := range w.ct {
			switch t := &w.ct[i]; {
			case !slices.Contains(c.On, t.name):
			case c.Op == Turn:
				t.from, t.to = t.to, t.from
			default:
				t.ratio *= c.Factor
			}
		}
	case Raise:
		for _, f := range c.On {
			w.flags[f] = true
		}
	default:
		return fmt.Errorf("%q is no operation", c.Op)
	}
	return nil
}

// swap exchanges two ends of conductors.
func (w *wiring) swap(on []string) error {
	if len(on) != 2 {
		return fmt.Errorf("%d ends cannot be exchanged: name two", len(on))
	}
	a, err := w.end(on[0])
	if err != nil {
		return err
	}
	b, err := w.end(on[1])
	if err != nil {
		return err
	}
	*a, *b = *b, *a
	w.sits[on[0]], w.sits[on[1]] = w.sitting(on[1]), w.sitting(on[0])
	return nil
}

// link joins two nodes, by a conductor or by a capacitance alone.
func (w *wiring) link(c Change) error {
	if len(c.On) != 2 {
		return fmt.Errorf("%d nodes cannot be joined: name two", len(c.On))
	}
	for _, n := range c.On {
		if n != trueEarth && !w.known[n] {
			return fmt.Errorf("there is no node %q at this position", n)
		}
	}
	if c.Op == Couple {
		w.couple(fmt.Sprintf("coupled.%d", len(w.couplings)), c.On[0], c.On[1], fixed(c.Farad))
		return nil
	}
	r := of(jointOhm)
	if c.Ohm > 0 {
		r = fixed(c.Ohm)
	}
	w.join(fmt.Sprintf("bridge.%d", len(w.joints)), c.On[0], c.On[1], r, fixed(0))
	return nil
}

// sitting returns the end that sits on the terminal where a healthy position has
// the named one.
func (w *wiring) sitting(ref string) string {
	if other, ok := w.sits[ref]; ok {
		return other
	}
	return ref
}

// end returns the node at one end of a joint, to be changed.
func (w *wiring) end(ref string) (*string, error) {
	name, which, _ := strings.Cut(ref, ":")
	i, ok := w.byName[name]
	if !ok {
		return nil, fmt.Errorf("there is no conductor %q at this position", name)
	}
	switch which {
	case "a":
		return &w.joints[i].a, nil
	case "b":
		return &w.joints[i].b, nil
	}
	return nil, fmt.Errorf("%q names no end: write %s:a or %s:b", ref, name, name)
}
