package field_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"meterwright/instrument"
	"meterwright/internal/devicekey"
	"meterwright/internal/field"
	"meterwright/internal/jobs"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/say/en"
	"meterwright/site"
	"meterwright/visit"
)

// desk is a journal in memory.
type desk struct {
	mu  sync.Mutex
	job jobs.Job
	// method is that of the job, where it is not the shipped one.
	method *method.Resolved
	lines  map[string][][]byte
	order  []string
	things map[record.AttachmentID][]byte
	// broken makes Append fail before (1) or after (2) it keeps the lines, or for want of room (3).
	broken int
}

func (d *desk) Jobs(_ context.Context, w field.Wanted) ([]jobs.Job, int, error) {
	if d.job.Day() != w.Day || w.Others || w.From > 0 {
		return nil, 0, nil
	}
	return []jobs.Job{d.job}, 1, nil
}

func (d *desk) Running(context.Context, string, record.Key) ([]string, error) {
	return slices.Clone(d.order), nil
}

func (d *desk) Job(_ context.Context, ref string) (*jobs.Job, error) {
	if ref != d.job.Reference {
		return nil, field.ErrNotFound
	}
	return &d.job, nil
}

func (d *desk) Method(context.Context, *jobs.Job) (*method.Resolved, error) {
	if d.method != nil {
		return d.method, nil
	}
	return shipped()
}

func (d *desk) Visits(context.Context, string) ([]string, error) { return slices.Clone(d.order), nil }

func (d *desk) Lines(_ context.Context, visit string, n int) ([][]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.lines[visit][min(n, len(d.lines[visit])):]), nil
}

func (d *desk) Append(_ context.Context, visit, _ string, lines []record.Signed) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch d.broken {
	case 1:
		return fmt.Errorf("the disk is broken")
	case 3:
		return fmt.Errorf("keep it: %w", field.ErrFull)
	}
	if d.lines[visit] == nil {
		d.order = append(d.order, visit)
	}
	for _, l := range lines {
		d.lines[visit] = append(d.lines[visit], l.Line())
	}
	if d.broken == 2 {
		return fmt.Errorf("the answer of the disk was lost")
	}
	return nil
}

func (d *desk) PutAttachment(_ context.Context, container []byte) error {
	a, err := record.ParseContainer(container)
	if err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.things[a.ID()] = container
	return nil
}

func (d *desk) Attachment(_ context.Context, id record.AttachmentID) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if b, ok := d.things[id]; ok {
		return b, nil
	}
	return nil, field.ErrNotFound
}

// watch is a clock that stands until it is moved.
type watch struct {
	now  time.Time
	mono int64
	boot string
}

func (w *watch) Now() time.Time { return w.now }
func (w *watch) Mono() int64    { return w.mono }
func (w *watch) Boot() string   { return w.boot }

func (w *watch) pass(d time.Duration) { w.now = w.now.Add(d); w.mono += d.Milliseconds() }

// bench is a handler over a desk, with one visit begun.
type bench struct {
	t       rapid.TB
	desk    *desk
	clock   *watch
	handler *field.Handler
	reader  replay.Reader
	key     record.Key
	id      string
}

const who = "op-9"

// english is the language of the pages in tests that look at words.
func english() *say.Language {
	l, err := en.Language()
	if err != nil {
		panic(err)
	}
	return l
}

// machine resolves the shipped method once.
var shipped = sync.OnceValues(func() (*method.Resolved, error) {
	shelf, err := written.Library()
	if err != nil {
		return nil, err
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		return nil, err
	}
	d, err := shelf.Method("gb-single-phase-exchange")
	if err != nil {
		return nil, err
	}
	return method.Resolve(d, nil, method.Job{Site: site.Spec{Arrangement: site.TNCS}}, limits)
})

