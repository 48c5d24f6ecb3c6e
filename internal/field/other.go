package field

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/record"
	"meterwright/visit"
	"meterwright/walk"
)

// allPages is every page of a visit beside the step in turn, by name.
func allPages() map[string]func(*Handler, *call) {
	return map[string]func(*Handler, *call){
		"prove": (*Handler).proveOut, "take": (*Handler).takeOut, "check": (*Handler).checkOut,
		"wear": (*Handler).wear, "acts": (*Handler).acts, "leave": (*Handler).leave, "correct": (*Handler).correct,
		"photo": simple("photo"), "note": simple("note"), "dependant": simple("dependant"), "told": (*Handler).told,
		"defect": (*Handler).defect, "stop": simple("stop"), "resume": simple("resume"), "end": (*Handler).end,
		"leaving": simple("leaving"), "handover": simple("handover"), "more": (*Handler).more, "story": (*Handler).story,
		"leads": (*Handler).leads, "untested": (*Handler).untested, "supplement": simple("supplement"), "back": (*Handler).goBack,
	}
}

// kindOf reads which kind of instrument a page is about.
func (c *call) kindOf() (instrument.Model, bool) {
	return instrument.Lookup(instrument.Kind(c.query("with")))
}

func (h *Handler) outOfTurn(c *call, on, title string) (stepPage, *jobs.Job, bool) {
	j, err := h.jobOf(c.r.Context(), c.e)
	if err != nil {
		h.fail(c.w, c.r, err)
		return stepPage{}, nil, false
	}
	return stepPage{visitFrame: h.visitFrame(c, title), Phase: "Out of turn", On: on, N: 1, Of: 1}, j, true
}

func (h *Handler) proveOut(c *call) {
	m, ok := c.kindOf()
	if !ok {
		h.chooseKind(c, "prove", "Prove which instrument?")
		return
	}
	p, j, ok := h.outOfTurn(c, "prove", "Prove")
	if !ok {
		return
	}
	p.Say = "Prove the " + m.Words
	h.fillProve(c, &p, m.Kind, nil, j)
	c.write(p.Page())
}

func (h *Handler) takeOut(c *call) {
	m, ok := c.kindOf()
	if !ok {
		h.chooseKind(c, "take", "Take up which kind of instrument?")
		return
	}
	p, j, ok := h.outOfTurn(c, "take", "Take up")
	if !ok {
		return
	}
	p.Say = "Take up a " + m.Words + "."
	p.Why = "What the one before showed since it was last proved counts for nothing, unless it is proved again first."
	h.fillTakeUp(&p, m.Kind, j)
	c.write(p.Page())
}

func (h *Handler) checkOut(c *call) {
	p, j, ok := h.outOfTurn(c, "check", "Check")
	if !ok {
		return
	}
	item := c.query("item")
	words := h.protection(c.e, []string{item})
	if words == "" {
		h.fail(c.w, c.r, fmt.Errorf("this piece of protection: %w", ErrNotFound))
		return
	}
	p.Say = "Check the " + words + ": look, test, date."
	h.fillCheck(&p, item, j)
	c.write(p.Page())
}

// choicePage is a list of pages to go to.
type choicePage struct {
	visitFrame
	Head  string
	Words string
	Ways  []wayOn
}

func (h *Handler) chooseKind(c *call, on, head string) {
	p := choicePage{visitFrame: h.visitFrame(c, head), Head: head}
	used := map[instrument.Kind]bool{}
	for _, s := range c.e.method().Steps {
		if s.TakeUp != nil {
			used[instrument.Kind(s.TakeUp.With)] = true
		}
	}
	for _, m := range instrument.Models() {
		if used[m.Kind] {
			p.Ways = append(p.Ways, wayOn{Words: upperFirst(m.Words), To: p.URL + "/" + on + "?with=" + string(m.Kind)})
		}
	}
	c.write(p.Page())
}

