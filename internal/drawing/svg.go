package drawing

import (
	"fmt"
	"html"
	"strings"
)

// SVG writes the picture for a page, each shape with its class.
func (p Picture) SVG() string {
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	put(`<svg class="draw" viewBox="0 0 %g %g" role="img" aria-label="%s">`, p.W, p.H, html.EscapeString(p.Says))
	for _, s := range p.Shapes {
		at := s.Points
		switch s.Kind {
		case Line:
			path := ""
			for i := 0; i+1 < len(at); i += 2 {
				path += fmt.Sprintf("%s%g %g", map[bool]string{true: "M", false: "L"}[i == 0], at[i], at[i+1])
			}
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
			put(`<rect x="%g" y="%g" width="%g" height="%g" class="%s"/>`, at[0], at[1], at[2]-at[0], at[3]-at[1], s.Class)
		case Dot:
			if s.Class == Ring {
				put(`<circle cx="%g" cy="%g" r="%g" class="ring-edge"/>`, at[0], at[1], s.Size)
			}
			put(`<circle cx="%g" cy="%g" r="%g" class="%s"/>`, at[0], at[1], s.Size, s.Class)
		case Text:
			anchor := "start"
			if s.Middle {
				anchor = "middle"
			}
			put(`<text x="%g" y="%g" class="%s" text-anchor="%s">%s</text>`, at[0], at[1], s.Class, anchor, html.EscapeString(s.Text))
		}
	}
	put(`</svg>`)
	return b.String()
}