func newBench(t rapid.TB, with ...func(*field.Options)) *bench {
	t.Helper()
	b := &bench{t: t, clock: &watch{now: time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC), boot: "boot-1"}, id: "019ab3f0-5c00-7a10-8b20-0123456789ab"}
	job := jobs.Job{Reference: "J-1", Fictional: true, Address: "1 Test Street, Northmere", MeterPoint: "99 0000 0089 193", Meter: "M-1"}
	for _, m := range instrument.Models() {
		due := "2027-01-01"
		if m.Kind == instrument.Clamp {
			due = "2026-01-01"
		}
		job.Kit.Instruments = append(job.Kit.Instruments, jobs.Tool{Kind: m.Kind, ID: string(m.Kind) + "-1", Due: due, ProvedOn: jobs.Source{Kind: m.ProvedOn[0]}})
	}
	b.desk = &desk{job: job, lines: map[string][][]byte{}, things: map[record.AttachmentID][]byte{}}
	b.key = keyOf("one")
	hand := &field.Hand{ID: who, Name: "Test", Signer: devicekey.Demonstration("field-test", "one")}
	opts := field.Options{Base: "/field", Journal: b.desk, Clock: b.clock, Hands: []*field.Hand{hand}, Secret: make([]byte, 32), Engine: "test", Pack: rules.GB(), Language: english(), Failed: func(error) {}}
	for _, f := range with {
		f(&opts)
	}
	b.handler = field.New(opts)
	if code := b.post("/field/op-9/jobs/J-1/open", url.Values{"visit": {b.id}}).Code; code != http.StatusSeeOther {
		t.Fatalf("the visit was not opened: %d", code)
	}
	return b
}

func keyOf(device string) record.Key {
	k, err := record.KeyOf(devicekey.Demonstration("field-test", device).Public())
	if err != nil {
		panic(err)
	}
	return k
}

func (b *bench) post(path string, values url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "http://127.0.0.1"+path, strings.NewReader(values.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	b.handler.ServeHTTP(w, r)
	return w
}

func (b *bench) get(path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	b.handler.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1"+path, nil))
	return w
}

func (b *bench) do(values url.Values) *httptest.ResponseRecorder {
	return b.post("/field/op-9/visits/"+b.id+"/do", values)
}

// course is the lines of a whole visit as the method expects it, made by forms.
var course = sync.OnceValue(func() [][]byte {
	b := newBench(panicker{})
	for {
		v, head := b.fold()
		if v.Position() == "" {
			return b.desk.lines[b.id]
		}
		b.clock.pass(time.Second)
		form := expected(v)
		form.Set("state", head)
		if w := b.do(form); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
			panic(fmt.Sprintf("%s: %d %s", v.Position(), w.Code, w.Header().Get("Location")))
		}
	}
})

// panicker is for what is made once for all tests.
type panicker struct{ rapid.TB }

func (panicker) Helper()                      {}
func (panicker) Fatal(args ...any)            { panic(fmt.Sprint(args...)) }
func (panicker) Fatalf(f string, args ...any) { panic(fmt.Sprintf(f, args...)) }

