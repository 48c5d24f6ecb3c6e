package field

import (
	"context"
	"io"

	"github.com/a-h/templ"

	"meterwright/internal/drawing"
)

// drawn is a position as a piece of a page.
func drawn(p drawing.Position) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, drawing.Draw(p).SVG())
		return err
	})
}
