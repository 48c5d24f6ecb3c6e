package field

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/a-h/templ"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/internal/page"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
	"meterwright/walk"
)

// stepPage is one step.
type stepPage struct {
	visitFrame
	Phase  string
	N, Of  int
	ID     string
	Say    string
	Why    string
	Rail   railView
	Draw   templ.Component
	Tip    string
	Other  string
	Limit  *limitView
	Gloved bool
	// Seen says that the page is shown although the step is barred, for what was seen all
	// the same.
	Seen bool
	// MayAfter says that the method lets answers of this phase be entered afterwards.
	MayAfter bool
	After    bool
	Happened string
	PhaseID  string

	// On names the page, where it is not the step in turn.
	On      string
	Kind    visit.Kind
	Answers []answer
	Number  *numberEntry
	// Detail asks for the pattern of a socket tester.
	Detail  bool
	Hidden  []answer
	Tools   []toolChoice
	Fields  []fieldEntry
	Sources []sourceChoice
	Item    string
	Rests   []restLine
	// Readings is what earlier readings say of those that were just entered.
	Readings []readingView
	Done     string
	// With names the instrument for a step that uses one.
	With string
	// Leads is what the model makes of the earlier readings.
	Leads leadsView
}

type toolChoice struct {
	ID, Due, Leads string
	// Past says that the date has passed; the engine says what follows.
	Past bool
}

type sourceChoice struct {
	Kind, Words, ID string
	Chosen          bool
}

type fieldEntry struct {
	method.Field
	Value string
	Last  string
}

type restLine struct{ Words, State string }

// now shows where the visit stands.
func (h *Handler) now(c *call) {
	e := c.e
	n := e.visit.Next()
	key, err := record.KeyOf(c.hand.Signer.Public())
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	switch {
	case n.Ended != "":
		h.ended(c)
	case !e.holder(key):
		h.otherHand(c)
	case n.Stop != "":
		h.stopped(c, n.Stop)
	case e.visit.Away():
		p := awayPage{visitFrame: h.visitFrame(c, "Away")}
		c.write(p.Page())
	case n.Step == "":
		h.finish(c)
	case n.Blocked != nil && c.query("seen") == "" && c.problem == "":
		h.blocked(c, n)
	default:
		h.step(c, n)
	}
}

// step shows the step in turn.
func (h *Handler) step(c *call, n visit.Next) {
	e := c.e
	m := e.method()
	s, at := m.Step(n.Step)
	j, err := h.jobOf(c.r.Context(), e)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	ph := phaseOf(m, s.Phase)
	p := stepPage{visitFrame: h.visitFrame(c, ph.Words), Phase: ph.Words, PhaseID: ph.ID, ID: s.ID, Say: s.Say, Why: s.Why,
		Gloved: ph.Gloved, Seen: n.Blocked != nil, MayAfter: slices.Contains(ph.Entry, "after")}
	facts := e.visit.Facts()
	for i, other := range walk.Steps(m, facts) {
		if other.Phase == s.Phase {
			p.Of++
			if i <= at {
				p.N++
			}
		}
	}
	if p.MayAfter && (c.query("after") != "") {
		p.After, p.Happened = true, c.query("after")
		if c.given != nil {
			p.Happened = c.given.Get("happened")
		}
		if p.Happened == "now" {
			p.Happened = ""
		}
	}
	for _, id := range s.Needs {
		for _, l := range e.visit.Account().Proofs {
			if l.ID == id {
				state := l.State
				if !l.Since.IsZero() {
					state = "since " + clock(l.Since)
				}
				p.Rests = append(p.Rests, restLine{upperFirst(l.Words), state})
			}
		}
	}
	h.fill(c, &p, s, j)
	p.Readings = h.judged(e, j)
	p.Leads = leadsOf(e, p.URL)
	p.Leads.Small = ph.Gloved
	c.write(p.Page())
}

// readingView is what the earlier readings say of a final one that was just entered.
type readingView struct {
	Words string
	// Doubt says that it does not fit; Correct leads to the correction of it.
	Doubt   bool
	Correct string
}

