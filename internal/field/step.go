package field

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/a-h/templ"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/replay"
	"meterwright/say"
	"meterwright/visit"
)

// stepPage is one step on the screen of its phase: the one in turn, or one that is made out of turn. Above
// stands the position, the sentence and the run; below, always in one place, what can be answered.
type stepPage struct {
	visitFrame
	ID string
	// Ask is the sentence of the step.
	Ask  string
	Why  string
	Run  runView
	Draw templ.Component
	// Limit is what a number is judged against.
	Limit *limitView
	// Way shows how far the phases have come.
	Way wayView
	// Seen says that the page is shown although the step is barred, for what was seen all
	// the same.
	Seen    bool
	PhaseID string

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
	Rests   []restLine
	// Again says that a reading is asked for once more, since no instrument could show it there.
	Again string
	// Judged is what earlier readings say of those that were just entered.
	Judged []judgedView
	Done   string
	// Means is what the readings so far may mean, where no answer is to be given.
	Means meansView
	// Ways is what can be done instead of an answer, after a proving that failed.
	Ways []wayOn
}

// limitView is a limit with its mark; its source stands in the story and the report.
type limitView struct{ Words, Range, Mark string }

// toolChoice is one instrument or piece of protection of the kit. Past says that its date has passed; the
// engine says what follows.
type toolChoice struct {
	ID, Words string
	Past      bool
}

type sourceChoice struct {
	Kind, Words string
	Chosen      bool
}

// fieldEntry is one field of a step that records. Known is what the program knows itself, so that nobody is
// asked for it.
type fieldEntry struct {
	ID, Type, Label, Value, Last, Unit, Known string
	Choices                                   []answer
}

// digits reports whether the field is typed on the page's own keys.
func (e fieldEntry) digits() bool {
	return e.Known == "" && (e.Type == "number" || e.Type == "reading")
}

type restLine struct{ Words, State string }

// judgedView is what the earlier readings say of a final one that was just entered.
type judgedView struct {
	Words string
	// Correct leads to the correction of one that does not fit.
	Correct string
}

// wayView shows a phase among the others.
type wayView struct {
	Words string
	Cells []replay.Standing
}

func (f *casefile) way(phase string) wayView {
	v := wayView{Cells: f.Phases()}
	for i, ph := range f.method().Phases {
		if ph.ID == phase {
			v.Words = f.words.Say("field.step.place", "phase", ph.Words, "n", i+1, "of", len(v.Cells))
		}
	}
	return v
}

