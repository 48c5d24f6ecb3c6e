package field

import (
	"net/http"
	"net/url"
	"slices"

	"meterwright/instrument"
	"meterwright/internal/page"
	"meterwright/method"
	"meterwright/visit"
)

// Threepart is a refusal as a person is told it, with the ways on as things to press.
type Threepart struct {
	What  string
	Lacks []string
	Way   []string
	Ways  []wayOn
}

func (f *casefile) threepart(url string, r *visit.Refusal) Threepart {
	t := Threepart{Ways: f.ways(url, r)}
	t.What, t.Lacks, t.Way = f.words.Refusal(r)
	return t
}

// ways turns the ways on of a refusal into things to press, each once.
func (f *casefile) ways(at string, r *visit.Refusal) []wayOn {
	var ways []wayOn
	add := func(w wayOn) {
		if !slices.ContainsFunc(ways, func(x wayOn) bool { return x.Words == w.Words }) {
			ways = append(ways, w)
		}
	}
	to := func(key, to string, args ...any) {
		add(wayOn{Words: f.words.Say("field.way."+key, args...), To: at + to})
	}
	with := func(key, page string, kinds []instrument.Kind) {
		for _, k := range kinds {
			to(key, "/"+page+"?with="+url.QueryEscape(string(k)), "kind", f.words.Kind(k))
		}
	}
	for _, w := range r.Ways {
		switch w.Code {
		case visit.SayBack:
			add(wayOn{Words: f.words.Say("field.away.back"), Form: []answer{{Name: "kind", Value: string(visit.KindCameBack)}}})
		case visit.TakeOver, visit.SettleHolder:
			to("hands", "/hands")
		case visit.AddNote:
			to("note", "/note")
		case visit.AddSupplement:
			to("supplement", "/supplement")
		case visit.CheckFirst:
			for _, id := range w.Items {
				to("check", "/check?item="+url.QueryEscape(id), "items", f.words.Items([]string{id}))
			}
		case visit.PutOnFirst:
			form := []answer{{Name: "kind", Value: string(visit.KindPutOn)}}
			for _, id := range w.Items {
				form = append(form, answer{Name: "items", Value: id})
			}
			add(wayOn{Words: f.words.Say("field.wear.on", "items", f.words.Items(w.Items)), Form: form})
		case visit.TakeUp:
			with("take", "take", w.Kinds)
		case visit.TakeUpAnother:
			with("take-another", "take", w.Kinds)
		case visit.ProveOn:
			with("prove", "prove", w.Kinds)
		case visit.ProveOrOther:
			with("prove", "prove", w.Kinds)
			with("take-another", "take", w.Kinds)
		case visit.ProveAgain:
			with("prove-again", "prove", w.Kinds)
		case visit.GoBack, visit.ActFirst:
			if w.Step != "" {
				add(returnWay(w.Step, f.words.Say("field.way.go-back", "step", f.words.Step(w.Step))))
			}
			if w.Code == visit.ActFirst {
				to("acts", "/acts")
			}
		case visit.EndOrGoBack:
			to("end", "/end")
			to("back", "/back")
		case visit.TellSomebody:
			to("tell", "/told")
		case visit.EndVisit:
			to("end", "/end")
		case visit.CorrectIt:
			to("correct", "/correct")
		case visit.EndOtherwise:
			to("end-otherwise", "/end")
		}
	}
	return ways
}

// blockedPage says that the step in turn is barred, in three parts.
type blockedPage struct {
	visitFrame
	Threepart
	Run runView
	// Seen leads to the step all the same, for what was seen there.
	Seen string
}

func (h *Handler) blocked(c *call, n visit.Next) {
	f := c.file
	s, _ := f.method().Step(n.Step)
	p := blockedPage{visitFrame: h.held(c, "field.refusal.title"), Run: f.run(s)}
	p.Threepart = f.threepart(p.URL, n.Blocked)
	if n.Warns {
		p.Seen = p.URL + "?seen=1"
	}
	c.write(p.Page())
}

// used is the kind of instrument that a step uses, or nothing.
func used(s *method.Step) instrument.Kind {
	switch {
	case s.Observe != nil:
		return instrument.Kind(s.Observe.With)
	case s.Prove != nil:
		return instrument.Kind(s.Prove.With)
	}
	return ""
}

// refusalPage is what was refused.
type refusalPage struct {
	visitFrame
	Threepart
	// Recorded says that the record holds the refusal.
	Recorded bool
	// InSpite is set where an act can be recorded as done all the same.
	InSpite []answer
}

// refusal shows a refusal that the record holds.
func (h *Handler) refusal(c *call) {
	r := c.file.refused(c.r.PathValue("event"))
	if r == nil {
		h.fail(c.w, c.r, ErrNotFound)
		return
	}
	body, err := visit.DecodeBody(r.Kind, r.Body)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	h.refusalOf(c, &r.Refusal, body)
}

func (h *Handler) refusalOf(c *call, r *visit.Refusal, recorded visit.Body) {
	p := refusalPage{visitFrame: h.visitFrame(c, "field.refusal.title"), Recorded: recorded != nil}
	p.Threepart = c.file.threepart(p.URL, r)
	if !p.Ended {
		p.InSpite = inSpite(recorded)
	}
	page.Write(c.w, c.r, http.StatusOK, p.Page())
}

// inSpite is the form that says that something was done in spite of its refusal.
func inSpite(body visit.Body) []answer {
	switch b := body.(type) {
	case visit.Acted:
		return []answer{{Name: "kind", Value: string(visit.KindActed)}, {Name: "step", Value: b.Step}, {Name: "act", Value: string(b.Act)}, {Name: "in_spite", Value: "1"}}
	case visit.TookOff:
		form := []answer{{Name: "kind", Value: string(visit.KindTookOff)}, {Name: "in_spite", Value: "1"}}
		for _, id := range b.Items {
			form = append(form, answer{Name: "items", Value: id})
		}
		return form
	}
	return nil
}

// stalePage shows where things stand to whoever sent a form that was made for an older state.
type stalePage struct {
	visitFrame
	Entered string
	Since   []storyLine
}

// maxSince bounds the lines that are shown of what came since.
const maxSince = 5

func (h *Handler) stale(c *call, body visit.Body) {
	f := c.file
	p := stalePage{visitFrame: h.visitFrame(c, "field.stale.title")}
	p.Entered = p.Say("field.capital", "words", f.words.Said(body))
	since, ok := f.after(c.given.Get("state"))
	if !ok {
		since = f.came
	}
	for _, e := range slices.Backward(since) {
		if l := f.line(e.Hash.String()); l != nil && !l.Kind.Quiet() && len(p.Since) < maxSince {
			p.Since = append(p.Since, f.storyLine(l))
		}
	}
	slices.Reverse(p.Since)
	page.Write(c.w, c.r, http.StatusConflict, p.Page())
}
