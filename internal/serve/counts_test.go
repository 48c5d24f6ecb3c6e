package serve

import (
	"fmt"
	"slices"
	"strings"
)

// counts is what a visit asks of a person.
type counts struct {
	taps, digits, typed, words, steps int
	// screens are the views that a person had to look at anew: a phase is one, a sheet is one.
	screens []string
	lines   []string
	step    string
	// zone is where the answers lie, as it was met first.
	zone *zone
}

// zone is where answers lie, in pixels from the top of the window.
type zone struct{ Top, Bottom, Height float64 }

func newCounts() *counts { return &counts{} }

func (c *counts) tap(words string) {
	switch {
	case c == nil:
	case len(words) == 1 && strings.Contains("0123456789.", words):
		c.digits++
	default:
		c.taps++
	}
}

func (c *counts) write(text string) {
	if c != nil {
		c.typed += len([]rune(text))
	}
}

func (c *counts) String() string {
	return fmt.Sprintf("%d taps, %d digits on the pages' own keys, %d screens, %d characters on the phone's keyboard, %d words, %d steps", c.taps, c.digits, len(c.screens), c.typed, c.words, c.steps)
}

// view is a page as a person sees it.
type view struct {
	Screen, Step, Text string
	Phase              bool
	Zone               *zone
}

// shown looks at the page that came up: it is counted, and on the screen of a phase its answers lie where
// they always lie, all of them on the screen.
func (p *phone) shown() {
	p.t.Helper()
	v := eval[view](p, `(() => {
		const main = document.querySelector("main"), zone = [...document.querySelectorAll(".zone")].find((z) => z.getClientRects().length), r = zone?.getBoundingClientRect();
		return { Screen: main.dataset.screen ?? location.pathname, Step: document.querySelector("form[data-step]")?.dataset.step ?? "", Text: main.innerText, Phase: main.matches(".phase:not(.sheet)"),
			Zone: r ? { Top: r.top, Bottom: r.bottom, Height: window.innerHeight } : null };
	})()`)
	if v.Phase {
		switch z := v.Zone; {
		case z == nil:
			p.t.Errorf("%s %s: there is no answer", v.Screen, v.Step)
		case z.Top < 0 || z.Bottom > z.Height-47 || z.Height > 600:
			p.t.Errorf("%s %s: the answers lie from %.0f to %.0f of %.0f", v.Screen, v.Step, z.Top, z.Bottom, z.Height)
		case p.count != nil && p.count.zone == nil:
			p.count.zone = z
		case p.count != nil && *p.count.zone != *z:
			p.t.Errorf("%s %s: the answers lie at %v, and lay at %v before", v.Screen, v.Step, *z, *p.count.zone)
		}
	}
	c := p.count
	if c == nil {
		return
	}
	if n := len(c.screens); n == 0 || c.screens[n-1] != v.Screen {
		c.screens = append(c.screens, v.Screen)
		c.lines = nil
	}
	if v.Step != c.step && v.Step != "" {
		c.step = v.Step
		c.steps++
	}
	lines := strings.Split(v.Text, "\n")
	for _, l := range lines {
		if !slices.Contains(c.lines, l) {
			c.words += len(strings.Fields(l))
		}
	}
	c.lines = lines
}