// judged judges the registers that the last line recorded, if it did, against earlier readings.
// What comes of it is told and decides nothing.
func (h *Handler) judged(e *entry, j *jobs.Job) []readingView {
	last := e.told()
	body, ok := e.body(last)
	b, isRecorded := body.(visit.Recorded)
	if !ok || !isRecorded {
		return nil
	}
	var out []readingView
	for _, r := range j.Registers {
		v, err := measure.ParseDecimal(b.Entries[r.Entry])
		if err != nil {
			continue
		}
		f, err := r.Judge(h.opts.Pack.Plausible, v.String(), h.opts.Clock.Now())
		if err != nil {
			h.opts.Failed(err)
			continue
		}
		view := readingView{Words: fmt.Sprintf("%s %s: %s. %s", upperFirst(hyphenless(r.Entry)), v, f.Plausibility, sentence(upperFirst(f.Sentence)))}
		if f.Plausibility != metering.Plausible {
			view.Doubt, view.Correct = true, last
		}
		out = append(out, view)
	}
	return out
}

// fill gives the page what the kind of step asks for.
func (h *Handler) fill(c *call, p *stepPage, s *method.Step, j *jobs.Job) {
	e := c.e
	switch {
	case s.TakeUp != nil:
		h.fillTakeUp(p, instrument.Kind(s.TakeUp.With), j)
	case s.Check != nil:
		h.fillCheck(p, s.Check.Item, j)
	case len(s.PutOn) > 0:
		p.Kind, p.Done = visit.KindPutOn, "On: "+h.protection(e, s.PutOn)
		for _, id := range s.PutOn {
			p.Hidden = append(p.Hidden, answer{Name: "items", Value: id})
		}
	case len(s.TakeOff) > 0:
		p.Kind, p.Done = visit.KindTookOff, "Off: "+h.protection(e, s.TakeOff)
		for _, id := range s.TakeOff {
			p.Hidden = append(p.Hidden, answer{Name: "items", Value: id})
		}
	case s.Prove != nil:
		h.fillProve(c, p, instrument.Kind(s.Prove.With), s.Prove.On, j)
	case s.Observe != nil:
		kind := instrument.Kind(s.Observe.With)
		p.Kind, p.With = visit.KindObserved, modelWords(kind)
		p.Rail = h.rail(e, kind, true)
		p.Limit = limitOf(s.Observe.Bounds)
		p.Draw = drawing{Method: e.method(), Switches: e.visit.Switches(), Tip: s.Observe.At, Other: s.Observe.Against}.component()
		p.Tip, p.Other = upperFirst(points(e.method(), s.Observe.At)), upperFirst(points(e.method(), s.Observe.Against))
		var number bool
		p.Answers, number = showAnswers(kind)
		p.Detail = kind == instrument.SocketTester
		if number {
			m, _ := instrument.Lookup(kind)
			p.Number = &numberEntry{Name: "number", Unit: m.Unit, Value: c.entered("number")}
			if s.Observe.Bounds != nil {
				p.Number.Unit = s.Observe.Bounds.Unit
			}
		}
		p.Hidden = []answer{{Name: "step", Value: s.ID}}
	case s.Inspect != nil:
		p.Kind = visit.KindInspected
		for _, a := range s.Inspect.Answers {
			p.Answers = append(p.Answers, answer{"answer", a, upperFirst(a)})
		}
		p.Hidden = []answer{{Name: "step", Value: s.ID}}
		p.Rail = h.rail(e, "", false)
	case s.Decide != nil:
		p.Kind = visit.KindDecided
		for _, f := range e.method().Facts {
			if f.ID == s.Decide.Fact {
				for _, v := range f.Values {
					p.Answers = append(p.Answers, answer{"value", v, upperFirst(v)})
				}
			}
		}
		p.Hidden = []answer{{Name: "step", Value: s.ID}}
	case s.Record != nil:
		p.Kind, p.Done = visit.KindRecorded, "Enter"
		for _, f := range s.Record.Fields {
			fe := fieldEntry{Field: f, Value: c.entered("f." + f.ID)}
			for _, r := range j.Registers {
				if n := len(r.Earlier); r.Entry == f.ID && n > 0 {
					fe.Last = "last read " + r.Earlier[n-1].Reading + " on " + longDay(r.Earlier[n-1].On)
				}
			}
			p.Fields = append(p.Fields, fe)
		}
		p.Hidden = []answer{{Name: "step", Value: s.ID}}
	case s.Act != "":
		p.Kind = visit.KindActed
		p.Done = "Done"
		p.Hidden = []answer{{Name: "step", Value: s.ID}, {Name: "act", Value: s.Act}}
		p.Rail = h.rail(e, "", false)
		p.Draw = drawing{Method: e.method(), Switches: e.visit.Switches(), Act: s.Act}.component()
	}
}

