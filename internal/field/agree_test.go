package field_test

import (
	"net/http"
	"net/url"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"meterwright/instrument"
	"meterwright/internal/field"
	"meterwright/record"
	"meterwright/site"
	"meterwright/visit"
)

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
		kind := pick("kind", s.TakeUp.Kinds())
		id := kind + "-1"
		due := "2027-01-01"
		if kind == string(instrument.Clamp) {
			due = "2026-01-01"
		}
		return with(visit.KindTookUp, url.Values{"with": {kind}, "tool": {id}}), visit.TookUp{Instrument: visit.Instrument{Kind: instrument.Kind(kind), ID: id, Due: due}}
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
	accepted, refused, senseless, moved := 0, 0, 0, 0
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
			case forAnother(v, values):
				moved++
				if again := b.do(values); w.Code != http.StatusConflict || again.Code != http.StatusConflict || len(b.desk.lines[b.id]) != before {
					t.Fatalf("%s of another step: the page answered %d, %d", visit.KindOf(body), w.Code, again.Code)
				}
				continue
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
	t.Logf("%d accepted, %d refused, %d without sense, %d of another step", accepted, refused, senseless, moved)
	if accepted == 0 || refused == 0 || senseless == 0 || moved == 0 {
		t.Errorf("not everything was tried: %d accepted, %d refused, %d without sense, %d of another step", accepted, refused, senseless, moved)
	}
}

// forAnother reports whether a form answers another step than the one in turn; going back names where to.
func forAnother(v *visit.Visit, form url.Values) bool {
	n, step := v.Next(), form.Get("step")
	return step != "" && form.Get("kind") != "returned" && form.Get("in_spite") == "" && step != n.Step && !slices.Contains(n.Sheet, step)
}
