package serve

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"meterwright/instrument"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/method"
	"meterwright/rules"
)

// walker carries out visits by taps, as the method expects them.
type walker struct {
	*phone
	m     *method.Resolved
	photo string
	usual map[string]string
}

func walk(t *testing.T, p *phone, m *method.Resolved) *walker {
	photo := filepath.Join(t.TempDir(), "picture.jpg")
	img := image.NewRGBA(image.Rect(0, 0, 48, 32))
	for i := range img.Pix {
		img.Pix[i] = uint8(i * 7)
	}
	img.Set(0, 0, color.White)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(photo, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return &walker{phone: p, m: m, photo: photo, usual: map[string]string{
		"declared-voltage": "238.1", "neutral-earth": "0.4", "load-current": "2.30", "loop-line-neutral": "0.18", "no-load-current": "0.00", "joined-resistance": "0.04", "loop-tn-cs": "0.18", "loop-tn-s": "0.41", "loop-tt-electrode": "86",
	}}
}

// demoMethod resolves the method of a job of the demonstration.
func demoMethod(t *testing.T, ref string) *method.Resolved {
	t.Helper()
	st, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	j, err := newJournal(st, rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	for i, d := range demoJobs(t) {
		if d.Ref == ref {
			job, err := dated{d, i, newClock().Now()}.job(rules.GB())
			if err != nil {
				t.Fatal(err)
			}
			m, err := j.Method(t.Context(), job)
			if err != nil {
				t.Fatal(err)
			}
			return m
		}
	}
	t.Fatalf("no job %s", ref)
	return nil
}

// at is the step that the page shows, or empty.
func (w *walker) at() string {
	return eval[string](w.phone, `document.querySelector("form[data-step]")?.dataset.step ?? ""`)
}

// to carries out every step up to the one named, which it leaves.
func (w *walker) to(until string) {
	w.t.Helper()
	for n := 0; n < 200; n++ {
		at := w.at()
		if at == until || at == "" && until == "end" {
			return
		}
		if at == "" && eval[bool](w.phone, `!!document.querySelector("main.blocked .button.go")`) {
			w.look("blocked-on-the-way")
			w.tap(eval[string](w.phone, `document.querySelector("main.blocked .button.go").innerText.trim()`))
			if with := eval[string](w.phone, `document.querySelector("form[data-step='']:has(input[name=kind][value=proved]) input[name=with]")?.value ?? ""`); with != "" {
				w.look("prove-out-of-turn")
				w.prove(instrument.Kind(with))
			}
			if item := eval[string](w.phone, `document.querySelector("form[data-step='']:has(input[name=kind][value=checked]) input[name=item]")?.value ?? ""`); item != "" {
				w.check(item)
			}
			continue
		}
		// What came to nothing behind the position is said after a proving, with the way back.
		if back := eval[string](w.phone, `document.querySelector("main.phase form:has(input[name=kind][value=returned]) button")?.innerText.trim() ?? ""`); at == "" && back != "" {
			w.look("undone-behind")
			w.tap(back)
			continue
		}
		if at == "" {
			w.t.Fatalf("no step is shown on the way to %s:\n%s", until, w.text())
		}
		w.expected(at)
	}
	w.t.Fatalf("%s was not met: the page is at %q:\n%s", until, w.at(), w.text())
}

// expected answers a step as the method expects it.
func (w *walker) expected(id string) {
	w.t.Helper()
	s, _ := w.m.Step(id)
	kind := ""
	if head, k, ok := strings.Cut(id, "/"); ok && s == nil { // a line of the kit
		s, _ = w.m.Step(head)
		kind = k
	}
	if s == nil {
		w.t.Fatalf("the page shows a step %q that the method has not", id)
	}
	if row := `[data-row="` + id + `"]`; eval[bool](w.phone, `!!document.querySelector(`+quote(row)+`)`) {
		w.in = row
		defer func() { w.in = "" }()
	}
	switch {
	case s.TakeUp != nil:
		w.look("step-take-up")
		if listed := eval[string](w.phone, `document.querySelector(".brief button")?.innerText.trim() ?? ""`); listed != "" {
			w.in = ""
			w.tap(listed)
			return
		}
		w.tap(map[string]string{"socket-tester": "ST-12", "non-contact-detector": "NC-40", "two-pole-detector": "VD-204", "loaded-test-lamp": "TL-5", "voltmeter": "VM-118",
			"clamp-meter": "CM-31", "continuity-tester": "CT-77", "loop-tester": "LT-63", "rcd-tester": "RT-14"}[kind])
	case s.Check != nil:
		w.look("step-check")
		w.check(s.Check.Item)
	case len(s.PutOn) > 0:
		w.look("step-put-on")
		w.tap("On:")
	case len(s.TakeOff) > 0:
		w.look("step-take-off")
		w.tap("Off:")
	case s.Prove != nil:
		w.prove(instrument.Kind(s.Prove.With))
	case s.Observe != nil:
		w.observe(s)
	case s.Inspect != nil:
		w.look("step-inspect-" + s.Phase)
		answer := s.Inspect.Expect
		if answer == "" {
			answer = s.Inspect.Answers[0]
		}
		w.tap(strings.ToUpper(answer[:1]) + answer[1:])
	case s.Decide != nil:
		w.look("step-decide")
		w.tap(map[string]string{"arrangement": string(w.m.Claims.Arrangement), "reference": map[bool]string{true: "Yes", false: "No"}[w.m.Claims.Reference], "load-end": "Yes"}[s.Decide.Fact])
	case s.Record != nil:
		w.record(s)
	default:
		w.look("step-act-" + s.Phase)
		if s.Act == "withdraw-carrier" {
			w.look("step-act-withdraw")
		}
		w.tap("Done")
	}
}

func (w *walker) check(item string) {
	w.t.Helper()
	if item == "gloves" {
		w.touch("G-31")
	}
	w.tap("Sound")
}

func (w *walker) prove(kind instrument.Kind) {
	w.t.Helper()
	m, _ := instrument.Lookup(kind)
	if m.Good[0] == instrument.Value {
		w.look("step-prove-number")
		w.keys(map[instrument.Kind]string{instrument.Voltmeter: "229.4", instrument.Clamp: "5.02", instrument.Continuity: "0.51", instrument.LoopTester: "1.01", instrument.RCDTester: "40"}[kind])
		w.tap("enter ")
		return
	}
	w.look("step-prove")
	w.tap(map[instrument.Shows]string{instrument.Lit: "lights", instrument.Healthy: "healthy pattern"}[m.Good[0]])
}

func (w *walker) observe(s *method.Step) {
	w.t.Helper()
	if s.Observe.Limit != "" {
		w.look("step-observe-number")
		w.keys(w.usual[s.Observe.Limit])
		w.tap("enter ")
		return
	}
	w.look("step-observe")
	switch {
	case strings.HasPrefix(s.ID, "polarity-neutral"):
		w.look("step-observe-neutral")
	case strings.HasPrefix(s.ID, "dead-meter"):
		w.look("step-observe-dead")
	case strings.HasPrefix(s.ID, "dead-load-neutral"):
		w.look("step-observe-dead-load")
	case strings.HasPrefix(s.ID, "metalwork-detector"):
		w.look("step-observe-metalwork")
	case strings.HasPrefix(s.ID, "supply-lamp"):
		w.look("step-observe-lamp")
	}
	w.tap(map[string]string{"lit": "lights", "dark": "stays dark", "healthy": "healthy pattern", "over-range": "over range", "trips": "it trips"}[s.Observe.Expect])
}

func (w *walker) record(s *method.Step) {
	w.t.Helper()
	w.look("step-record-" + s.ID)
	has := func(f *method.Field) bool {
		return eval[bool](w.phone, `!!document.getElementById("f-`+f.ID+`") || !!document.getElementById("p-`+f.ID+`")`)
	}
	alone, numbers := len(s.Record.Fields) == 1, 0
	for i := range s.Record.Fields {
		f := &s.Record.Fields[i]
		switch {
		case f.Type == "number" || f.Type == "reading":
			numbers++
		case f.Optional:
		case f.Type == "choice":
			w.touch(f.Choices[0])
		case !has(f): // The program knows it.
		case f.Type == "photograph":
			w.count.tap("camera")
			photo := func() { w.do(chromedp.SetUploadFiles(chromedp.ID("p-"+f.ID), []string{w.photo})) }
			if alone {
				w.settle(photo) // What is all that is asked for is sent as it is taken.
				return
			}
			photo()
		default:
			w.write("f-"+f.ID, "as seen")
		}
	}
	if numbers == 0 {
		w.tap("Enter")
	} else {
		w.numbers(s)
	}
	if s.ID == "final-register" {
		w.says("04330: plausible")
		w.look("reading-judged")
	}
}

// numbers types the numbers of a step on the page's own keys, one after the other.
func (w *walker) numbers(s *method.Step) {
	w.t.Helper()
	if w.in != "" {
		for _, f := range s.Record.Fields {
			if f.Type == "number" || f.Type == "reading" {
				w.touchAt("f-" + f.ID)
				break
			}
		}
		w.in = ""
	}
	for {
		at := eval[string](w.phone, `document.querySelector("input[data-current]").id`)
		f := s.Record.ByID(strings.TrimPrefix(at, "f-"))
		switch {
		case f.Optional:
		case f.ID == "final-import":
			w.keys("04330")
		default:
			w.keys("10")
		}
		if eval[bool](w.phone, `(() => { const all = [...document.querySelector("input[data-current]").form.querySelectorAll("input[data-digits]")]; return !all.slice(all.findIndex((i) => i.dataset.current) + 1).some((i) => i.value === ""); })()`) {
			w.tap("enter")
			return
		}
		w.touch("enter")
	}
}

func TestWholeVisitByTaps(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir())
	p := newPhone(t, s)
	w := walk(t, p, demoMethod(t, "NM-3001"))
	p.count = newCounts()
	p.open("/")
	p.look("first-page")
	p.tap("Field")
	p.look("who")
	p.tap("R. Quill")
	p.look("day")
	p.tap("08:00 7 Lantern Row")
	p.look("arrival")
	p.tap("I am there: begin the visit")
	w.to("end")
	p.look("finish")
	t.Logf("healthy single-phase visit: %s", p.count)
	p.count = nil
	p.tap("More")
	p.look("more")
	p.tap("The story so far")
	p.look("story")
	p.tap("Back to the visit")
	p.tap("End the visit")
	p.look("end")
	p.touch("Completed")
	p.write("left", "the new meter is fitted and sealed and the supply is on")
	p.tap("End the visit")
	p.says("the visit has ended", "Nothing found", "Nothing was left out")
	p.look("ended")
	p.tap("Add something afterwards")
	p.look("supplement")
	p.write("words", "the office called back")
	p.tap("Add it")

	page, err := s.store.Visits(context.Background(), store.Filter{Job: "NM-3001"})
	if err != nil || len(page.Visits) != 1 {
		t.Fatalf("%d visits, %v", len(page.Visits), err)
	}
}