// expected is the form that answers the step in turn as the method expects it.
func expected(v *visit.Visit) url.Values {
	m := v.Machine().Method
	s, _ := m.Step(v.Position())
	number := func(kind instrument.Kind, limit string) url.Values {
		model, _ := instrument.Lookup(kind)
		n := map[instrument.Kind]string{instrument.Voltmeter: "230", instrument.Clamp: "5.00", instrument.Continuity: "0.50", instrument.LoopTester: "1.00", instrument.RCDTester: "40"}[kind]
		if limit != "" {
			n = map[string]string{"declared-voltage": "238.1", "dead-voltage": "0.4", "no-load-current": "0.00", "joined-resistance": "0.04", "loop-tn-cs": "0.18"}[limit]
		}
		return url.Values{"shows": {"value"}, "number": {n}, "unit": {model.Unit}}
	}
	with := func(kind visit.Kind, values url.Values) url.Values { values.Set("kind", string(kind)); return values }
	switch {
	case s.TakeUp != nil:
		return with(visit.KindTookUp, url.Values{"with": {s.TakeUp.With}, "id": {s.TakeUp.With + "-1"}, "due": {"2027-01-01"}})
	case s.Check != nil:
		return with(visit.KindChecked, url.Values{"item": {s.Check.Item}, "due": {"2027-01-01"}, "found": {"sound"}})
	case len(s.PutOn) > 0:
		return with(visit.KindPutOn, url.Values{"items": s.PutOn})
	case len(s.TakeOff) > 0:
		return with(visit.KindTookOff, url.Values{"items": s.TakeOff})
	case s.Prove != nil:
		kind := instrument.Kind(s.Prove.With)
		model, _ := instrument.Lookup(kind)
		values := url.Values{"shows": {string(model.Good[0])}}
		if model.Good[0] == instrument.Value {
			values = number(kind, "")
		}
		values.Set("with", string(kind))
		values.Set("id", string(kind)+"-1")
		values.Set("source", s.Prove.On[0])
		return with(visit.KindProved, values)
	case s.Observe != nil:
		values := url.Values{"shows": {s.Observe.Expect}}
		if s.Observe.Limit != "" {
			values = number(instrument.Kind(s.Observe.With), s.Observe.Limit)
		}
		values.Set("step", s.ID)
		return with(visit.KindObserved, values)
	case s.Inspect != nil:
		answer := s.Inspect.Expect
		if answer == "" {
			answer = s.Inspect.Answers[0]
		}
		return with(visit.KindInspected, url.Values{"step": {s.ID}, "answer": {answer}})
	case s.Decide != nil:
		return with(visit.KindDecided, url.Values{"step": {s.ID}, "value": {map[string]string{"arrangement": "TN-C-S", "reference": "yes"}[s.Decide.Fact]}})
	case s.Record != nil:
		values := url.Values{"step": {s.ID}}
		for _, f := range s.Record.Fields {
			switch f.Type {
			case "choice":
				values.Set("f."+f.ID, f.Choices[0])
			case "text":
				values.Set("f."+f.ID, "seen")
			case "photograph":
				if !f.Optional {
					return with(visit.KindLeftOut, url.Values{"step": {s.ID}, "how": {"could-not"}, "why": {"no camera"}})
				}
			default:
				values.Set("f."+f.ID, "10")
			}
		}
		return with(visit.KindRecorded, values)
	}
	return with(visit.KindActed, url.Values{"step": {s.ID}, "act": {s.Act}})
}

// read reads the visit from its lines, as anybody could.
func (b *bench) read() *replay.Case {
	b.t.Helper()
	var events []record.Event
	for _, line := range b.desk.lines[b.id] {
		e, err := record.Decode(line)
		if err == nil {
			err = e.CheckSignature()
		}
		if err != nil {
			b.t.Fatal(err)
		}
		events = append(events, e)
	}
	c, err := b.reader.Read(events)
	if err != nil {
		b.t.Fatal(err)
	}
	return c
}

// fold is the visit with the hash of the line that came last. The engine accepts every line of it.
func (b *bench) fold() (*visit.Visit, string) {
	b.t.Helper()
	c := b.read()
	if list := c.Visit.Account().Discrepancies; len(list) > 0 {
		b.t.Fatalf("the engine does not accept what the pages recorded: %+v", list)
	}
	return c.Visit, headOf(b.t, b.desk.lines[b.id])
}

func headOf(t rapid.TB, lines [][]byte) string {
	t.Helper()
	e, err := record.Decode(lines[len(lines)-1])
	if err != nil {
		t.Fatal(err)
	}
	return e.Hash.String()
}