// wear shows what is worn and what is not.
func (h *Handler) wear(c *call) {
	p := choicePage{visitFrame: h.visitFrame(c, "Protection"), Head: "Protection", Words: "Taking something off is refused while conductors are within reach that are not proved dead."}
	worn := c.e.visit.Worn()
	for _, x := range c.e.method().Protection {
		if slices.Contains(worn, x.ID) {
			p.Ways = append(p.Ways, wayOn{Words: "Take off: " + x.Words, Form: []answer{{Name: "kind", Value: string(visit.KindTookOff)}, {Name: "items", Value: x.ID}}})
			continue
		}
		p.Ways = append(p.Ways, wayOn{Words: "Put on: " + x.Words, Form: []answer{{Name: "kind", Value: string(visit.KindPutOn)}, {Name: "items", Value: x.ID}}})
		if x.Checked {
			p.Ways = append(p.Ways, wayOn{Words: "Check: " + x.Words, To: p.URL + "/check?item=" + url.QueryEscape(x.ID)})
		}
	}
	c.write(p.Page())
}

// acts lists the acts that make safe, which are open out of turn.
func (h *Handler) acts(c *call) {
	p := choicePage{visitFrame: h.visitFrame(c, "Acts that make safe"), Head: "Acts that make safe", Words: "These are open at any point, with the protection that they need."}
	for _, ms := range c.e.method().MakeSafe {
		for _, a := range c.e.method().Acts {
			if string(a.ID) == ms.Act {
				words := upperFirst(a.Words)
				if len(ms.Protect) > 0 {
					words += " (" + h.protection(c.e, ms.Protect) + ")"
				}
				p.Ways = append(p.Ways, wayOn{Words: words, Form: []answer{{Name: "kind", Value: string(visit.KindActed)}, {Name: "act", Value: ms.Act}}})
			}
		}
	}
	c.write(p.Page())
}

// leavePage says that a step is left out.
type leavePage struct {
	visitFrame
	Step, Say, Why, How string
}

func (h *Handler) leave(c *call) {
	n := c.e.visit.Next()
	p := leavePage{visitFrame: h.visitFrame(c, "Leave out"), Step: n.Step, Say: n.Say, Why: c.entered("why"), How: c.entered("how")}
	c.write(p.Page())
}

// correctPage lists what was entered, latest first, or asks for one correction.
type correctPage struct {
	visitFrame
	List  []correctLine
	Event string
	Was   string
	// What is offered instead.
	Answers []answer
	Number  *numberEntry
	Fields  []fieldEntry
	Why     string
}

type correctLine struct{ At, Words, Event string }

func (h *Handler) correct(c *call) {
	e := c.e
	p := correctPage{visitFrame: h.visitFrame(c, "Correct"), Event: c.query("event"), Why: c.entered("why")}
	if p.Event == "" {
		story := e.visit.Account().Story
		for i := len(story) - 1; i >= 0; i-- {
			switch l := story[i]; l.Kind {
			case visit.KindTookUp, visit.KindChecked, visit.KindProved, visit.KindObserved, visit.KindInspected, visit.KindDecided, visit.KindRecorded:
				p.List = append(p.List, correctLine{clock(l.At), l.Words, l.Event})
			}
		}
		c.write(p.Page())
		return
	}
	body, ok := e.body(p.Event)
	if !ok {
		h.fail(c.w, c.r, ErrNotFound)
		return
	}
	for _, l := range e.visit.Account().Story {
		if l.Event == p.Event {
			p.Was = clock(l.At) + " " + l.Words
		}
	}
	switch b := body.(type) {
	case visit.Observed:
		if s, _ := e.method().Step(b.Step); s != nil && s.Observe != nil {
			h.correctShown(c, &p, instrument.Kind(s.Observe.With))
			if p.Number != nil && s.Observe.Bounds != nil {
				p.Number.Unit = s.Observe.Bounds.Unit
			}
		}
	case visit.Proved:
		h.correctShown(c, &p, b.Kind)
	case visit.Inspected:
		if s, _ := e.method().Step(b.Step); s != nil && s.Inspect != nil {
			for _, a := range s.Inspect.Answers {
				p.Answers = append(p.Answers, answer{"now", a, upperFirst(a)})
			}
		}
	case visit.Decided:
		if s, _ := e.method().Step(b.Step); s != nil && s.Decide != nil {
			for _, f := range e.method().Facts {
				if f.ID == s.Decide.Fact {
					for _, v := range f.Values {
						p.Answers = append(p.Answers, answer{"now", v, upperFirst(v)})
					}
				}
			}
		}
	case visit.Checked:
		p.Answers = []answer{{"now", "sound", "Sound"}, {"now", "failed", "Failed"}}
	case visit.Recorded:
		if s, _ := e.method().Step(b.Step); s != nil && s.Record != nil {
			for _, f := range s.Record.Fields {
				if f.Type != "photograph" {
					f.Optional = true
					p.Fields = append(p.Fields, fieldEntry{Field: f, Value: c.entered("f." + f.ID)})
				}
			}
		}
	}
	c.write(p.Page())
}

