package drawing_test

import (
	"testing"

	"meterwright/internal/drawing"
	"meterwright/method"
	"meterwright/say/en"
	"meterwright/site"
)

// draw draws a position in English.
func draw(t *testing.T, p drawing.Position) drawing.Picture {
	t.Helper()
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	m := &method.Resolved{Claims: p.Claims}
	if s, err := site.Expand(p.Claims); err == nil {
		m.Points = s.Points
	}
	p.Words = l.Of(m)
	return drawing.Draw(p)
}