// attempt draws something that somebody might send, likely or not, as a form and as a body.
func attempt(t *rapid.T, v *visit.Visit) (url.Values, visit.Body) {
	m := v.Machine().Method
	pick := func(label string, list []string) string { return rapid.SampledFrom(list).Draw(t, label) }
	step := v.Position()
	if step == "" || rapid.IntRange(0, 5).Draw(t, "elsewhere") == 0 {
		step = m.Steps[rapid.IntRange(0, len(m.Steps)-1).Draw(t, "step")].ID
	}
	s, _ := m.Step(step)
	shows := func(kind instrument.Kind) (url.Values, instrument.Indication) {
		model, _ := instrument.Lookup(kind)
		c := rapid.SampledFrom(model.Shows).Draw(t, "shows")
		if c == instrument.Value {
			n := pick("number", []string{"0.04", "0.00", "0.30", "238.1", "231", "12", "5.02"})
			unit := model.Unit
			if s.Observe != nil && s.Observe.Bounds != nil {
				unit = s.Observe.Bounds.Unit
			}
			i, err := instrument.ParseIndication(n + " " + unit)
			if err != nil {
				t.Fatal(err)
			}
			return url.Values{"shows": {"value"}, "number": {n}, "unit": {unit}}, i
		}
		return url.Values{"shows": {string(c)}}, instrument.Show(c)
	}
	with := func(kind visit.Kind, values url.Values) url.Values { values.Set("kind", string(kind)); return values }
	natural := rapid.IntRange(0, 9).Draw(t, "natural") < 7
	switch {
	case natural && s.TakeUp != nil:
		id := s.TakeUp.With + "-1"
		due := "2027-01-01"
		if s.TakeUp.With == string(instrument.Clamp) {
			due = "2026-01-01"
		}
		return with(visit.KindTookUp, url.Values{"with": {s.TakeUp.With}, "tool": {id}}), visit.TookUp{Instrument: visit.Instrument{Kind: instrument.Kind(s.TakeUp.With), ID: id, Due: due}}
	case natural && s.Check != nil:
		found := pick("found", []string{"sound", "sound", "failed"})
		return with(visit.KindChecked, url.Values{"item": {s.Check.Item}, "due": {"2027-01-01"}, "found": {found}}), visit.Checked{Item: s.Check.Item, Due: "2027-01-01", Found: found}
	case natural && len(s.PutOn) > 0:
		return with(visit.KindPutOn, url.Values{"items": s.PutOn}), visit.PutOn{Items: s.PutOn}
	case natural && len(s.TakeOff) > 0:
		return with(visit.KindTookOff, url.Values{"items": s.TakeOff}), visit.TookOff{Items: s.TakeOff}
	case natural && s.Prove != nil:
		kind := instrument.Kind(s.Prove.With)
		values, i := shows(kind)
		src := rapid.SampledFrom(instrument.SourceKinds()).Draw(t, "source")
		values.Set("with", string(kind))
		values.Set("id", string(kind)+"-1")
		values.Set("source", string(src))
		return with(visit.KindProved, values), visit.Proved{Kind: kind, ID: string(kind) + "-1", Source: visit.ProvingSource{Kind: src}, Shows: i}
	case natural && s.Observe != nil:
		values, i := shows(instrument.Kind(s.Observe.With))
		values.Set("step", step)
		return with(visit.KindObserved, values), visit.Observed{Step: step, Shows: i}
	case natural && s.Inspect != nil:
		a := pick("answer", s.Inspect.Answers)
		if rapid.IntRange(0, 3).Draw(t, "expected") > 0 && s.Inspect.Expect != "" {
			a = s.Inspect.Expect
		}
		return with(visit.KindInspected, url.Values{"step": {step}, "answer": {a}}), visit.Inspected{Step: step, Answer: a}
	case natural && s.Decide != nil:
		var values []string
		for _, f := range m.Facts {
			if f.ID == s.Decide.Fact {
				values = f.Values
			}
		}
		a := pick("value", values)
		return with(visit.KindDecided, url.Values{"step": {step}, "value": {a}}), visit.Decided{Step: step, Value: a}
	case natural && s.Record != nil:
		values, entries := url.Values{"step": {step}}, map[string]string{}
		for _, f := range s.Record.Fields {
			text := map[string]string{"text": "seen", "number": "10", "reading": "04330"}[f.Type]
			if f.Type == "choice" {
				text = f.Choices[0]
			}
			if text != "" {
				values.Set("f."+f.ID, text)
				entries[f.ID] = text
			}
		}
		return with(visit.KindRecorded, values), visit.Recorded{Step: step, Entries: entries}
	case natural:
		return with(visit.KindActed, url.Values{"step": {step}, "act": {s.Act}}), visit.Acted{Step: step, Act: site.ActID(s.Act)}
	}
	switch rapid.IntRange(0, 12).Draw(t, "else") {
	case 0:
		a := m.Acts[rapid.IntRange(0, len(m.Acts)-1).Draw(t, "act")].ID
		return with(visit.KindActed, url.Values{"act": {string(a)}}), visit.Acted{Act: a}
	case 1:
		a := m.Acts[rapid.IntRange(0, len(m.Acts)-1).Draw(t, "act")].ID
		return with(visit.KindActed, url.Values{"act": {string(a)}, "in_spite": {"1"}, "why": {"done"}}), visit.Acted{Act: a, InSpite: true, Why: "done"}
	case 2:
		return with(visit.KindLeftOut, url.Values{"step": {step}, "how": {"could-not"}, "why": {"blocked"}}), visit.LeftOut{Step: step, How: "could-not", Why: "blocked"}
	case 3:
		return with(visit.KindReturned, url.Values{"step": {step}}), visit.Returned{Step: step}
	case 4:
		return with(visit.KindWentAway, url.Values{}), visit.WentAway{}
	case 5:
		return with(visit.KindCameBack, url.Values{}), visit.CameBack{}
	case 6:
		return with(visit.KindStopped, url.Values{"why": {"unwell"}}), visit.Stopped{Why: "unwell"}
	case 7:
		return with(visit.KindReported, url.Values{"to": {"employer"}}), visit.Reported{To: site.Employer}
	case 8:
		return with(visit.KindResumed, url.Values{"why": {"decided"}}), visit.Resumed{Why: "decided"}
	case 9:
		item := m.Protection[rapid.IntRange(0, len(m.Protection)-1).Draw(t, "item")].ID
		return with(visit.KindTookOff, url.Values{"items": {item}}), visit.TookOff{Items: []string{item}}
	case 10:
		item := m.Protection[rapid.IntRange(0, len(m.Protection)-1).Draw(t, "item")].ID
		return with(visit.KindPutOn, url.Values{"items": {item}}), visit.PutOn{Items: []string{item}}
	case 11:
		story := v.Account().Story
		of := story[rapid.IntRange(0, len(story)-1).Draw(t, "event")].Event
		return with(visit.KindCorrected, url.Values{"event": {of}, "now": {"withdrawn"}, "why": {"slip"}}), visit.Corrected{Event: of, Why: "slip"}
	}
	o := rapid.SampledFrom(visit.Outcomes()).Draw(t, "outcome").String()
	return with(visit.KindEnded, url.Values{"outcome": {o}, "left": {"as it was"}}), visit.Ended{Outcome: o, Left: "as it was"}
}

