package method

import (
	"fmt"
	"slices"
	"strings"
)

// Apply returns d changed by o, with each thing that it takes away. The error is a
// Faults with pointers into the overlay, or wraps one of the document that results.
func (o *Overlay) Apply(d *Document) (*Document, []Away, error) {
	if o.Of != d.ID {
		return nil, nil, Faults{{Pointer: "/of", Problem: fmt.Sprintf("the overlay is for %q, not for %q", o.Of, d.ID), Mend: "choose the method that it names"}}
	}
	out := *d
	out.Steps = slices.Clone(d.Steps)
	out.Proofs = slices.Clone(d.Proofs)
	a := &applying{d: &out}
	for i, c := range o.Changes {
		at := fmt.Sprintf("/changes/%d", i)
		switch {
		case c.Add != nil:
			a.addSteps(at+"/add", c.Add)
		case c.Move != nil:
			a.move(at+"/move", c.Move)
		case c.Tighten != nil:
			a.tighten(at+"/tighten", c.Tighten)
		case c.Relax != nil:
			a.relax(at+"/relax", c.Relax)
		}
	}
	if err := a.list.orNil(); err != nil {
		return nil, nil, err
	}
	if err := out.Validate(); err != nil {
		return nil, nil, fmt.Errorf("with overlay %s applied: %w", o.ID, err)
	}
	return &out, takenAway(d, &out, o.ID), nil
}

type applying struct {
	faultList
	d *Document
}

func (a *applying) find(at, id string) int {
	i := slices.IndexFunc(a.d.Steps, func(s Step) bool { return s.ID == id })
	if i < 0 {
		a.add(at, "name a step of the method", "there is no step %q", id)
	}
	return i
}

func (a *applying) addSteps(at string, c *Add) {
	if (c.After == "") == (c.Before == "") {
		a.add(at, "give after or before", "the place is not clear")
		return
	}
	place := 0
	if c.After != "" {
		place = a.find(at+"/after", c.After) + 1
	} else {
		place = a.find(at+"/before", c.Before)
	}
	if len(a.list) > 0 {
		return
	}
	a.d.Steps = slices.Insert(a.d.Steps, place, c.Steps...)
}

func (a *applying) move(at string, c *Move) {
	var moved, rest []Step
	for _, s := range a.d.Steps {
		if s.Phase == c.Phase {
			moved = append(moved, s)
		} else {
			rest = append(rest, s)
		}
	}
	place := slices.IndexFunc(rest, func(s Step) bool { return s.Phase == c.Before })
	if len(moved) == 0 || place < 0 {
		a.add(at, "name two phases that have steps", "phase %q cannot be moved before %q", c.Phase, c.Before)
		return
	}
	a.d.Steps = slices.Insert(rest, place, moved...)
}

// each calls f for the steps that a list of ids names; "phase:NAME" names all of a phase.
func (a *applying) each(at string, ids []string, f func(*Step)) {
	for j, id := range ids {
		found := false
		phase, isPhase := strings.CutPrefix(id, "phase:")
		for i := range a.d.Steps {
			s := &a.d.Steps[i]
			if isPhase && s.Phase == phase || s.ID == id {
				found = true
				f(s)
			}
		}
		if !found {
			a.add(fmt.Sprintf("%s/%d", at, j), "name a step of the method, or phase:NAME", "nothing is called %q", id)
		}
	}
}

func (a *applying) tighten(at string, c *Tighten) {
	a.each(at+"/steps", c.Steps, func(s *Step) {
		s.Protect = union(s.Protect, c.Protect)
		s.Needs = union(s.Needs, c.Needs)
	})
	if c.Proof == "" {
		if c.Lasts != 0 || len(c.Undone) > 0 {
			a.add(at, "name the proof", "a life or a cause belongs to a proof")
		}
		return
	}
	i := slices.IndexFunc(a.d.Proofs, func(p Proof) bool { return p.ID == c.Proof })
	if i < 0 {
		a.add(at+"/proof", "name a proof of the method", "there is no proof %q", c.Proof)
		return
	}
	p := &a.d.Proofs[i]
	if c.Lasts != 0 {
		if p.Lasts != 0 && c.Lasts > p.Lasts {
			a.add(at+"/lasts_minutes", "write less, or use relax", "%d minutes are longer than the %d of the method", c.Lasts, p.Lasts)
		}
		p.Lasts = c.Lasts
	}
	p.Undone = union(p.Undone, c.Undone)
}

func (a *applying) relax(at string, c *Relax) {
	a.each(at+"/steps", c.Steps, func(s *Step) {
		s.Protect = less(s.Protect, c.Protect)
		s.Needs = less(s.Needs, c.Needs)
	})
	for j, id := range c.Remove {
		i := a.find(fmt.Sprintf("%s/remove/%d", at, j), id)
		if i >= 0 {
			a.d.Steps = slices.Delete(a.d.Steps, i, i+1)
		}
	}
}

func union[T comparable](a, b []T) []T {
	out := slices.Clone(a)
	for _, x := range b {
		if !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

// less returns what of a is not in b.
func less[T comparable](a, b []T) []T {
	var out []T
	for _, x := range a {
		if !slices.Contains(b, x) {
			out = append(out, x)
		}
	}
	return out
}