func (h *Handler) fillTakeUp(p *stepPage, kind instrument.Kind, j *jobs.Job) {
	p.Kind, p.With = visit.KindTookUp, modelWords(kind)
	p.Hidden = []answer{{Name: "with", Value: string(kind)}}
	today := h.opts.Clock.Now().Format("2006-01-02")
	for _, t := range j.Kit.Instruments {
		if t.Kind == kind {
			p.Tools = append(p.Tools, toolChoice{ID: t.ID, Due: t.Due, Leads: t.Leads, Past: t.Due != "" && t.Due < today})
		}
	}
}

func (h *Handler) fillCheck(p *stepPage, item string, j *jobs.Job) {
	p.Kind, p.Item = visit.KindChecked, item
	p.Hidden = []answer{{Name: "item", Value: item}}
	today := h.opts.Clock.Now().Format("2006-01-02")
	for _, w := range j.Kit.Protection {
		if w.Item == item {
			p.Tools = append(p.Tools, toolChoice{ID: w.ID, Due: w.Due, Past: w.Due != "" && w.Due < today})
		}
	}
	p.Answers = []answer{{"found", "sound", "Sound"}, {"found", "failed", "Failed"}}
}

func (h *Handler) fillProve(c *call, p *stepPage, kind instrument.Kind, on []string, j *jobs.Job) {
	p.Kind, p.With = visit.KindProved, modelWords(kind)
	p.Rail = h.rail(c.e, kind, false)
	id := ""
	for _, i := range c.e.visit.Account().Instruments {
		if i.Kind == kind {
			id = i.ID
		}
	}
	m, _ := instrument.Lookup(kind)
	t, _ := j.Kit.Tool(kind, id)
	chosen := c.query("source")
	if chosen == "" {
		chosen = string(t.ProvedOn.Kind)
	}
	for _, src := range m.ProvedOn {
		if len(on) > 0 && !slices.Contains(on, string(src)) {
			continue
		}
		sc := sourceChoice{Kind: string(src), Words: hyphenless(string(src)), Chosen: string(src) == chosen}
		if t.ProvedOn.Kind == src {
			sc.ID = t.ProvedOn.ID
		}
		p.Sources = append(p.Sources, sc)
	}
	if len(p.Sources) == 1 {
		p.Sources[0].Chosen = true
	}
	p.Item = id
	p.Hidden = []answer{{Name: "with", Value: string(kind)}, {Name: "id", Value: id}}
	var number bool
	p.Answers, number = showAnswers(kind)
	p.Detail = kind == instrument.SocketTester
	if number {
		p.Number = &numberEntry{Name: "number", Unit: m.Unit, Value: c.entered("number")}
		if t.ProvedOn.Nominal != "" && chosen == string(t.ProvedOn.Kind) {
			p.Limit = &limitView{Words: "The source gives", Range: t.ProvedOn.Nominal}
		}
	}
}

// blockedPage says that the step in turn is barred, in three parts.
type blockedPage struct {
	visitFrame
	Phase string
	Say   string
	Threepart
	Rail railView
	// Seen leads to the step all the same, for what was seen there.
	Seen string
}

// Threepart is a refusal as a person is told it, with the ways on as things to press.
type Threepart struct {
	What  string
	Undid []string
	Way   []string
	Ways  []wayOn
	// InSpite is set where an act can be recorded as done all the same.
	InSpite []answer
}

