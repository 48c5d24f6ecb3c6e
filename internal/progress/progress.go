// Package progress shows on a terminal how far a long piece of work has come.
package progress

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/mattn/go-isatty"
)

// Line is one line that is written over again and again. The nil Line shows nothing.
type Line struct {
	w     io.Writer
	what  string
	last  time.Time
	shown bool
}

// every bounds how often the line is written.
const every = 100 * time.Millisecond

// New returns a line on f if it is a terminal that can write a line over, and otherwise nil.
func New(f *os.File, what string) *Line {
	if os.Getenv("TERM") == "dumb" || !isatty.IsTerminal(f.Fd()) && !isatty.IsCygwinTerminal(f.Fd()) {
		return nil
	}
	return &Line{w: f, what: what, last: time.Now()}
}

// Show says how much is done, of a total where it is not 0. Progress that cannot be shown
// stops nothing.
func (l *Line) Show(done, total int64) {
	if l == nil || time.Since(l.last) < every {
		return
	}
	l.last, l.shown = time.Now(), true
	if total > 0 {
		_, _ = fmt.Fprintf(l.w, "\r%s: %d of %d (%d %%)\x1b[K", l.what, done, total, done*100/total)
		return
	}
	_, _ = fmt.Fprintf(l.w, "\r%s: %d\x1b[K", l.what, done)
}

// Done clears the line.
func (l *Line) Done() {
	if l != nil && l.shown {
		_, _ = io.WriteString(l.w, "\r\x1b[K")
	}
}