func (h *Handler) correctShown(c *call, p *correctPage, kind instrument.Kind) {
	list, number := showAnswers(kind)
	for _, a := range list {
		p.Answers = append(p.Answers, answer{"now", a.Value, a.Words})
	}
	if number {
		m, _ := instrument.Lookup(kind)
		p.Number = &numberEntry{Name: "number", Unit: m.Unit, Value: c.entered("number")}
	}
}

// body returns the body of an event of the visit.
func (e *entry) body(hash string) (visit.Body, bool) {
	for _, k := range e.events {
		if k.hash == hash {
			b, err := visit.DecodeBody(visit.Kind(k.kind), k.body)
			return b, err == nil
		}
	}
	return nil, false
}

// simplePage is a page with one short form.
type simplePage struct {
	visitFrame
	Which string
	Given url.Values
	// Stop is the title of the stop in force, for the page that resumes.
	Stop string
	// Others are who may take the visit over.
	Others []*Hand
}

func simple(which string) func(*Handler, *call) {
	return func(h *Handler, c *call) {
		p := simplePage{visitFrame: h.visitFrame(c, simpleTitles[which]), Which: which, Given: c.given}
		if id := c.e.visit.Stop(); id != "" {
			p.Stop = stopTitle(c.e, id)
		}
		for _, o := range h.opts.Hands {
			if o != c.hand {
				p.Others = append(p.Others, o)
			}
		}
		c.write(p.Page())
	}
}

var simpleTitles = map[string]string{
	"photo": "Photograph", "note": "Note", "dependant": "Depends on the supply", "stop": "Stop", "resume": "Go on",
	"leaving": "Leave", "handover": "Hand over", "supplement": "Add afterwards",
}

// toldPage records who was told.
type toldPage struct {
	visitFrame
	Given url.Values
	Stop  bool
}

func (h *Handler) told(c *call) {
	p := toldPage{visitFrame: h.visitFrame(c, "Who was told"), Given: c.given, Stop: c.e.visit.Stop() != ""}
	c.write(p.Page())
}

// defectPage records something wrong, for its owner.
type defectPage struct {
	visitFrame
	Given      url.Values
	Categories []answer
}

func (h *Handler) defect(c *call) {
	p := defectPage{visitFrame: h.visitFrame(c, "Defect"), Given: c.given}
	for _, cat := range h.opts.Pack.Categories() {
		p.Categories = append(p.Categories, answer{"category", cat.Scheme + "/" + cat.Code, upperFirst(cat.String())})
	}
	c.write(p.Page())
}

// endPage ends the visit.
type endPage struct {
	visitFrame
	Given url.Values
	// Open lists what is not as it was at the beginning.
	Open     []string
	Outcomes []answer
	Left     int
	Guard    bool
}

var outcomeWords = map[visit.Outcome]string{
	visit.Completed: "Completed: everything in the method was carried out", visit.StoppedDanger: "Danger was found and reported",
	visit.CannotComplete: "The work waits for somebody else", visit.NoAccess: "Nobody there, or no way in",
	visit.NotAgreed: "The interruption was not agreed, or somebody depends on the supply", visit.Abandoned: "Ended at your decision",
}

