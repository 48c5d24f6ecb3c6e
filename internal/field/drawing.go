package field

import (
	"context"
	"io"
	"maps"

	"github.com/a-h/templ"

	"meterwright/internal/drawing"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// drawn is the position as it stands: the points of a step ringed and seen close up, those that were tested
// marked while their run holds.
func (f *casefile) drawn(s *method.Step) templ.Component {
	p := drawing.Position{Words: f.words, Claims: f.method().Claims, Switches: f.Visit.Switches(), Tested: f.tested(), Zoom: true}
	switch {
	case s.Observe != nil:
		p.Tip, p.Other = site.PointID(s.Observe.At), site.PointID(s.Observe.Against)
	case s.Act != "":
		p.Act = site.ActID(s.Act)
	}
	return drawn(p)
}

// tested says of each point at which something was read how its last reading stands: it holds as long as its
// run does and the proof that it is part of, and lapses with either. What was read while a switch stood
// otherwise, and what the work that it was made for undid, is no longer shown.
func (f *casefile) tested() map[site.PointID]drawing.Mark {
	a, now := f.Visit.Account(), f.Visit.Switches()
	states := map[string]visit.ProofState{}
	for _, p := range a.Proofs {
		states[p.ID] = p.State
	}
	marks := map[site.PointID]drawing.Mark{}
	for i := range a.Readings {
		r := &a.Readings[i]
		if !maps.Equal(r.Switches, now) {
			continue
		}
		mark := drawing.Tested
		if r.Withdrawn || r.Bracket < 0 || a.Brackets[r.Bracket].State == visit.BracketVoid {
			mark = drawing.Lapsed
		}
		if s, _ := f.method().Step(r.Step); s != nil {
			for _, p := range s.Supports {
				switch states[p] {
				case visit.ProofServed:
					mark = drawing.Untested
				case visit.ProofNotShown, visit.ProofUndone:
					mark = drawing.Lapsed
				}
			}
		}
		marks[site.PointID(r.Point)] = mark
	}
	return marks
}

// drawn is a position as a piece of a page.
func drawn(p drawing.Position) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, drawing.Draw(p).SVG())
		return err
	})
}
