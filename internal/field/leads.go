package field

import (
	"context"
	"errors"
	"fmt"

	"meterwright/say"
	"meterwright/visit"
)

// Adviser says what the physical model makes of a visit as it stands. It may be asked by several
// goroutines at once, keeps nothing of the visit that it is given, and gives up when ctx is done. It returns
// nil where there is nothing to say. What it says decides nothing.
type Adviser interface {
	Advise(ctx context.Context, v *visit.Visit) (*visit.Advised, error)
}

// advise appends what the model makes of an answer that was just kept, where a person would see
// something new in it. The caller holds the file. Nothing that goes wrong here concerns the answer.
func (h *Handler) advise(c *call, hash string, body visit.Body) {
	f := c.file
	if h.opts.Adviser == nil || hash != f.head() || !f.Visit.Bears(body) {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.r.Context()), h.opts.Patience)
	defer cancel()
	x, err := h.opts.Adviser.Advise(ctx, f.Visit)
	if err == nil && x != nil && x.Tells(f.latest()) {
		err = h.keepAdvice(c, *x)
	}
	if err != nil {
		h.opts.Failed(fmt.Errorf("visit %s: no advice after %s: %w", f.id, short(hash), err))
	}
}

func (h *Handler) keepAdvice(c *call, x visit.Advised) error {
	ev := h.happens(c, x)
	if refusal, err := c.file.Check(ev); err != nil || refusal != nil {
		return errors.Join(err, asError(refusal))
	}
	encoded, err := visit.EncodeBody(x)
	if err != nil {
		return err
	}
	chain, err := c.file.chain(c.key)
	if err == nil {
		_, err = h.keep(c, chain, ev, encoded)
	}
	return err
}

// latest is the advice that was given last, or nil.
func (f *casefile) latest() *visit.Advised {
	if list := f.Visit.Account().Advice; len(list) > 0 {
		return &list[len(list)-1].Advised
	}
	return nil
}

// leadsView is an advice as pages show it.
type leadsView struct {
	// URL is the page of the leads, empty where there is no advice.
	URL string
	// Small keeps all but one line folded, where a screen is hard to use.
	Small bool
	// Quiet says that one line says it all.
	Quiet bool
	// Event names the advice, At is when it was given, Upon what it was worked out after.
	Event, At, Upon string
	Against         []string
	Fits            []leadLine
	Next            *nextView
	// Shut says that a test was advised that is not open as things stand.
	Shut bool
	// Outside, Untouched and Skipped are what the leads leave out.
	Outside            string
	Untouched, Skipped int
	Answers            []string
	// Model says what it was worked out with.
	Model string
}

type leadLine struct {
	// Words says all that it holds, First what fits into a line.
	Words, First, Chance, Number string
	Danger                       bool
	share                        float64
}

// nextView is the test that would tell most.
type nextView struct {
	Step, Say, Why string
	InTurn         bool
}

// leads is the last advice of a visit. The next test is in it only while the engine would take it.
func (f *casefile) leads(url string) leadsView {
	list := f.Visit.Account().Advice
	if len(list) == 0 {
		return leadsView{}
	}
	l := &list[len(list)-1]
	v := f.leadsIn(l)
	v.URL = url + "/leads"
	last := ""
	for _, x := range f.Visit.Account().Story {
		if body, ok := f.Visit.Account().Body(x.Event); ok && f.Visit.Bears(body) {
			last = x.Event
		}
	}
	if l.Upon != last {
		v.Against = nil // What was spoken against before the last reading is no news.
	}
	v.Quiet = l.Fits[0].Quiet() && len(v.Against) == 0
	return v
}

func (f *casefile) leadsIn(l *visit.AdviceLine) leadsView {
	w := f.words
	v := leadsView{Event: l.Event, At: say.Clock(l.At), Upon: f.lineWords(l.Upon), Outside: l.Outside, Untouched: l.Untouched, Skipped: l.Skipped,
		Model: w.Say("field.leads.model", "at", l.At, "engine", l.Engine, "model", short(l.Model), "site", short(l.Site))}
	for _, e := range l.Against {
		words := w.Explanation(e)
		if len(e) == 0 {
			words = w.Say("lead.nothing-wrong")
		}
		v.Against = append(v.Against, words)
	}
	if l.AgainstMore > 0 {
		v.Against = append(v.Against, w.Say("field.leads.against-more", "n", l.AgainstMore))
	}
	for i := range l.Fits {
		x := &l.Fits[i]
		v.Fits = append(v.Fits, leadLine{Words: w.Say("field.capital", "words", w.Lead(x)), First: w.FirstLead(x), Chance: w.Chance(x.Share()), Number: x.Probability, Danger: x.Danger, share: x.Share()})
	}
	if n := l.Next; n != nil {
		inTurn, back := f.Visit.Reach(n.Step)
		if inTurn || back {
			v.Next = &nextView{Step: n.Step, Say: w.Step(n.Step), Why: w.NextTest(&l.Advised), InTurn: inTurn}
		} else {
			v.Shut = true
		}
	}
	for _, a := range l.Answers {
		key := "field.leads.followed"
		if a.Answer == "set-aside" {
			key = "field.leads.set-aside"
		}
		if a.Why != "" {
			key += ".why"
		}
		v.Answers = append(v.Answers, w.Say(key, "at", a.At, "why", a.Why))
	}
	return v
}

// top is the leads that a strip has room for.
func (v leadsView) top() []leadLine {
	n := 0
	for n < min(3, len(v.Fits)) && (n == 0 || v.Fits[n].share >= 0.01) {
		n++
	}
	return v.Fits[:n]
}

// leadsPage shows the last advice whole, with the answers to it, and those before it.
type leadsPage struct {
	visitFrame
	leadsView
	Given   string
	Before  []leadsView
	Choices []answer
}

// maxBefore bounds the earlier advices that are shown.
const maxBefore = 20

func (h *Handler) leads(c *call) {
	p := leadsPage{visitFrame: h.visitFrame(c, "field.leads.title"), Given: c.entered("why")}
	p.leadsView = c.file.leads(p.visitFrame.URL)
	p.Choices = followOrNot(p.frame)
	list := c.file.Visit.Account().Advice
	for i := len(list) - 2; i >= 0 && len(p.Before) < maxBefore; i-- {
		p.Before = append(p.Before, c.file.leadsIn(&list[i]))
	}
	c.write(p.Page())
}

func followOrNot(f frame) []answer {
	return []answer{{"answer", "follow", f.Say("field.leads.follow")}, {"answer", "set-aside", f.Say("field.leads.set")}}
}
