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

// sheetRow is one question. Given is the answer that was given.
type sheetRow struct {
	Step, Say, Why, Given string
	Open                  bool
	Kind                  visit.Kind
	Hidden, Answers       []answer
	Tools                 []toolChoice
	Fields                []fieldEntry
	// Other leads to a page where something that is not listed is named.
	Other string
}

// digits reports whether a row that is open asks for a number.
func (p sheetPage) digits() bool {
	return slices.ContainsFunc(p.Rows, func(r sheetRow) bool { return r.Open && slices.ContainsFunc(r.Fields, fieldEntry.digits) })
}

// sheet shows the sheet of the step in turn.
func (h *Handler) sheet(c *call, n visit.Next) {
	f := c.file
	j, err := h.jobOf(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	first, _ := f.method().Step(n.Step)
	p := sheetPage{visitFrame: h.held(c, "field.step.title", "phase", f.words.Phase(n.Phase)), Head: f.words.Phase(n.Phase), Way: f.way(n.Phase), Left: len(n.Sheet), Listed: len(h.listed(f, j))}
	p.Screen = "sheet " + first.Sheet
	for _, s := range walk.Steps(f.method(), f.Visit.Facts()) {
		open := slices.Contains(n.Sheet, s.ID)
		switch {
		case s.Phase != first.Phase || s.Sheet != first.Sheet:
		case s.TakeUp != nil:
			p.Rows = append(p.Rows, h.kit(f, p.visitFrame, s, j, open)...)
		default:
			p.Rows = append(p.Rows, h.row(c, p.visitFrame, s, j, open))
		}
	}
	c.write(p.Page())
}

// kit is a step that takes up instruments, a line each. What is taken up where it is at hand has one if the kit
// lists it.
func (h *Handler) kit(f *casefile, v visitFrame, s *method.Step, j *jobs.Job, open bool) []sheetRow {
	var rows []sheetRow
	for _, k := range slices.Concat(s.TakeUp.Kinds(), s.TakeUp.Also) {
		kind := instrument.Kind(k)
		step := stepPage{visitFrame: v}
		h.fillTakeUp(&step, kind, j)
		row := sheetRow{Step: s.ID + "/" + k, Say: v.Say("field.capital", "words", f.words.Kind(kind)), Kind: step.Kind, Hidden: step.Hidden, Tools: step.Tools, Given: f.inHand(kind), Other: v.URL + "/take?with=" + k}
		row.Open = open && row.Given == ""
		if len(row.Tools) > 0 || !slices.Contains(s.TakeUp.Also, k) {
			rows = append(rows, row)
		}
	}
	return rows
}

// inHand is the number of the instrument of a kind that was taken up last, or nothing.
func (f *casefile) inHand(kind instrument.Kind) string {
	for _, i := range slices.Backward(f.Visit.Account().Instruments) {
		if i.Kind == kind {
			return i.ID
		}
	}
	return ""
}

// row is a step as a line of a sheet.
func (h *Handler) row(c *call, v visitFrame, s *method.Step, j *jobs.Job, open bool) sheetRow {
	f := c.file
	step := stepPage{visitFrame: v}
	h.fill(c, &step, s, j)
	row := sheetRow{Step: s.ID, Say: s.Say, Why: s.Why, Kind: step.Kind, Hidden: step.Hidden, Answers: step.Answers, Tools: step.Tools, Fields: step.Fields, Open: open}
	if !open {
		row.Given = f.answered(s.ID)
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
		case visit.Recorded:
			return f.words.Entries(step, b.Entries, b.Photographs)
		case visit.LeftOut:
			return string(b.How)
		}
	}
	return ""
}

// listed is the taking up, one event each, of what is to hand as the job lists it: where it lists one of a
// kind in date and none is taken up yet.
func (h *Handler) listed(f *casefile, j *jobs.Job) []visit.Body {
	var bodies []visit.Body
	for _, id := range f.Visit.Next().Sheet {
		s, _ := f.method().Step(id)
		if s.TakeUp == nil {
			continue
		}
		// What is taken up where it is at hand comes first: the step is carried out without it.
		for _, k := range slices.Concat(s.TakeUp.Also, s.TakeUp.Kinds()) {
			kind := instrument.Kind(k)
			tools := slices.DeleteFunc(slices.Clone(j.Kit.Instruments), func(t jobs.Tool) bool {
				return t.Kind != kind || t.Due != "" && t.Due < h.today()
			})
			if len(tools) == 1 && f.inHand(kind) == "" {
				t := tools[0]
				bodies = append(bodies, visit.TookUp{Instrument: visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads}})
			}
		}
	}
	return bodies
}
