package field

import (
	"context"
	"errors"
	"fmt"

	"meterwright/method"
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
// something new in it. It reports whether they are to see it before the next answer: a danger that became most
// likely or a reading to repeat, unless a stop says more. The caller holds the file. Nothing that goes wrong here
// concerns the answer.
func (h *Handler) advise(c *call, hash string, body visit.Body) bool {
	f := c.file
	if h.opts.Adviser == nil || hash != f.head() || !f.Visit.Bears(body) {
		return false
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.r.Context()), h.opts.Patience)
	defer cancel()
	before := f.latest()
	x, err := h.opts.Adviser.Advise(ctx, f.Visit)
	told := err == nil && x != nil && x.Tells(before)
	if told {
		err = h.keepAdvice(c, *x)
	}
	if err != nil {
		h.opts.Failed(fmt.Errorf("visit %s: no advice after %s: %w", f.id, short(hash), err))
		return false
	}
	return told && f.Visit.Stop() == "" && x.Warns(before)
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

// meansView is what the readings so far may mean, as pages show it. Where URL is empty there is nothing to say,
// or nothing may be said: before an answer is given.
type meansView struct {
	// URL is the page that says all of it.
	URL string
	// Hazard says that a danger is most likely: nothing less is striped.
	Hazard bool
	// Repeat names readings that nothing here explains.
	Repeat []string
	// Lines says what fits into a few lines, likeliest first, with every danger; All says it all.
	Lines, All []string
	// Event names the advice, At is when it was given, Upon what it was worked out after.
	Event, At, Upon string
	Against         []string
	Next            *nextView
	// Shut says that a test was advised that is not open as things stand.
	Shut bool
	// Untouched and Skipped are what it leaves out.
	Untouched, Skipped int
	Answers            []string
	// Model says what it was worked out with.
	Model string
}

// nextView is the test that would tell most.
type nextView struct {
	Step, Say, Why string
	InTurn         bool
}

// meansBeside is what stands beside a step: nothing where an answer to it is still to be given, so that none is
// favoured, and nothing where there is nothing to say.
func (f *casefile) meansBeside(s *method.Step, url string) meansView {
	x := f.latest()
	if x == nil || x.Quiet() || s.Observe != nil || s.Prove != nil || s.Inspect != nil || s.Check != nil || s.Decide != nil || s.Record != nil {
		return meansView{}
	}
	return f.means(url)
}

// means is what the readings may mean as it was told last. The next test is in it only while the engine would
// take it.
func (f *casefile) means(url string) meansView {
	list := f.Visit.Account().Advice
	if len(list) == 0 {
		return meansView{}
	}
	l := &list[len(list)-1]
	v := f.meansOf(l)
	v.URL = url + "/means"
	last := ""
	for _, x := range f.Visit.Account().Story {
		if body, ok := f.Visit.Account().Body(x.Event); ok && f.Visit.Bears(body) {
			last = x.Event
		}
	}
	if l.Upon != last {
		v.Against = nil // What was spoken against before the last reading is no news.
	}
	return v
}

// maxLines is how many meanings that are no danger a strip has room for.
const maxLines = 2

func (f *casefile) meansOf(l *visit.AdviceLine) meansView {
	w := f.words
	v := meansView{Event: l.Event, At: say.Clock(l.At), Upon: f.lineWords(l.Upon), Untouched: l.Untouched, Skipped: l.Skipped,
		Hazard: l.Dangerous() == visit.MostLikely, Repeat: w.Repeats(f.Visit.Account(), &l.Advised),
		Model: w.Say("field.means.model", "at", l.At, "engine", l.Engine, "model", short(l.Model), "site", short(l.Site))}
	for _, e := range l.Against {
		v.Against = append(v.Against, w.Against(e))
	}
	if l.AgainstMore > 0 {
		v.Against = append(v.Against, w.Say("field.means.against-more", "n", l.AgainstMore))
	}
	for i := range l.Fits {
		m := &l.Fits[i]
		v.All = append(v.All, w.MeaningLine(m, w.Meaning(m)))
		if m.Danger || i < maxLines {
			v.Lines = append(v.Lines, w.MeaningLine(m, w.FirstMeaning(m)))
		}
	}
	if outside := w.Outside(&l.Advised); outside != "" {
		v.All = append(v.All, outside)
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
		key := "field.means.followed"
		if a.Answer == "set-aside" {
			key = "field.means.set-aside"
		}
		if a.Why != "" {
			key += ".why"
		}
		v.Answers = append(v.Answers, w.Say(key, "at", a.At, "why", a.Why))
	}
	return v
}

// meansPage says all of it, with the answers, and what was said before.
type meansPage struct {
	visitFrame
	meansView
	Given   string
	Before  []meansView
	Choices []answer
}

// maxBefore bounds what is shown of what was said before.
const maxBefore = 20

func (h *Handler) means(c *call) {
	p := meansPage{visitFrame: h.visitFrame(c, "field.means.title"), Given: c.entered("why")}
	p.meansView = c.file.means(p.visitFrame.URL)
	p.Choices = followOrNot(p.frame)
	list := c.file.Visit.Account().Advice
	for i := len(list) - 2; i >= 0 && len(p.Before) < maxBefore; i-- {
		p.Before = append(p.Before, c.file.meansOf(&list[i]))
	}
	c.write(p.Page())
}

func followOrNot(f frame) []answer {
	return []answer{{"answer", "follow", f.Say("field.means.follow")}, {"answer", "set-aside", f.Say("field.means.set")}}
}
