package drawing

import (
	"fmt"
	"html"
	"strings"
)

// Letters is the usual height of a label's letters in the view, so that they are TextSize high where the
// drawing is as wide as a narrow screen.
func (p Picture) Letters() float64 { return TextSize * p.View[2] / narrow }

// SVG writes the view of the picture for a page, each shape with its class. Letters are as high as the
// reader's text asks for, up to their room; a label that the view would cut is left out.
func (p Picture) SVG() string {
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	v := Rect{p.View[0], p.View[1], p.View[0] + p.View[2], p.View[1] + p.View[3]}
	put(`<svg class="draw" viewBox="%s %s %s %s" role="img"><title>%s</title><desc>%s</desc>`, num(p.View[0]), num(p.View[1]), num(p.View[2]), num(p.View[3]), html.EscapeString(p.Title), html.EscapeString(p.Says))
	for _, s := range p.Shapes {
		at := s.Points
		switch s.Kind {
		case Line:
			path := s.path()
			class := string(s.Class)
			if s.Class.Conductor() {
				// A dark edge below the colour, so that it is seen on any ground.
				put(`<path d="%s" class="wire-edge"/>`, path)
				class = "wire " + class
			}
			put(`<path d="%s" class="%s"/>`, path, class)
			if s.Class == Earth {
				put(`<path d="%s" class="wire-stripe"/>`, path)
			}
		case Box:
			put(`<rect x="%s" y="%s" width="%s" height="%s" rx="2" class="%s"/>`, num(at[0]), num(at[1]), num(at[2]-at[0]), num(at[3]-at[1]), s.Class)
		case Dot:
			if s.Class == Ring {
				put(`<circle cx="%s" cy="%s" r="%s" class="ring-edge"/>`, num(at[0]), num(at[1]), num(s.Size))
			}
			put(`<circle cx="%s" cy="%s" r="%s" class="%s"/>`, num(at[0]), num(at[1]), num(s.Size), s.Class)
		case Text:
			if s.Class != Label && s.Class != Named || s.Room.in(v) {
				put(`<text x="%s" y="%s" dy="%sem" font-size="min(%srem,%spx)" class="%s" text-anchor="%s">%s</text>`, num(at[0]), num(at[1]), num(s.Down),
					num(p.Letters()/16), num(s.Size), s.Class, [...]string{"start", "middle", "end"}[s.Align], html.EscapeString(s.Text))
			}
		}
	}
	put(`</svg>`)
	return b.String()
}

func (s *Shape) path() string {
	var b strings.Builder
	for i := 0; i+1 < len(s.Points); i += 2 {
		b.WriteByte("LM"[btoi(i == 0)])
		b.WriteString(num(s.Points[i]) + " " + num(s.Points[i+1]))
	}
	return b.String()
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// num writes a measure to a hundredth.
func num(x float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", x), "0"), ".")
}
