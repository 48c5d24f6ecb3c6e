package field

import (
	"net/http"
	"net/url"

	"meterwright/internal/page"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/walk"
)

// endPage ends the visit.
type endPage struct {
	visitFrame
	Given url.Values
	// Open lists what is not as it was at the beginning.
	Open     []string
	Outcomes []answer
	Left     int
	Guard    bool
}

func (h *Handler) end(c *call) {
	f := c.file
	p := endPage{visitFrame: h.visitFrame(c, "field.end.title"), Given: c.given, Open: f.openState(), Left: len(walk.Remaining(f.Visit)), Guard: f.Visit.Stop() != ""}
	for _, o := range visit.Outcomes() {
		p.Outcomes = append(p.Outcomes, answer{"outcome", o.String(), p.Say("field.capital", "words", p.lang.Outcome(o.String()))})
	}
	c.write(p.Page())
}

// openState lists the switches that do not stand as they did at the beginning.
func (f *casefile) openState() []string {
	var open []string
	now := f.Visit.Switches()
	for _, w := range f.method().Switches {
		if is := site.Position(now[string(w.ID)]); is != w.Home {
			open = append(open, f.words.Say("field.end.switch", "switch", f.words.Switch(w.ID), "is", f.words.Position(is)))
		}
	}
	return open
}

// undoneLine is a step, or a phase, that was not carried out.
type undoneLine struct{ How, Say, Why string }

// leftOut lists what was left out.
func (f *casefile) leftOut() []undoneLine {
	var lines []undoneLine
	for _, l := range f.Visit.Account().LeftOut {
		lines = append(lines, undoneLine{f.words.Say("field.capital", "words", f.words.Omission(l.How)), f.words.Step(l.Step), l.Why})
	}
	return lines
}

// remaining lists the steps from the one in turn on, as far as facts are known.
func (f *casefile) remaining() []undoneLine {
	var lines []undoneLine
	for _, s := range walk.Remaining(f.Visit) {
		lines = append(lines, undoneLine{f.words.Phase(s.Phase), f.words.Step(s.ID), ""})
	}
	return lines
}

// remainingByPhase counts the steps that are left in each phase, and the tests among them.
func (f *casefile) remainingByPhase() []undoneLine {
	var lines []undoneLine
	left := walk.Remaining(f.Visit)
	for _, ph := range f.method().Phases {
		steps, tests := 0, 0
		for _, s := range left {
			if s.Phase == ph.ID {
				steps++
				if s.Observe != nil {
					tests++
				}
			}
		}
		if steps > 0 {
			lines = append(lines, undoneLine{ph.Words, f.words.Say("field.untested.count", "steps", f.words.Say("count.step", "n", steps), "tests", f.words.Say("count.test", "n", tests)), ""})
		}
	}
	return lines
}

// untestedPage lists what was not carried out.
type untestedPage struct {
	visitFrame
	Left      []undoneLine
	Phases    []undoneLine
	Remaining []undoneLine
}

func (h *Handler) untested(c *call) {
	f := c.file
	p := untestedPage{visitFrame: h.visitFrame(c, "field.untested.title"), Left: f.leftOut(), Phases: f.remainingByPhase(), Remaining: f.remaining()}
	c.write(p.Page())
}

// finishPage is shown when no step is left: the visit waits for its end.
type finishPage struct {
	visitFrame
	Left []undoneLine
}

func (h *Handler) finish(c *call) {
	p := finishPage{visitFrame: h.held(c, "field.finish.title"), Left: c.file.leftOut()}
	c.write(p.Page())
}

// endedPage shows a visit after its end.
type endedPage struct {
	visitFrame
	Outcome, Why, Left, Guarded string
	Found                       []foundLine
	Undone                      []undoneLine
	Open                        []string
	Off                         []string
	// Supplements says that this device can add something.
	Supplements bool
	// Means says that advice was given.
	Means bool
}

// foundLine is something wrong that the visit came to.
type foundLine struct{ Words, Owner, Category string }

func (h *Handler) ended(c *call) {
	f := c.file
	a := f.Visit.Account()
	p := endedPage{visitFrame: h.visitFrame(c, "field.ended.title"), Open: f.openState(), Means: len(a.Advice) > 0}
	p.Outcome = p.Say("field.capital", "words", p.lang.Outcome(f.Visit.Outcome().String()))
	if a.End != nil {
		p.Why, p.Left, p.Guarded = a.End.Why, a.End.Left, a.End.Guarded
	}
	defects := f.Defects()
	for i := range defects {
		d := &defects[i]
		key := "field.ended.found"
		if d.From == replay.FromStop {
			key = "field.ended.stop"
		}
		p.Found = append(p.Found, foundLine{p.Say(key, "at", d.At, "words", f.words.Defect(d)), p.Say("field.ended.owner", "owner", p.lang.Owner(d.Owner)),
			p.lang.Category(h.opts.Pack.Schemes, d.Scheme, d.Category)})
	}
	p.Undone = append(f.leftOut(), f.remainingByPhase()...)
	for _, o := range a.Supply {
		if o.On.IsZero() {
			p.Off = append(p.Off, p.Say("field.ended.off-still", "off", o.Off))
			continue
		}
		p.Off = append(p.Off, p.Say("field.ended.off", "off", o.Off, "on", o.On, "span", p.lang.Span(o.On.Sub(o.Off))))
	}
	ev := h.happens(c, visit.Supplement{Words: "-"})
	refusal, err := f.Check(ev)
	p.Supplements = refusal == nil && err == nil
	page.Write(c.w, c.r, http.StatusOK, p.Page())
}
