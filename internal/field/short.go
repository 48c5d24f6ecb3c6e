package field

import (
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
	n := c.file.Visit.Next()
	p := leavePage{visitFrame: h.visitFrame(c, "field.leave.title"), Step: n.Step, Ask: c.file.words.Step(n.Step), Why: c.entered("why")}
	for _, o := range method.Omissions() {
		p.Ways = append(p.Ways, answer{"how", string(o), p.Say("field.capital", "words", p.lang.Omission(o))})
	}
	c.write(p.Page())
}