// threepart takes a refusal over, each sentence once.
func threepart(r *visit.Refusal) Threepart {
	once := func(list []string) []string {
		var out []string
		for _, s := range list {
			if !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
		return out
	}
	return Threepart{What: r.What, Undid: once(r.Undid), Way: once(r.Way)}
}

// wayOn is one thing to press: a page to go to, or a form.
type wayOn struct {
	Words string
	To    string
	Form  []answer
}

func (h *Handler) blocked(c *call, n visit.Next) {
	m := c.e.method()
	s, _ := m.Step(n.Step)
	p := blockedPage{visitFrame: h.visitFrame(c, "Not yet"), Phase: phaseWords(m, n.Phase), Say: s.Say}
	p.Threepart = threepart(n.Blocked)
	kind := instrument.Kind("")
	if s.Observe != nil {
		kind = instrument.Kind(s.Observe.With)
	}
	if s.Prove != nil {
		kind = instrument.Kind(s.Prove.With)
	}
	p.Rail = h.rail(c.e, kind, s.Observe != nil)
	p.Ways = h.ways(c.e, p.URL, n.Blocked, s, nil)
	if s.Observe != nil || s.Inspect != nil || s.Check != nil || s.TakeUp != nil || s.Prove != nil {
		p.Seen = p.URL + "?seen=1"
	}
	c.write(p.Page())
}

// ways turns the rows of a refusal into things to press. s is the step in turn, if there is one;
// body is what was attempted, if it is known.
func (h *Handler) ways(e *entry, at string, r *visit.Refusal, s *method.Step, body visit.Body) []wayOn {
	var ways []wayOn
	add := func(w wayOn) {
		if !slices.ContainsFunc(ways, func(x wayOn) bool { return x.Words == w.Words }) {
			ways = append(ways, w)
		}
	}
	with := instrument.Kind("")
	switch {
	case s != nil && s.Observe != nil:
		with = instrument.Kind(s.Observe.With)
	case s != nil && s.Prove != nil:
		with = instrument.Kind(s.Prove.With)
	}
	if b, ok := body.(visit.Proved); ok {
		with = b.Kind
	}
	for _, row := range r.Rows {
		switch row {
		case "protected":
			var missing []string
			if s != nil {
				for _, id := range s.Protect {
					if !slices.Contains(e.visit.Worn(), id) {
						missing = append(missing, id)
					}
				}
			}
			if a, ok := body.(visit.Acted); ok && a.Step == "" {
				for _, ms := range e.method().MakeSafe {
					if ms.Act == string(a.Act) {
						missing = slices.DeleteFunc(slices.Clone(ms.Protect), func(id string) bool { return slices.Contains(e.visit.Worn(), id) })
					}
				}
			}
			if len(missing) > 0 {
				w := wayOn{Words: "Put on: " + h.protection(e, missing), Form: []answer{{Name: "kind", Value: string(visit.KindPutOn)}}}
				for _, id := range missing {
					w.Form = append(w.Form, answer{Name: "items", Value: id})
				}
				add(w)
			}
		case "checked-before-worn":
			items := []string{}
			if b, ok := body.(visit.PutOn); ok {
				items = b.Items
			} else if s != nil {
				items = s.PutOn
			}
			for _, p := range e.method().Protection {
				if p.Checked && slices.Contains(items, p.ID) && strings.Contains(strings.Join(r.Undid, " "), p.Words) {
					add(wayOn{Words: "Check the " + p.Words, To: at + "/check?item=" + url.QueryEscape(p.ID)})
				}
			}
		case "instrument-in-date":
			add(wayOn{Words: "Take up another " + modelWords(with), To: at + "/take?with=" + string(with)})
		case "instrument-proved":
			if strings.Contains(strings.Join(r.Undid, " "), "has been taken up") || strings.Contains(strings.Join(r.Undid, " "), "calibration date") {
				add(wayOn{Words: "Take up a " + modelWords(with), To: at + "/take?with=" + string(with)})
				continue
			}
			add(wayOn{Words: "Prove the " + modelWords(with), To: at + "/prove?with=" + string(with)})
			add(wayOn{Words: "Take up another " + modelWords(with), To: at + "/take?with=" + string(with)})
		case "source-suits":
			add(wayOn{Words: "Prove the " + modelWords(with), To: at + "/prove?with=" + string(with)})
		case "proofs-hold", "covered", "switches-stand":
			if row != "switches-stand" {
				for _, b := range e.visit.Account().Brackets {
					if b.State == "open" && strings.Contains(strings.Join(r.Way, " "), "Prove again") && strings.Contains(strings.Join(r.Way, " "), modelWords(b.Kind)) {
						add(wayOn{Words: "Prove the " + modelWords(b.Kind) + " again", To: at + "/prove?with=" + string(b.Kind)})
					}
				}
			}
			if r.Return != "" {
				if back, _ := e.method().Step(r.Return); back != nil {
					add(wayOn{Words: "Go back to: " + strings.TrimSuffix(back.Say, "."), Form: []answer{{Name: "kind", Value: string(visit.KindReturned)}, {Name: "step", Value: r.Return}}})
				}
			}
			if row == "switches-stand" {
				add(wayOn{Words: "Acts that make safe", To: at + "/acts"})
			}
		case "present":
			add(wayOn{Words: "I am back at the service position", Form: []answer{{Name: "kind", Value: string(visit.KindCameBack)}}})
		case "told-somebody":
			add(wayOn{Words: "Record who was told", To: at + "/told"})
		case "stop-can-be-left":
			add(wayOn{Words: "End the visit", To: at + "/end"})
		case "everything-done":
			add(wayOn{Words: "End the visit otherwise", To: at + "/end"})
		}
	}
	return ways
}

// refused shows a refusal that the record holds.
func (h *Handler) refused(c *call) {
	r, ok := c.e.refusal(c.r.PathValue("event"))
	if !ok {
		h.fail(c.w, c.r, ErrNotFound)
		return
	}
	refusal := &visit.Refusal{Rows: r.Rows, What: r.What, Undid: r.Undid, Way: r.Way}
	body, err := visit.DecodeBody(r.Kind, r.Body)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	if n := c.e.visit.Next(); n.Blocked != nil && slices.Equal(n.Blocked.Rows, r.Rows) {
		refusal.Return = n.Blocked.Return
	}
	h.refusalOf(c, refusal, body)
}

func (h *Handler) refusal(c *call, r *visit.Refusal, _ string) { h.refusalOf(c, r, nil) }

func (h *Handler) refusalOf(c *call, r *visit.Refusal, body visit.Body) {
	p := refusalPage{visitFrame: h.visitFrame(c, "Not yet")}
	p.Threepart = threepart(r)
	var s *method.Step
	if n := c.e.visit.Next(); n.Step != "" {
		s, _ = c.e.method().Step(n.Step)
	}
	p.Ways = h.ways(c.e, p.URL, r, s, body)
	if !p.Ended {
		switch b := body.(type) {
		case visit.Acted:
			p.InSpite = []answer{{Name: "kind", Value: string(visit.KindActed)}, {Name: "step", Value: b.Step}, {Name: "act", Value: string(b.Act)}, {Name: "in_spite", Value: "1"}}
		case visit.TookOff:
			p.InSpite = []answer{{Name: "kind", Value: string(visit.KindTookOff)}, {Name: "in_spite", Value: "1"}}
			for _, id := range b.Items {
				p.InSpite = append(p.InSpite, answer{Name: "items", Value: id})
			}
		}
	}
	page.Write(c.w, c.r, http.StatusOK, p.Page())
}

type refusalPage struct {
	visitFrame
	Threepart
}

// stale shows where things stand to whoever sent a form that was made for an older state.
func (h *Handler) stale(c *call, body visit.Body) {
	p := stalePage{visitFrame: h.visitFrame(c, "Things have moved on"), Entered: enteredWords(body)}
	story := told(c.e.visit.Account().Story)
	since, _ := c.e.after(c.given.Get("state"))
	since = slices.DeleteFunc(slices.Clone(since), func(k kept) bool { return k.kind == string(visit.KindAdvised) })
	from := max(0, len(story)-min(len(since), 5))
	for _, l := range story[from:] {
		p.Since = append(p.Since, storyLine{At: clock(l.At), Words: l.Words})
	}
	page.Write(c.w, c.r, http.StatusConflict, p.Page())
}

// enteredWords says what a form said that was not recorded, so that nothing is lost.
func enteredWords(body visit.Body) string {
	switch b := body.(type) {
	case visit.Observed:
		return showsWords(b.Shows)
	case visit.Inspected:
		return b.Answer
	case visit.Decided:
		return b.Value
	case visit.Proved:
		return modelWords(b.Kind) + ", " + showsWords(b.Shows)
	case visit.Recorded:
		var parts []string
		for _, k := range sortedKeys(b.Entries) {
			parts = append(parts, hyphenless(k)+" "+b.Entries[k])
		}
		return strings.Join(parts, ", ")
	case visit.Acted:
		return "done: " + hyphenless(string(b.Act))
	case visit.LeftOut:
		return "left out: " + b.Why
	case visit.Corrected:
		return "correction: " + b.Why
	case visit.Ended:
		return "the end: " + b.Left
	}
	return hyphenless(string(visit.KindOf(body)))
}

type stalePage struct {
	visitFrame
	Entered string
	Since   []storyLine
}

type storyLine struct {
	At, Words, Happened string
}

type awayPage struct{ visitFrame }