func (h *Handler) end(c *call) {
	p := endPage{visitFrame: h.visitFrame(c, "End the visit"), Given: c.given}
	for _, o := range visit.Outcomes() {
		p.Outcomes = append(p.Outcomes, answer{"outcome", o.String(), outcomeWords[o]})
	}
	p.Open = openState(c.e)
	p.Left = len(remaining(c.e))
	p.Guard = c.e.visit.Stop() != ""
	c.write(p.Page())
}

// openState lists the switches that do not stand as they did at the beginning.
func openState(e *entry) []string {
	var open []string
	now := e.visit.Switches()
	for _, w := range e.method().Switches {
		if is := now[string(w.ID)]; is != string(w.Home) {
			open = append(open, upperFirst(w.Words)+": "+is)
		}
	}
	return open
}

// morePage leads to everything beside the step in turn.
type morePage struct {
	visitFrame
	Groups []group
}

type group struct {
	Head string
	Ways []wayOn
}

func (h *Handler) more(c *call) {
	p := morePage{visitFrame: h.visitFrame(c, "More")}
	u := p.URL
	p.Groups = []group{
		{"Look", []wayOn{{Words: "The story so far", To: u + "/story"}, {Words: "Not tested, not done", To: u + "/untested"}}},
		{"Record", []wayOn{{Words: "Photograph", To: u + "/photo"}, {Words: "Defect", To: u + "/defect"}, {Words: "Who was told", To: u + "/told"},
			{Words: "Somebody depends on the supply", To: u + "/dependant"}, {Words: "Note", To: u + "/note"}}},
		{"Work", []wayOn{{Words: "Prove an instrument", To: u + "/prove"}, {Words: "Take up another instrument", To: u + "/take"},
			{Words: "Protection on or off", To: u + "/wear"}, {Words: "Acts that make safe", To: u + "/acts"}, {Words: "Go back to a step", To: u + "/back"}}},
		{"Leave", []wayOn{{Words: "Leave the service position", To: u + "/leaving"}, {Words: "Hand over to somebody", To: u + "/handover"}, {Words: "End the visit", To: u + "/end"}}},
	}
	if len(c.e.visit.Account().Advice) > 0 {
		p.Groups[0].Ways = append(p.Groups[0].Ways, wayOn{Words: "Leads", To: u + "/leads"})
	}
	c.write(p.Page())
}

// goBack lists the steps that came before, for going back to one.
func (h *Handler) goBack(c *call) {
	p := choicePage{visitFrame: h.visitFrame(c, "Go back"), Head: "Go back to which step?", Words: "Every step from there on is carried out again."}
	facts := c.e.visit.Facts()
	_, at := c.e.method().Step(c.e.visit.Position())
	if at < 0 {
		at = len(c.e.method().Steps)
	}
	for i, s := range walk.Steps(c.e.method(), facts) {
		if i < at {
			p.Ways = append(p.Ways, wayOn{Words: strings.TrimSuffix(s.Say, "."), Form: []answer{{Name: "kind", Value: string(visit.KindReturned)}, {Name: "step", Value: s.ID}}})
		}
	}
	slices.Reverse(p.Ways)
	c.write(p.Page())
}

// otherPage says that the visit is in another person's hands.
type otherPage struct {
	visitFrame
	Who, Last string
}

func (h *Handler) otherHand(c *call) {
	p := otherPage{visitFrame: h.visitFrame(c, "In other hands"), Who: h.whoHolds(c.e)}
	if l := c.e.visit.Account().Last; !l.IsZero() {
		p.Last = clock(l)
	}
	c.write(p.Page())
}

func (h *Handler) whoHolds(e *entry) string {
	for _, o := range h.opts.Hands {
		if k, err := record.KeyOf(o.Signer.Public()); err == nil && k == e.last {
			return o.Name
		}
	}
	for i := len(e.events) - 1; i >= 0; i-- {
		if e.events[i].key == e.last {
			return e.events[i].person
		}
	}
	return "another device"
}

