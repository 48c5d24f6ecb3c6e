package field

import (
	"cmp"
	"net/url"

	"meterwright/method"
	"meterwright/visit"
)

// shortForms is every page that is one short form of texts, by name. Its words stand under its name.
var shortForms = map[string]struct {
	kind visit.Kind
	// words is the name under which its words stand.
	words  string
	fields []string
	// class is that of the button.
	class string
}{
	"note":       {visit.KindNoted, "note", []string{"words"}, "go"},
	"dependant":  {visit.KindDependant, "dependant", []string{"words", "agreed"}, "go"},
	"resume":     {visit.KindResumed, "resume", []string{"why"}, ""},
	"leaving":    {visit.KindWentAway, "leaving", []string{"why"}, ""},
	"supplement": {visit.KindSupplement, "supplement", []string{"words"}, "go"},
}

// shortPage is a page with one short form.
type shortPage struct {
	visitFrame
	Name, Words, Kind, Class string
	Fields                   []string
	Given                    url.Values
	// Says is what stands above the form, the first line of it plain.
	Says []string
}

func (h *Handler) short(c *call, name string) {
	x := shortForms[name]
	p := shortPage{visitFrame: h.visitFrame(c, "field."+x.words+".title"), Name: name, Words: x.words, Kind: string(x.kind), Class: x.class, Fields: x.fields, Given: c.given}
	for _, key := range []string{".what", ".more"} {
		if key = "field." + x.words + key; p.lang.Has(key) {
			p.Says = append(p.Says, p.Say(key, "stop", c.file.stopWords()))
		}
	}
	c.write(p.Page())
}

// leavePage says that a step is left out.
type leavePage struct {
	visitFrame
	Step, Ask, Why string
	Ways           []answer
}

func (h *Handler) leave(c *call) {
	n, step := c.file.Visit.Next(), c.query("step")
	if step == "" && len(n.Sheet) > 1 {
		p := h.choice(c, "field.leave.which")
		for _, id := range n.Sheet {
			p.Ways = append(p.Ways, wayOn{Words: c.file.words.Step(id), To: p.URL + "/leave?step=" + url.QueryEscape(id)})
		}
		c.write(p.Page())
		return
	}
	step = cmp.Or(step, n.Step)
	p := leavePage{visitFrame: h.visitFrame(c, "field.leave.title"), Step: step, Ask: c.file.words.Step(step), Why: c.entered("why")}
	for _, o := range method.Omissions() {
		p.Ways = append(p.Ways, answer{"how", string(o), p.Say("field.capital", "words", p.lang.Omission(o))})
	}
	c.write(p.Page())
}
