package method

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
)

// AwayKind says what kind of thing an overlay takes away.
type AwayKind string

// The kinds. What names the protection, the proof, the switch or the act.
const (
	// AwayStep: the step is left out.
	AwayStep AwayKind = "step"
	// AwayChanged: another step stands under the id, or the same for fewer cases.
	AwayChanged AwayKind = "changed"
	// AwayProtection: the step is done without What.
	AwayProtection AwayKind = "protection"
	// AwayNeed: the step no longer needs the proof What.
	AwayNeed AwayKind = "need"
	// AwayState: the step no longer asks how the switch What stands.
	AwayState AwayKind = "state"
	// AwayLater: the step comes only after the act What, which it came before.
	AwayLater AwayKind = "later"
	// AwayReadings: the proof What rests on answers alone, and on no reading.
	AwayReadings AwayKind = "readings"
)

// Away is one thing that an overlay takes away from a method.
type Away struct {
	Overlay string   `json:"overlay"`
	Kind    AwayKind `json:"kind"`
	Step    string   `json:"step,omitempty"`
	What    string   `json:"what,omitempty"`
}

// String says it in words.
func (a Away) String() string {
	switch a.Kind {
	case AwayStep:
		return fmt.Sprintf("step %s left out", a.Step)
	case AwayChanged:
		return fmt.Sprintf("%s is another step now", a.Step)
	case AwayProtection:
		return fmt.Sprintf("%s without %s", a.Step, a.What)
	case AwayNeed:
		return fmt.Sprintf("%s without the proof %s", a.Step, a.What)
	case AwayState:
		return fmt.Sprintf("%s however %s stands", a.Step, a.What)
	case AwayLater:
		return fmt.Sprintf("%s only after %s", a.Step, a.What)
	case AwayReadings:
		return fmt.Sprintf("the proof %s without a reading", a.What)
	}
	return string(a.Kind) + " " + a.Step + " " + a.What
}

// takenAway compares a method with what an overlay made of it. Whatever way the overlay
// took, what is less than before is named: first what is missing from each step in the
// method's order, then acts that were added and ask less than the method's own.
func takenAway(before, after *Document, overlay string) []Away {
	c := comparison{before: before, after: after, overlay: overlay}
	for i := range before.Steps {
		c.step(&before.Steps[i])
	}
	for i := range after.Steps {
		if s := &after.Steps[i]; s.Act != "" && c.place(before, s.ID) < 0 {
			c.added(i, s)
		}
	}
	for _, p := range before.Proofs {
		if reads(before, p.ID) && !reads(after, p.ID) {
			c.put(AwayReadings, "", p.ID)
		}
	}
	return c.list
}

type comparison struct {
	before, after *Document
	overlay       string
	list          []Away
}

func (c *comparison) put(kind AwayKind, step, what string) {
	c.list = append(c.list, Away{Overlay: c.overlay, Kind: kind, Step: step, What: what})
}

func (c *comparison) place(d *Document, id string) int {
	return slices.IndexFunc(d.Steps, func(s Step) bool { return s.ID == id })
}

func (c *comparison) step(s *Step) {
	i := c.place(c.after, s.ID)
	if i < 0 {
		c.put(AwayStep, s.ID, "")
		return
	}
	now := &c.after.Steps[i]
	if !sameWork(s, now) {
		c.put(AwayChanged, s.ID, "")
	}
	c.asks(s.ID, s, now)
	// Whatever was looked at, proved or put on before an act served that act.
	at := c.place(c.before, s.ID)
	for j := range c.before.Steps[at+1:] {
		act := &c.before.Steps[at+1+j]
		if k := c.place(c.after, act.ID); act.Act != "" && s.Act == "" && k >= 0 && k < i {
			c.put(AwayLater, s.ID, act.ID)
			return
		}
	}
}

// sameWork reports whether a step still asks, reads or does the same in every case, and
// leads to the same when it is answered otherwise.
func sameWork(was, now *Step) bool {
	a, b := *was, *now
	for _, s := range []*Step{&a, &b} {
		s.Phase, s.Say, s.Why, s.Protect, s.Needs, s.State = "", "", "", nil, nil, nil
	}
	return reflect.DeepEqual(a, b)
}

// asks names what a step asks less than another.
func (c *comparison) asks(id string, was, now *Step) {
	for _, p := range less(was.Protect, now.Protect) {
		c.put(AwayProtection, id, p)
	}
	for _, n := range less(was.Needs, now.Needs) {
		c.put(AwayNeed, id, n)
	}
	for _, w := range sortedKeys(was.State) {
		if now.State[w] != was.State[w] {
			c.put(AwayState, id, w)
		}
	}
}

// added compares an act that the overlay adds with the method's own step for it, and
// names the steps before that one that come too late for this one.
func (c *comparison) added(at int, s *Step) {
	own := slices.IndexFunc(c.before.Steps, func(x Step) bool { return covers(x.Act, s.Act) || covers(s.Act, x.Act) })
	if own < 0 {
		return
	}
	c.asks(s.ID, &c.before.Steps[own], s)
	for i := range c.before.Steps[:own] {
		x := &c.before.Steps[i]
		if k := c.place(c.after, x.ID); x.Act == "" && k > at {
			c.put(AwayLater, x.ID, s.ID)
		}
	}
}

// covers reports whether a written act, which may end in *, stands for another.
func covers(written, act string) bool {
	prefix, star := strings.CutSuffix(written, "*")
	return written != "" && (written == act || star && strings.HasPrefix(act, prefix))
}

// reads reports whether a proof rests on a reading.
func reads(d *Document, proof string) bool {
	return slices.ContainsFunc(d.Steps, func(s Step) bool { return s.Observe != nil && slices.Contains(s.Supports, proof) })
}
