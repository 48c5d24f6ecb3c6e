package field_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
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
// firstMissing is the first kind of a kit that is not in hand, or the last.
func firstMissing(v *visit.Visit, s *method.Step) string {
	kinds := s.TakeUp.Kinds()
	for _, k := range kinds {
		if !slices.ContainsFunc(v.Account().Instruments, func(i visit.Instrument) bool { return string(i.Kind) == k && i.Due >= "2026-11-24" }) {
			return k
		}
	}
	return kinds[len(kinds)-1]
}

func expected(v *visit.Visit) url.Values {
	m := v.Machine().Method
	s, _ := m.Step(v.Position())
	number := func(kind instrument.Kind, limit string) url.Values {
		model, _ := instrument.Lookup(kind)
		n := map[instrument.Kind]string{instrument.Voltmeter: "230", instrument.Clamp: "5.00", instrument.Continuity: "0.50", instrument.LoopTester: "1.00", instrument.RCDTester: "40"}[kind]
		if limit != "" {
			n = map[string]string{"declared-voltage": "238.1", "dead-voltage": "0.4", "no-load-current": "0.00", "joined-resistance": "0.04", "loop-tn-cs": "0.18", "neutral-earth": "0.4", "load-current": "2.3", "loop-line-neutral": "0.18"}[limit]
		}
		return url.Values{"shows": {"value"}, "number": {n}, "unit": {model.Unit}}
	}
	with := func(kind visit.Kind, values url.Values) url.Values { values.Set("kind", string(kind)); return values }
	switch {
	case s.TakeUp != nil:
		kind := firstMissing(v, s)
		return with(visit.KindTookUp, url.Values{"with": {kind}, "id": {kind + "-1"}, "due": {"2027-01-01"}})
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
		return with(visit.KindDecided, url.Values{"step": {s.ID}, "value": {map[string]string{"arrangement": "TN-C-S", "reference": "yes", "load-end": "yes"}[s.Decide.Fact]}})
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
