package field

import (
	"slices"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/method"
	"meterwright/visit"
	"meterwright/walk"
)

// sheetPage is questions that need no order among themselves, a line a question. Each answer is an event of
// its own.
type sheetPage struct {
	visitFrame
	Head string
	Way  wayView
	Rows []sheetRow
	// Left counts the rows that are not answered yet.
	Left int
	// Listed counts the instruments that are to hand as the job lists them and are not taken up yet.
	Listed int
}

// sheetRow is one question. Given is the answer that was given; a row that is not open is not in turn yet.
type sheetRow struct {
	Step, Say, Why, Given string
	Open                  bool
	Kind                  visit.Kind
	Hidden, Answers       []answer
	Tools                 []toolChoice
	// Other leads to a page where something that is not listed is named.
	Other string
}

// rows lists the steps that stand on one sheet with a step: those beside it that look, decide, take up or
// check. A gloved phase has none.
func (f *casefile) rows(of *method.Step) []*method.Step {
	if f.method().Phase(of.Phase).Gloved || !onSheet(of) {
		return nil
	}
	var run []*method.Step
	met := false
	for _, s := range walk.Steps(f.method(), f.Visit.Facts()) {
		switch {
		case s.Phase == of.Phase && onSheet(s):
			run = append(run, s)
			met = met || s.ID == of.ID
		case met:
			return run
		default:
			run = nil
		}
	}
	return run
}

func onSheet(s *method.Step) bool {
	return s.Inspect != nil || s.Decide != nil || s.TakeUp != nil || s.Check != nil
}

// sheet shows the sheet on which the step in turn stands.
func (h *Handler) sheet(c *call, n visit.Next, rows []*method.Step) {
	f := c.file
	j, err := h.jobOf(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	p := sheetPage{visitFrame: h.held(c, "field.step.title", "phase", f.words.Phase(n.Phase)), Head: f.words.Phase(n.Phase), Way: f.way(n.Phase)}
	p.Screen = "sheet " + rows[0].ID
	reached := false
	for _, s := range rows {
		reached = reached || s.ID == n.Step
		row := h.row(c, &p, s, j)
		if row.Open = s.ID == n.Step; !reached {
			row.Given = f.answered(s.ID)
		} else {
			p.Left++
		}
		p.Rows = append(p.Rows, row)
	}
	p.Listed = len(h.listed(f, j))
	c.write(p.Page())
}

// row is a step as a line of a sheet.
func (h *Handler) row(c *call, p *sheetPage, s *method.Step, j *jobs.Job) sheetRow {
	f := c.file
	step := stepPage{visitFrame: p.visitFrame}
	h.fill(c, &step, s, j)
	row := sheetRow{Step: s.ID, Say: s.Say, Why: s.Why, Kind: step.Kind, Hidden: step.Hidden, Answers: step.Answers, Tools: step.Tools}
	if s.TakeUp != nil {
		kind := instrument.Kind(s.TakeUp.With)
		row.Say, row.Other = p.Say("field.capital", "words", f.words.Kind(kind)), p.URL+"/take?with="+string(kind)
	}
	return row
}

// answered is what was answered to a step last.
func (f *casefile) answered(step string) string {
	a := f.Visit.Account()
	for _, l := range slices.Backward(a.Story) {
		if l.Step != step {
			continue
		}
		switch b, _ := a.Body(l.Event); b := b.(type) {
		case visit.Inspected:
			return b.Answer
		case visit.Decided:
			return b.Value
		case visit.Checked:
			return b.Found
		case visit.TookUp:
			return b.Instrument.ID
		case visit.LeftOut:
			return string(b.How)
		}
	}
	return ""
}

// listed is the taking up of the instrument that the kit lists for a step, where it lists one in date.
func listed(s *method.Step, j *jobs.Job, today string) (visit.TookUp, bool) {
	if s.TakeUp == nil {
		return visit.TookUp{}, false
	}
	var found []jobs.Tool
	for _, t := range j.Kit.Instruments {
		if string(t.Kind) == s.TakeUp.With && (t.Due == "" || t.Due >= today) {
			found = append(found, t)
		}
	}
	if len(found) != 1 {
		return visit.TookUp{}, false
	}
	t := found[0]
	return visit.TookUp{Instrument: visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads}}, true
}

// listed is the taking up, one event each, of what is to hand as the job lists it.
func (h *Handler) listed(f *casefile, j *jobs.Job) []visit.Body {
	n := f.Visit.Next()
	s, _ := f.method().Step(n.Step)
	if s == nil {
		return nil
	}
	var bodies []visit.Body
	reached := false
	for _, s := range f.rows(s) {
		if reached = reached || s.ID == n.Step; !reached {
			continue
		}
		b, ok := listed(s, j, h.today())
		if !ok {
			break
		}
		bodies = append(bodies, b)
	}
	return bodies
}
