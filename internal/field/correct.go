package field

import (
	"slices"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/visit"
)

// correctPage lists what was entered, latest first, or asks for one correction.
type correctPage struct {
	visitFrame
	List  []correctLine
	Event string
	Was   string
	// What is offered instead.
	Answers []answer
	Number  *numberEntry
	Fields  []fieldEntry
	Why     string
}

type correctLine struct{ At, Words, Event string }

func (h *Handler) correct(c *call) {
	f := c.file
	a := f.Visit.Account()
	p := correctPage{visitFrame: h.visitFrame(c, "field.correct.title"), Event: c.query("event"), Why: c.entered("why")}
	if p.Event == "" {
		for _, l := range slices.Backward(a.Story) {
			if l.Kind.Correctable() {
				line := f.storyLine(&l)
				p.List = append(p.List, correctLine{line.At, line.Words, l.Event})
			}
		}
		c.write(p.Page())
		return
	}
	body, ok := a.Body(p.Event)
	if !ok {
		h.fail(c.w, c.r, ErrNotFound)
		return
	}
	p.Was = f.lineWords(p.Event)
	switch b := body.(type) {
	case visit.Observed:
		if s, _ := f.method().Step(b.Step); s != nil && s.Observe != nil {
			p.shows(c, instrument.Kind(s.Observe.With))
			if p.Number != nil && s.Observe.Bounds != nil {
				p.Number.Unit = s.Observe.Bounds.Unit
			}
		}
	case visit.Proved:
		p.shows(c, b.Kind)
	case visit.Inspected:
		if s, _ := f.method().Step(b.Step); s != nil && s.Inspect != nil {
			p.Answers = f.choices("now", s.Inspect.Answers)
		}
	case visit.Decided:
		if s, _ := f.method().Step(b.Step); s != nil && s.Decide != nil {
			p.Answers = f.choices("now", f.method().Fact(s.Decide.Fact).Values)
		}
	case visit.Checked:
		p.Answers = soundOrFailed(p.frame, "now")
	case visit.Recorded:
		if s, _ := f.method().Step(b.Step); s != nil && s.Record != nil {
			for _, x := range s.Record.Fields {
				if x.Type != "photograph" {
					x.Optional = true
					p.Fields = append(p.Fields, entryOf(c, &x, &jobs.Job{}))
				}
			}
		}
	}
	c.write(p.Page())
}

func (p *correctPage) shows(c *call, kind instrument.Kind) {
	var number bool
	p.Answers, number = showAnswers(p.lang, "now", kind)
	if number {
		p.Number = numberFor(c, kind, nil)
	}
}
