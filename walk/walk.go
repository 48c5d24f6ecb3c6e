// Package walk sets a method against a position: which steps belong to a visit, where the instrument of
// a step goes, and what the step expects.
//
// A visit decides by its own compiled form of the same conditions (package visit); whatever is outside
// it, and only counts, lists, foresees or carries out what is expected, asks here. Nothing here decides
// whether a step is allowed, and nothing here keeps state.
package walk

import (
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// Applies reports whether a step of a method belongs to a visit in which the facts, by their ids, are known.
// A fact that is not yet known leaves no step out, and one that begins with a value has it until another is known.
func Applies(r *method.Resolved, s *method.Step, facts map[string]string) bool {
	for id, values := range r.Conditions(s) {
		have, known := facts[id]
		if f := r.Fact(id); !known && f != nil && f.Begins != "" {
			have, known = f.Begins, true
		}
		if known && !slices.Contains(values, have) {
			return false
		}
	}
	return true
}

// Steps gives the steps that apply, in the method's order, each with its place in the method. An act of which
// nothing is left to do, with every switch as the steps before it leave it, is none of them.
func Steps(r *method.Resolved, facts map[string]string) iter.Seq2[int, *method.Step] {
	return from(r, 0, facts, map[site.SwitchID]site.Position{})
}

// from is Steps from a place on, with the switches as they stand there; one that is not named stands at home.
func from(r *method.Resolved, at int, facts map[string]string, stands map[site.SwitchID]site.Position) iter.Seq2[int, *method.Step] {
	return func(yield func(int, *method.Step) bool) {
		stands := maps.Clone(stands)
		for i := at; i < len(r.Steps); i++ {
			s := &r.Steps[i]
			if !Applies(r, s, facts) || !does(r, s, stands) {
				continue
			}
			if !yield(i, s) {
				return
			}
		}
	}
}

// does puts the switches as the act of a step sets them, and reports whether there is anything to do.
func does(r *method.Resolved, s *method.Step, stands map[site.SwitchID]site.Position) bool {
	i := slices.IndexFunc(r.Acts, func(a site.Act) bool { return string(a.ID) == s.Act })
	if i < 0 || len(r.Acts[i].Sets) == 0 {
		return true
	}
	changed := false
	for _, set := range r.Acts[i].Sets {
		have, known := stands[set.Switch]
		if k := slices.IndexFunc(r.Switches, func(w site.Switch) bool { return w.ID == set.Switch }); !known && k >= 0 {
			have = r.Switches[k].Home
		}
		changed = changed || have != set.Position
		stands[set.Switch] = set.Position
	}
	return changed
}

// Remaining lists the steps of a visit that are still to be carried out and apply by what is known, none
// where every step has been.
func Remaining(v *visit.Visit) []*method.Step {
	r := v.Machine().Method
	_, at := r.Step(v.Position())
	if at < 0 {
		return nil
	}
	stands := map[site.SwitchID]site.Position{}
	for id, p := range v.Switches() {
		stands[site.SwitchID(id)] = site.Position(p)
	}
	var list []*method.Step
	for i, s := range from(r, at, v.Facts(), stands) {
		if v.Ahead(i) {
			list = append(list, s)
		}
	}
	return list
}

// Claimed returns the value that the job claims of a fact, and whether it claims any.
func Claimed(r *method.Resolved, fact string) (string, bool) {
	f := r.Fact(fact)
	if f == nil {
		return "", false
	}
	switch f.Role {
	case method.ArrangementFact:
		return string(r.Claims.Arrangement), true
	case method.ReferenceFact:
		if r.Claims.Reference {
			return "yes", true
		}
		return "no", true
	}
	return "", false
}

// Points lists the points that an instrument of a kind is put on, in the order of its leads, when a step
// sends it to one point against another: a socket tester takes line, neutral and earth of the socket, a
// phase sequence indicator the same place on every line, and what needs no second point leaves it out.
// The second may be the operative's own body. The error says which point this position has not.
func Points(s *site.Site, k instrument.Kind, at, against site.PointID) ([]site.PointID, error) {
	list := []site.PointID{at}
	switch {
	case k == instrument.SocketTester:
		list = list[:0]
		for _, place := range []string{"l", "n", "e"} {
			list = append(list, site.PointID(at.Part()+"."+place))
		}
	case k == instrument.PhaseSequence:
		place := strings.Split(at.Place(), "-")
		i := slices.IndexFunc(place, func(p string) bool { return slices.Contains(s.Lines(), p) })
		if i < 0 {
			return nil, fmt.Errorf("%s is on no line: a phase sequence is read at a line", at)
		}
		list = list[:0]
		for _, l := range s.Lines() {
			place[i] = l
			list = append(list, site.PointID(at.Part()+"."+strings.Join(place, "-")))
		}
	case k.Poles() > 1 && against != "":
		list = append(list, against)
	}
	for _, p := range list {
		if _, ok := s.Point(p); !ok {
			return nil, fmt.Errorf("this position has no point %s", p)
		}
	}
	return list, nil
}