// step shows the step in turn.
func (h *Handler) step(c *call, n visit.Next) {
	f, m := c.file, c.file.method()
	s, _ := m.Step(n.Step)
	j, err := h.jobOf(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	ph := m.Phase(s.Phase)
	p := stepPage{visitFrame: h.held(c, "field.step.title", "phase", ph.Words), PhaseID: ph.ID, ID: s.ID, Ask: s.Say, Why: s.Why, Way: f.way(ph.ID), Seen: n.Blocked != nil}
	if s.Record == nil {
		p.Run = f.run(s)
	}
	proofs := f.Visit.Account().Proofs
	for i := range proofs {
		if slices.Contains(s.Needs, proofs[i].ID) {
			p.Rests = append(p.Rests, restLine{p.Say("field.capital", "words", f.words.Proof(proofs[i].ID)), f.words.ProofState(&proofs[i])})
		}
	}
	h.fill(c, &p, s, j)
	if words, kind := f.failed(s); words != "" && c.query("again") == "" && c.problem == "" {
		// A second proving failed: what it undoes is said before anything else is asked.
		p.Ask, p.Run.Void, p.Why, p.Sources = words, "", "", nil
		p.Ways = []wayOn{{Words: p.Say("field.run.once-more"), To: p.URL + "?again=1"}, {Words: p.Say("field.way.take-another", "kind", f.words.Kind(kind)), To: p.URL + "/take?with=" + url.QueryEscape(string(kind))}}
	}
	if b := f.undoneBehind(); b != nil && len(p.Ways) == 0 && c.query("again") == "" && c.problem == "" {
		var lacks []string
		for _, l := range b.Lacks {
			lacks = append(lacks, f.words.Reason(l))
		}
		p.Ask, p.Run.Void, p.Why, p.Sources, p.Rests = lacks[0], "", strings.Join(lacks[1:], " "), nil, nil
		p.Ways = append(f.ways(p.URL, b), wayOn{Words: p.Say("field.step.behind.on"), To: p.URL + "?again=1"})
	}
	p.Judged = append(h.judged(f, j), f.findings()...)
	if r := f.askedAgain(s); r != nil {
		p.Again = p.Say("field.step.again", "shows", f.words.Shows(r.Shows))
	}
	p.Means = f.meansBeside(s, p.URL)
	c.write(p.Page())
}

// undoneBehind is what came to nothing behind the step in turn, right after the work went on from a stop, and after
// each proving.
func (f *casefile) undoneBehind() *visit.Refusal {
	body, _ := f.Visit.Account().Body(f.told())
	switch body.(type) {
	case visit.Resumed, visit.Proved:
		return f.Visit.Behind()
	}
	return nil
}

// askedAgain is the reading that was just entered at a step and is asked for once more, or nil.
func (f *casefile) askedAgain(s *method.Step) *visit.Reading {
	list := f.Visit.Account().Readings
	if n := len(list); n > 0 && list[n-1].Step == s.ID && list[n-1].Judged.Again && list[n-1].Event == f.told() {
		return &list[n-1]
	}
	return nil
}

// judged judges the registers that the last line recorded, if it did, against earlier readings.
// What comes of it is told and decides nothing.
func (h *Handler) judged(f *casefile, j *jobs.Job) []judgedView {
	last := f.told()
	body, _ := f.Visit.Account().Body(last)
	b, _ := body.(visit.Recorded)
	var out []judgedView
	for i := range j.Registers {
		r := &j.Registers[i]
		v, err := measure.ParseDecimal(b.Entries[r.Entry])
		if err != nil {
			continue
		}
		found, err := r.Judge(h.opts.Pack.Plausible, v.String(), h.opts.Clock.Now())
		if err != nil {
			h.opts.Failed(err)
			continue
		}
		name := r.Entry
		if field := f.method().Field(b.Step, r.Entry); field != nil {
			name = field.Words
		}
		view := judgedView{Words: f.words.Say("field.step.judged", "field", name, "reading", v.String(), "finding", f.words.Register(&found))}
		if found.Plausibility != metering.Plausible {
			view.Correct = last
		}
		out = append(out, view)
	}
	return out
}

// findings says what about the last line does not fit the rest of the visit.
func (f *casefile) findings() []judgedView {
	var out []judgedView
	last := f.told()
	for _, x := range f.Case.Findings() {
		if x.Event != last {
			continue
		}
		view := judgedView{Words: f.words.Say("field.step.finding", "words", f.words.Finding(&x))}
		if x.Code != replay.FindAgain {
			view.Correct = last
		}
		out = append(out, view)
	}
	return out
}

// fill gives the page what the kind of step asks for.
func (h *Handler) fill(c *call, p *stepPage, s *method.Step, j *jobs.Job) {
	f := c.file
	p.Hidden = []answer{{Name: "step", Value: s.ID}}
	items := func(list []string) {
		p.Hidden = nil
		for _, id := range list {
			p.Hidden = append(p.Hidden, answer{Name: "items", Value: id})
		}
	}
	switch {
	case s.TakeUp != nil:
		h.fillTakeUp(p, f.notTakenUp(s.TakeUp), j)
	case s.Check != nil:
		h.fillCheck(p, s.Check.Item, j)
	case len(s.PutOn) > 0:
		p.Kind, p.Done = visit.KindPutOn, p.Say("field.step.put-on", "items", f.words.Items(s.PutOn))
		items(s.PutOn)
	case len(s.TakeOff) > 0:
		p.Kind, p.Done = visit.KindTookOff, p.Say("field.step.take-off", "items", f.words.Items(s.TakeOff))
		items(s.TakeOff)
	case s.Prove != nil:
		h.fillProve(c, p, instrument.Kind(s.Prove.With), s.Prove.On, j)
	case s.Observe != nil:
		h.fillObserve(c, p, s.Observe)
	case s.Inspect != nil:
		p.Kind = visit.KindInspected
		p.Answers = f.choices("answer", s.Inspect.Answers)
	case s.Decide != nil:
		p.Kind = visit.KindDecided
		if fact := f.method().Fact(s.Decide.Fact); fact != nil {
			p.Answers = f.choices("value", fact.Values)
		}
	case s.Record != nil:
		p.Kind = visit.KindRecorded
		for i := range s.Record.Fields {
			p.Fields = append(p.Fields, entryOf(c, &s.Record.Fields[i], j))
		}
	case s.Act != "":
		p.Kind, p.Done = visit.KindActed, p.Say("field.step.done")
		p.Hidden = append(p.Hidden, answer{Name: "act", Value: s.Act})
	}
	if len(p.Fields) == 0 && len(p.Tools) == 0 {
		p.Draw = f.drawn(s)
	}
}

// choices are answers in the method's own words.
func (f *casefile) choices(name string, values []string) []answer {
	var list []answer
	for _, v := range values {
		list = append(list, answer{name, v, f.words.Say("field.capital", "words", f.words.Answer(v))})
	}
	return list
}

func (h *Handler) fillObserve(c *call, p *stepPage, o *method.Observe) {
	kind := instrument.Kind(o.With)
	p.Kind = visit.KindObserved
	if o.Bounds != nil {
		p.Limit = &limitView{p.Say("field.capital", "words", o.Bounds.Words), p.lang.Limit(o.Bounds), o.Bounds.Mark}
	}
	expect := instrument.Shows(o.Expect)
	p.fillShows(c, kind, o.Bounds, expect == "" || expect == instrument.Value || expect == instrument.Over)
}

// fillShows asks what the instrument shows: a number where it can show one and one is wanted.
func (p *stepPage) fillShows(c *call, kind instrument.Kind, bounds *method.Bounds, wanted bool) {
	var number bool
	p.Answers, number = showAnswers(p.lang, "shows", kind)
	p.Detail = kind == instrument.SocketTester
	if number && wanted {
		p.Number = numberFor(c, kind, bounds)
		p.Answers = slices.DeleteFunc(p.Answers, func(a answer) bool { return a.Value != string(instrument.Over) })
	}
}

func numberFor(c *call, kind instrument.Kind, bounds *method.Bounds) *numberEntry {
	m, _ := instrument.Lookup(kind)
	n := &numberEntry{Unit: m.Unit, Value: c.entered("number")}
	if bounds != nil {
		n.Unit = bounds.Unit
	}
	return n
}

// entryOf is one field of a step that records.
func entryOf(c *call, field *method.Field, j *jobs.Job) fieldEntry {
	key, f := "field.entry.label", c.file.words
	switch {
	case field.Type == "photograph":
		key = "field.entry.photograph"
	case field.Unit != "":
		key = "field.entry.unit"
	}
	e := fieldEntry{ID: field.ID, Type: field.Type, Value: c.entered("f." + field.ID), Unit: measure.Unit(field.Unit).String(), Known: c.file.known(field, j)}
	for _, ch := range field.Choices {
		e.Choices = append(e.Choices, answer{"f." + field.ID, ch, f.Method().Display(method.Choices, ch)})
	}
	e.Label = f.Say(key, "field", field.Words, "unit", e.Unit)
	if field.Optional {
		e.Label = f.Say("field.entry.optional", "label", e.Label)
	}
	for _, r := range j.Registers {
		if n := len(r.Earlier); r.Entry == field.ID && n > 0 {
			e.Last = f.Say("field.entry.last", "reading", r.Earlier[n-1].Reading, "day", r.Earlier[n-1].On)
		}
	}
	return e
}

// known is what the program knows of an entry from the job and the events, or nothing.
func (f *casefile) known(field *method.Field, j *jobs.Job) string {
	supply := f.Visit.Account().Supply
	switch {
	case field.Optional:
	case field.Role == method.OldMeter:
		return j.Meter
	case field.Role == method.OffTime && len(supply) > 0:
		return say.Clock(supply[0].Off)
	case field.Role == method.OnTime && len(supply) > 0 && !supply[len(supply)-1].On.IsZero():
		return say.Clock(supply[len(supply)-1].On)
	}
	return ""
}

func (h *Handler) today() string { return h.opts.Clock.Now().Format(time.DateOnly) }

// dated says until when something of the kit is in date.
func (h *Handler) dated(f frame, key, due string) (words string, past bool) {
	past = due != "" && due < h.today()
	switch {
	case past:
		return f.Say(key+".past", "due", due), true
	case due != "":
		return f.Say(key, "due", due), false
	}
	return "", false
}

// notTakenUp is the first kind of a step that is not yet in hand, or the last.
func (f *casefile) notTakenUp(t *method.TakeUp) instrument.Kind {
	kinds := t.Kinds()
	for _, k := range kinds {
		if !slices.ContainsFunc(f.Visit.Account().Instruments, func(i visit.Instrument) bool { return string(i.Kind) == k }) {
			return instrument.Kind(k)
		}
	}
	return instrument.Kind(kinds[len(kinds)-1])
}

func (h *Handler) fillTakeUp(p *stepPage, kind instrument.Kind, j *jobs.Job) {
	p.Kind, p.Hidden = visit.KindTookUp, []answer{{Name: "with", Value: string(kind)}}
	for _, t := range j.Kit.Instruments {
		if t.Kind != kind {
			continue
		}
		choice := toolChoice{ID: t.ID}
		choice.Words, choice.Past = h.dated(p.frame, "field.kit.calibration", t.Due)
		if t.Leads != "" {
			choice.Words = p.Say("field.kit.leads", "words", choice.Words, "leads", t.Leads)
		}
		p.Tools = append(p.Tools, choice)
	}
}

func (h *Handler) fillCheck(p *stepPage, item string, j *jobs.Job) {
	p.Kind, p.Hidden = visit.KindChecked, []answer{{Name: "item", Value: item}}
	for _, w := range j.Kit.Protection {
		if w.Item == item {
			choice := toolChoice{ID: w.ID}
			choice.Words, choice.Past = h.dated(p.frame, "field.kit.test", w.Due)
			p.Tools = append(p.Tools, choice)
		}
	}
	p.Answers = soundOrFailed(p.frame, "found")
}

func soundOrFailed(f frame, name string) []answer {
	return []answer{{name, "sound", f.Say("field.check.sound")}, {name, "failed", f.Say("field.check.failed")}}
}

func (h *Handler) fillProve(c *call, p *stepPage, kind instrument.Kind, on []string, j *jobs.Job) {
	p.Kind, p.Ask = visit.KindProved, p.Say("field.prove.ask", "prove", p.Ask)
	id := c.file.inHand(kind)
	p.Hidden = []answer{{Name: "with", Value: string(kind)}, {Name: "id", Value: id}}
	m, _ := instrument.Lookup(kind)
	t, _ := j.Kit.Tool(kind, id)
	chosen := cmp.Or(c.query("source"), string(t.ProvedOn.Kind))
	for _, src := range m.ProvedOn {
		if len(on) > 0 && !slices.Contains(on, string(src)) {
			continue
		}
		words := visit.ProvingSource{Kind: src}
		if t.ProvedOn.Kind == src {
			words.ID = t.ProvedOn.ID
		}
		p.Sources = append(p.Sources, sourceChoice{Kind: string(src), Words: p.lang.SourceOf(words), Chosen: string(src) == chosen})
	}
	if len(p.Sources) == 1 {
		p.Sources[0].Chosen = true
	}
	p.fillShows(c, kind, nil, slices.Contains(m.Good, instrument.Value))
	if t.ProvedOn.Nominal != "" && chosen == string(t.ProvedOn.Kind) && p.Number != nil {
		p.Limit = &limitView{Words: p.Say("field.prove.nominal"), Range: t.ProvedOn.Nominal}
	}
}

// enctype is how a form with these fields is sent.
func enctype(fields []fieldEntry) string {
	if slices.ContainsFunc(fields, func(f fieldEntry) bool { return f.Type == "photograph" }) {
		return "multipart/form-data"
	}
	return "application/x-www-form-urlencoded"
}

// onSource says which source is meant.
func (p stepPage) onSource() string {
	for _, s := range p.Sources {
		if s.Chosen {
			return p.Say("field.prove.on", "source", s.Words)
		}
	}
	return p.Say("field.prove.on-which")
}

// sourceURL is the page of the same proving on another source.
func (p stepPage) sourceURL(kind string) string {
	q := url.Values{"source": {kind}}
	if p.ID == "" {
		q.Set("with", p.Hidden[0].Value)
		return p.URL + "/prove?" + q.Encode()
	}
	if p.Seen {
		q.Set("seen", "1")
	}
	return p.URL + "?" + q.Encode()
}

// typed reports whether the step records numbers, which are typed on the page's own keys.
func (p stepPage) typed() bool { return slices.ContainsFunc(p.Fields, fieldEntry.digits) }