// finish is shown when no step is left: the visit waits for its end.
func (h *Handler) finish(c *call) {
	e := c.e
	p := finishPage{visitFrame: h.visitFrame(c, "Every step carried out"), Untested: h.untestedLines(e)}
	c.write(p.Page())
}

type finishPage struct {
	visitFrame
	Untested []untestedLine
}

type untestedLine struct{ How, Say, Why string }

// untestedLines lists what was left out, in the words of the record.
func (h *Handler) untestedLines(e *entry) []untestedLine {
	var lines []untestedLine
	for _, l := range e.visit.Account().LeftOut {
		lines = append(lines, untestedLine{upperFirst(hyphenless(l.How)), l.Say, l.Why})
	}
	return lines
}

// remaining lists the steps from the one in turn on, as far as facts are known.
func remaining(e *entry) []untestedLine {
	var lines []untestedLine
	for _, s := range walk.Remaining(e.visit) {
		lines = append(lines, untestedLine{phaseWords(e.method(), s.Phase), s.Say, ""})
	}
	return lines
}

// remainingByPhase counts the steps that are left in each phase, and the tests among them.
func remainingByPhase(e *entry) []untestedLine {
	var lines []untestedLine
	left := walk.Remaining(e.visit)
	for _, ph := range e.method().Phases {
		steps, tests := 0, 0
		for _, s := range left {
			if s.Phase == ph.ID {
				steps++
				if s.Observe != nil {
					tests++
				}
			}
		}
		if steps > 0 {
			lines = append(lines, untestedLine{ph.Words, count(steps, "step") + ", " + count(tests, "test") + " among them", ""})
		}
	}
	return lines
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

type untestedPage struct {
	visitFrame
	Left      []untestedLine
	Phases    []untestedLine
	Remaining []untestedLine
}

func (h *Handler) untested(c *call) {
	p := untestedPage{visitFrame: h.visitFrame(c, "Not tested"), Left: h.untestedLines(c.e), Phases: remainingByPhase(c.e), Remaining: remaining(c.e)}
	c.write(p.Page())
}

// storyPage tells the story so far, with the brackets and the photographs.
type storyPage struct {
	visitFrame
	Lines    []storyLine
	Rails    []railView
	Proofs   []proofLine
	Pictures []pictureView
}

type proofLine struct{ Words, State, Undone string }

type pictureView struct{ ID, Words string }

func (h *Handler) story(c *call) {
	p := storyPage{visitFrame: h.visitFrame(c, "Story")}
	a := c.e.visit.Account()
	for _, l := range told(a.Story) {
		line := storyLine{At: clock(l.At), Words: l.Words}
		if len(l.Happened) >= 16 {
			line.Happened = l.Happened[11:16]
		}
		p.Lines = append(p.Lines, line)
	}
	for i := range a.Brackets {
		r := bracketView(c.e, i, 0)
		if len(r.Lines) > 0 || r.State != "closed" {
			if why := a.Brackets[i].Why; why != "" {
				r.Label += ": " + why
			}
			p.Rails = append(p.Rails, r)
		}
	}
	for _, l := range a.Proofs {
		state := l.State
		if !l.Since.IsZero() {
			state = "holds since " + clock(l.Since)
		}
		undone := ""
		if n := len(l.Undone); n > 0 && l.Since.IsZero() {
			undone = l.Undone[n-1].Why
		}
		p.Proofs = append(p.Proofs, proofLine{upperFirst(l.Words), state, undone})
	}
	for _, x := range a.Photographs {
		p.Pictures = append(p.Pictures, pictureView{x.ID, x.Of})
	}
	for _, l := range a.Entries {
		for _, k := range sortedKeys(l.Photographs) {
			p.Pictures = append(p.Pictures, pictureView{l.Photographs[k].ID, hyphenless(k)})
		}
	}
	c.write(p.Page())
}
