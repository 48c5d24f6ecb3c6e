package field

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/visit"
)

// Adviser says what the physical model makes of a visit as it stands. It may be asked by several
// goroutines at once, keeps nothing of the visit that it is given, and gives up when ctx is done. It returns
// nil where there is nothing to say. What it says decides nothing.
type Adviser interface {
	Advise(ctx context.Context, v *visit.Visit) (*visit.Advised, error)
}

// advise appends what the model makes of an answer that was just kept, where a person would see
// something new in it. The caller holds the entry. Nothing that goes wrong here concerns the answer.
func (h *Handler) advise(ctx context.Context, hand *Hand, e *entry, hash string, body visit.Body) {
	if h.opts.Adviser == nil || e.unread != nil || hash != e.head() || !e.visit.Bears(body) {
		return
	}
	ctx = context.WithoutCancel(ctx)
	limited, cancel := context.WithTimeout(ctx, h.opts.Patience)
	defer cancel()
	x, err := h.opts.Adviser.Advise(limited, e.visit)
	if err == nil && x != nil && x.Tells(latest(e)) {
		err = h.keepAdvice(ctx, hand, e, *x)
	}
	if err != nil {
		h.opts.Failed(fmt.Errorf("visit %s: no advice after %s: %w", e.id, short(hash), err))
	}
}

func (h *Handler) keepAdvice(ctx context.Context, hand *Hand, e *entry, x visit.Advised) error {
	ev := visit.Event{Body: x, Wall: h.opts.Clock.Now().Truncate(time.Millisecond), Mono: h.opts.Clock.Mono(), Boot: h.opts.Clock.Boot(), Person: hand.ID}
	if refusal, err := e.visit.Check(ev); err != nil || refusal != nil {
		return errors.Join(err, asError(refusal))
	}
	_, err := h.keep(ctx, hand, e, e.last, ev)
	return err
}

// latest is the advice that was given last, or nil.
func latest(e *entry) *visit.Advised {
	if list := e.visit.Account().Advice; len(list) > 0 {
		return &list[len(list)-1].Advised
	}
	return nil
}

// told is a story without the advice, which has a page of its own.
func told(story []visit.Line) []visit.Line {
	return slices.DeleteFunc(slices.Clone(story), func(l visit.Line) bool { return l.Kind == visit.KindAdvised })
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
	Words, Chance, Number string
	Danger                bool
}

// nextView is the test that would tell most.
type nextView struct {
	Step, Say, Why, Nats string
	InTurn               bool
}

// leadsOf is the last advice of a visit. The next test is in it only while the engine would take it.
func leadsOf(e *entry, url string) leadsView {
	list := e.visit.Account().Advice
	if len(list) == 0 {
		return leadsView{}
	}
	v := leadsIn(e, &list[len(list)-1])
	v.URL = url + "/leads"
	last := ""
	for _, k := range e.events {
		if body, ok := e.visit.Account().Body(k.hash); ok && e.visit.Bears(body) {
			last = k.hash
		}
	}
	if list[len(list)-1].Advised.Upon != last {
		v.Against = nil // What was spoken against before the last reading is no news.
	}
	v.Quiet = list[len(list)-1].Fits[0].Quiet() && len(v.Against) == 0
	return v
}

func leadsIn(e *entry, l *visit.AdviceLine) leadsView {
	v := leadsView{Event: l.Event, At: clock(l.At), Against: l.Against, Outside: l.Outside, Untouched: l.Untouched, Skipped: l.Skipped,
		Model: fmt.Sprintf("%s, model %s, position %s", l.Engine, short(l.Model), short(l.Site))}
	for _, s := range e.visit.Account().Story {
		if s.Event == l.Upon {
			v.Upon = clock(s.At) + " " + s.Words
		}
	}
	for i := range l.Fits {
		f := &l.Fits[i]
		v.Fits = append(v.Fits, leadLine{Words: f.Words, Chance: f.Chance(), Number: f.Probability, Danger: f.Danger})
	}
	if n := l.Next; n != nil {
		inTurn, back := e.visit.Reach(n.Step)
		if s, _ := e.method().Step(n.Step); s != nil && (inTurn || back) {
			v.Next = &nextView{Step: n.Step, Say: s.Say, Why: n.Why, Nats: n.Nats, InTurn: inTurn}
		} else {
			v.Shut = true
		}
	}
	for _, a := range l.Answers {
		words := clock(a.At) + " followed"
		if a.Answer == "set-aside" {
			words = clock(a.At) + " set aside"
		}
		if a.Why != "" {
			words += ": " + a.Why
		}
		v.Answers = append(v.Answers, sentence(words))
	}
	return v
}

func skippedWords(n int) string {
	if n == 1 {
		return "1 reading or proving"
	}
	return fmt.Sprintf("%d readings and provings", n)
}

// first is the words of a lead, short enough for a strip: what it names first, and how many more.
func (l leadLine) first() string {
	rest, several := strings.CutPrefix(l.Words, "one of: ")
	if !several {
		return l.Words
	}
	parts := strings.Split(rest, "; ")
	if len(parts) < 3 {
		return strings.Join(parts, ", or ")
	}
	return parts[0] + ", or one of others like it"
}

// top is the leads that a strip has room for.
func (v leadsView) top() []leadLine {
	n := 0
	for n < min(3, len(v.Fits)) && (n == 0 || v.Fits[n].Number >= "0.010") {
		n++
	}
	return v.Fits[:n]
}

// leadsPage shows the last advice whole, with the answers to it, and those before it.
type leadsPage struct {
	visitFrame
	leadsView
	Given  string
	Before []leadsView
}

// maxBefore bounds the earlier advices that are shown.
const maxBefore = 20

func (h *Handler) leads(c *call) {
	p := leadsPage{visitFrame: h.visitFrame(c, "Leads"), Given: c.entered("why")}
	p.leadsView = leadsOf(c.e, p.visitFrame.URL)
	list := c.e.visit.Account().Advice
	for i := len(list) - 2; i >= 0 && len(p.Before) < maxBefore; i-- {
		p.Before = append(p.Before, leadsIn(c.e, &list[i]))
	}
	c.write(p.Page())
}
