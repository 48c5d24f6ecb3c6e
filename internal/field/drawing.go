package field

import (
	"context"
	"io"

	"github.com/a-h/templ"

	"meterwright/internal/drawing"
	"meterwright/method"
	"meterwright/site"
)

// drawn is the position as it stands, with the points of a step ringed.
func (f *casefile) drawn(s *method.Step) templ.Component {
	p := drawing.Position{Words: f.words, Claims: f.method().Claims, Switches: f.Visit.Switches()}
	switch {
	case s.Observe != nil:
		p.Tip, p.Other = site.PointID(s.Observe.At), site.PointID(s.Observe.Against)
	case s.Act != "":
		p.Act = site.ActID(s.Act)
	}
	return drawn(p)
}

// drawn is a position as a piece of a page.
func drawn(p drawing.Position) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, drawing.Draw(p).SVG())
		return err
	})
}