// TestPagesAgreeWithEngine sends random forms and asks the engine the same: a form is recorded
// exactly if the engine accepts it, a refusal says what the engine says, and what makes no sense
// to the engine leaves nothing behind.
func TestPagesAgreeWithEngine(t *testing.T) { agree(t) }

// TestPagesAgreeWithEngineAndAdvice is the same with an adviser that always has something new to
// say: what it says follows the line that it was asked after, and changes nothing else. A form from
// a page of before the advice is as good as one of after it.
func TestPagesAgreeWithEngineAndAdvice(t *testing.T) {
	said := 0
	agree(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	if said == 0 {
		t.Error("nothing was advised")
	}
}

func agree(t *testing.T, with ...func(*field.Options)) {
	n := 10
	if os.Getenv("MW_SOAK") == "1" {
		n = 400
	}
	accepted, refused, senseless := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(t, with...)
		// The random part begins anywhere in a visit that went well so far.
		whole := course()
		from := rapid.IntRange(2, len(whole)).Draw(t, "from")
		b.desk.lines[b.id] = slices.Clone(whole[:from])
		b.clock.pass(time.Duration(from) * time.Second)
		for range n {
			v, head := b.fold()
			if v.Outcome() != visit.NotEnded {
				return
			}
			b.clock.pass(time.Duration(rapid.SampledFrom([]int{1, 5, 20, 400}).Draw(t, "seconds")) * time.Second)
			values, body := attempt(t, v)
			if told := b.told(); len(with) > 0 && rapid.Bool().Draw(t, "page of before the advice") {
				head = told
			}
			values.Set("state", head)
			before := len(b.desk.lines[b.id])
			refusal, err := v.Check(visit.Event{Chain: b.key.String(), Body: body, Wall: b.clock.now, Mono: b.clock.mono, Boot: b.clock.boot, Person: who})
			w := b.do(values)
			lines := b.desk.lines[b.id]
			if n := len(lines); len(with) > 0 && n == before+2 && kindOf(lines[n-1]) == string(visit.KindAdvised) {
				lines = lines[:n-1]
			}
			all := len(b.desk.lines[b.id])
			switch {
			case err != nil:
				senseless++
				if w.Code != http.StatusUnprocessableEntity || len(lines) != before {
					t.Fatalf("%s makes no sense to the engine (%v), and the page answered %d with %d new lines", visit.KindOf(body), err, w.Code, len(lines)-before)
				}
			case w.Code != http.StatusSeeOther || len(lines) != before+1:
				t.Fatalf("%s: the page answered %d with %d new lines: %s", visit.KindOf(body), w.Code, len(lines)-before, w.Body.String())
			default:
				e, err := record.Decode(lines[before])
				if err != nil {
					t.Fatal(err)
				}
				encoded, err := visit.EncodeBody(body)
				if err != nil {
					t.Fatal(err)
				}
				if refusal == nil {
					accepted++
					if e.Kind != string(visit.KindOf(body)) || string(e.Body) != string(encoded) {
						t.Fatalf("the engine accepts %s %s, and the page recorded %s %s", visit.KindOf(body), encoded, e.Kind, e.Body)
					}
				} else {
					refused++
					got, err := visit.DecodeBody(visit.KindRefused, e.Body)
					r, ok := got.(visit.Refused)
					if err != nil || !ok || !reflect.DeepEqual(r.Refusal, *refusal) || string(r.Body) != string(encoded) {
						t.Fatalf("the engine refuses (%s), and the page recorded %s %s", refusal, e.Kind, e.Body)
					}
					if page := b.get(w.Header().Get("Location")); page.Code != http.StatusOK || !strings.Contains(page.Body.String(), english().Say("field.refusal.way")) {
						t.Fatalf("the refusal has no page of three parts: %d", page.Code)
					}
				}
			}
			// The same form sent again changes nothing.
			if again := b.do(values); err == nil && (again.Code != http.StatusSeeOther || again.Header().Get("Location") == "") || len(b.desk.lines[b.id]) != all {
				t.Fatalf("%s sent twice: answered %d, and there are %d lines more", visit.KindOf(body), again.Code, len(b.desk.lines[b.id])-all)
			}
			if page := b.get("/field/op-9/visits/" + b.id); page.Code != http.StatusOK {
				t.Fatalf("the visit cannot be shown: %d %s", page.Code, page.Body.String())
			}
		}
	})
	t.Logf("%d accepted, %d refused, %d without sense", accepted, refused, senseless)
	if accepted == 0 || refused == 0 || senseless == 0 {
		t.Errorf("not everything was tried: %d accepted, %d refused, %d without sense", accepted, refused, senseless)
	}
}
