package field

import (
	"fmt"
	"net/url"
	"slices"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/walk"
)

// choicePage is a list of things to press.
type choicePage struct {
	visitFrame
	Head  string
	Words string
	Ways  []wayOn
}

func (h *Handler) choice(c *call, key string) choicePage {
	p := choicePage{visitFrame: h.visitFrame(c, key+".title")}
	p.Head = p.Say(key + ".head")
	if p.lang.Has(key + ".what") {
		p.Words = p.Say(key + ".what")
	}
	return p
}

// kindOf reads which kind of instrument a page is about.
func (c *call) kindOf() (instrument.Model, bool) {
	return instrument.Lookup(instrument.Kind(c.query("with")))
}

func (h *Handler) outOfTurn(c *call, on string) (stepPage, *jobs.Job, bool) {
	j, err := h.jobOf(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return stepPage{}, nil, false
	}
	p := stepPage{visitFrame: h.held(c, "field."+on+".title"), On: on}
	return p, j, true
}

func (h *Handler) proveOut(c *call) {
	m, ok := c.kindOf()
	if !ok {
		h.chooseKind(c, "prove")
		return
	}
	if p, j, ok := h.outOfTurn(c, "prove"); ok {
		p.Ask = p.Say("field.prove.head", "kind", p.lang.Kind(m.Kind))
		h.fillProve(c, &p, m.Kind, nil, j)
		c.write(p.Page())
	}
}

func (h *Handler) takeOut(c *call) {
	m, ok := c.kindOf()
	if !ok {
		h.chooseKind(c, "take")
		return
	}
	if p, j, ok := h.outOfTurn(c, "take"); ok {
		p.Ask, p.Why = p.Say("field.take.head", "kind", p.lang.Kind(m.Kind)), p.Say("field.take.what")
		h.fillTakeUp(&p, m.Kind, j)
		c.write(p.Page())
	}
}

func (h *Handler) checkOut(c *call) {
	item := c.query("item")
	if !slices.ContainsFunc(c.file.method().Protection, func(p method.Protection) bool { return p.ID == item }) {
		h.fail(c.w, c.r, fmt.Errorf("this piece of protection: %w", ErrNotFound))
		return
	}
	if p, j, ok := h.outOfTurn(c, "check"); ok {
		p.Ask = p.Say("field.check.head", "items", c.file.words.Items([]string{item}))
		h.fillCheck(&p, item, j)
		c.write(p.Page())
	}
}

// chooseKind asks which kind of instrument a page is to be about, of those that the method uses.
func (h *Handler) chooseKind(c *call, on string) {
	p := h.choice(c, "field."+on+".which")
	used := map[instrument.Kind]bool{}
	for _, s := range c.file.method().Steps {
		if s.TakeUp != nil {
			for _, k := range slices.Concat(s.TakeUp.Kinds(), s.TakeUp.Also) {
				used[instrument.Kind(k)] = true
			}
		}
	}
	for _, m := range instrument.Models() {
		if used[m.Kind] {
			p.Ways = append(p.Ways, wayOn{Words: p.Say("field.capital", "words", p.lang.Kind(m.Kind)), To: p.URL + "/" + on + "?with=" + string(m.Kind)})
		}
	}
	c.write(p.Page())
}

// wear shows what is worn and what is not.
func (h *Handler) wear(c *call) {
	p := h.choice(c, "field.wear")
	worn := c.file.Visit.Worn()
	for _, x := range c.file.method().Protection {
		form := func(key string, kind visit.Kind) {
			p.Ways = append(p.Ways, wayOn{Words: p.Say(key, "items", x.Words), Form: []answer{{Name: "kind", Value: string(kind)}, {Name: "items", Value: x.ID}}})
		}
		if slices.Contains(worn, x.ID) {
			form("field.wear.off", visit.KindTookOff)
			continue
		}
		form("field.wear.on", visit.KindPutOn)
		if x.Checked {
			p.Ways = append(p.Ways, wayOn{Words: p.Say("field.wear.check", "items", x.Words), To: p.URL + "/check?item=" + url.QueryEscape(x.ID)})
		}
	}
	c.write(p.Page())
}

// acts lists the acts that make safe, which are open out of turn.
func (h *Handler) acts(c *call) {
	p := h.choice(c, "field.acts")
	for _, ms := range c.file.method().MakeSafe {
		if !c.file.Visit.LeftToDo(site.ActID(ms.Act)) {
			continue
		}
		w := actWay(c.file, ms.Act)
		if len(ms.Protect) > 0 {
			w.Words = p.Say("field.acts.protected", "act", w.Words, "items", c.file.words.Items(ms.Protect))
		}
		p.Ways = append(p.Ways, w)
	}
	c.write(p.Page())
}

// actWay is an act out of turn.
func actWay(f *casefile, act string) wayOn {
	return wayOn{Words: f.words.Say("field.capital", "words", f.words.Act(site.ActID(act))), Form: []answer{{Name: "kind", Value: string(visit.KindActed)}, {Name: "act", Value: act}}}
}

// goBack lists the steps that came before, for going back to one.
func (h *Handler) goBack(c *call) {
	p := h.choice(c, "field.back")
	m := c.file.method()
	for i, s := range walk.Steps(m, c.file.Visit.Facts()) {
		if !c.file.Visit.Ahead(i) {
			p.Ways = append(p.Ways, returnWay(s.ID, c.file.words.Step(s.ID)))
		}
	}
	slices.Reverse(p.Ways)
	c.write(p.Page())
}

func returnWay(step, words string) wayOn {
	return wayOn{Words: words, Form: []answer{{Name: "kind", Value: string(visit.KindReturned)}, {Name: "step", Value: step}}}
}
