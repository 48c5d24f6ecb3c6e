package field_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/replay"
	"meterwright/visit"
)

// shown is the form of the step in turn as its page sends it: with the state that the page shows, and the step that it
// is shown for.
func (b *bench) shown() url.Values {
	v, head := b.fold()
	form := expected(v)
	form.Set("state", head)
	form.Set("step", v.Position())
	return form
}

// moved reports whether a page says that a form was for something that is in turn no longer.
func moved(w *httptest.ResponseRecorder) bool {
	return w.Code == http.StatusConflict && strings.Contains(w.Body.String(), english().Say("field.stale.head")) &&
		strings.Contains(w.Body.String(), english().Say("field.stale.not"))
}

// A finger that bounces records what one tap records: each form of a whole visit is sent twice, and once more when the
// next was answered.
func TestABounceRecordsNothing(t *testing.T) {
	b := newBench(t)
	var before url.Values
	for steps := 0; ; steps++ {
		v, _ := b.fold()
		if v.Position() == "" {
			if steps < 80 {
				t.Fatalf("%d steps are no visit", steps)
			}
			return
		}
		b.clock.pass(time.Second)
		form, lines := b.shown(), b.count()
		for range 2 {
			if w := b.do(form); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
				t.Fatalf("%s: %d %s", v.Position(), w.Code, w.Header().Get("Location"))
			}
			if got := b.count(); got != lines+1 {
				t.Fatalf("%s: %d lines from one answer", v.Position(), got-lines)
			}
			b.clock.pass(40 * time.Millisecond)
		}
		if before != nil {
			if w := b.do(before); !moved(w) || b.count() != lines+1 {
				t.Fatalf("the page before %s, sent again: %d, %d lines", v.Position(), w.Code, b.count()-lines-1)
			}
		}
		before = form
	}
}

// Whatever a form says, and however new its state, nothing is recorded of it where it was shown for another step; but that
// stopping and telling somebody are never held back.
func TestAnAnswerNamesItsStep(t *testing.T) {
	b := newBench(t)
	b.to("socket-line-earth")
	v, _ := b.fold()
	m := v.Machine().Method
	_, at := m.Step(v.Position())
	for _, other := range []string{m.Steps[at-1].ID, m.Steps[at+1].ID, "nothing"} {
		for _, form := range []url.Values{
			expected(v), {"kind": {"noted"}, "words": {"x"}}, {"kind": {"defect"}, "owner": {"distributor"}, "asset": {"box"}, "words": {"x"}},
			{"kind": {"dependant"}, "words": {"x"}, "agreed": {"yes"}}, {"kind": {"put-on"}, "items": {"gloves"}}, {"kind": {"went-away"}},
		} {
			form.Set("state", b.state())
			form.Set("step", other)
			lines := b.count()
			if w := b.do(form); !moved(w) && w.Code != http.StatusUnprocessableEntity || b.count() != lines {
				t.Errorf("%s, shown for %s: %d, %d lines", form.Get("kind"), other, w.Code, b.count()-lines)
			}
		}
	}
	for _, form := range []url.Values{{"kind": {"stopped"}, "why": {"smoke"}}, {"kind": {"reported"}, "to": {"employer"}}} {
		form.Set("state", b.state())
		form.Set("step", m.Steps[at-1].ID)
		if lines := b.count(); b.do(form).Code != http.StatusSeeOther || b.count() != lines+1 {
			t.Errorf("%s is held back", form.Get("kind"))
		}
	}
}

// The wrong button: one form takes the last answer back, and the same form sent again does nothing more.
func TestWrongButton(t *testing.T) {
	b := newBench(t)
	b.to("socket-line-earth")
	answer, lines := b.shown(), b.count()
	b.must(who, answer)
	c := b.read()
	event, no := c.Visit.Slip(keyOf("one").String(), who)
	if no != nil {
		t.Fatal(no)
	}
	slip := url.Values{"kind": {"corrected"}, "reason": {"slip"}, "event": {event}, "state": {b.state()}}
	for range 2 {
		if w := b.do(slip); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
	}
	c = b.read()
	if b.count() != lines+2 || c.Visit.Position() != answer.Get("step") || c.Visit.Account().Corrections[0].Reason != visit.Slip {
		t.Errorf("%d lines, %s is in turn", b.count()-lines, c.Visit.Position())
	}
	// The bounce of the answer is not the answer that is given again.
	if w := b.do(answer); !moved(w) || b.count() != lines+2 {
		t.Errorf("the old answer again: %d, %d lines", w.Code, b.count()-lines)
	}
	b.must(who, b.shown())
	again, _ := b.read().Visit.Slip(keyOf("one").String(), who)
	form := url.Values{"kind": {"corrected"}, "reason": {"slip"}, "event": {again}}
	if rows := b.rowsAt(b.as(who, form).Header().Get("Location")); len(rows) != 1 || rows[0] != visit.RowSlipOnce {
		t.Errorf("a second slip: %v", rows)
	}
}

// A wrong button that raised a stop: the stop stays until the point has been tested again, and what is told of the visit then
// has the slip and no defect.
func TestWrongButtonUnderAStop(t *testing.T) {
	b := newBench(t)
	var good url.Values
	for {
		v, _ := b.fold()
		s, _ := v.Machine().Method.Step(v.Position())
		good = b.shown()
		if s.Observe != nil && s.Observe.Expect == "dark" && s.Observe.With == string(instrument.TwoPole) && s.Unexpected != nil && s.Unexpected.Stop != "" {
			break
		}
		b.clock.pass(time.Second)
		b.must(who, good)
	}
	b.clock.pass(time.Second)
	b.must(who, url.Values{"kind": {"observed"}, "step": good["step"], "shows": {"lit"}})
	event, no := b.read().Visit.Slip(keyOf("one").String(), who)
	if no != nil {
		t.Fatal(no)
	}
	b.must(who, url.Values{"kind": {"corrected"}, "reason": {"slip"}, "event": {event}})
	prove := func() url.Values {
		return url.Values{"kind": {"proved"}, "with": {string(instrument.TwoPole)}, "id": {string(instrument.TwoPole) + "-1"}, "source": {"proving-unit"}, "shows": {"lit"}}
	}
	for i, form := range []url.Values{prove(), good, prove()} {
		if b.read().Visit.Stop() == "" {
			t.Fatalf("the stop was lifted after %d", i)
		}
		b.clock.pass(time.Second)
		b.must(who, form)
	}
	c := b.read()
	if c.Visit.Stop() != "" || len(c.Visit.Account().Discrepancies) > 0 {
		t.Fatalf("the stop stays: %s, %v", c.Visit.Stop(), c.Visit.Account().Discrepancies)
	}
	if len(c.Defects()) != 0 {
		t.Errorf("defects: %+v", c.Defects())
	}
	needs := c.Needs()
	if len(needs) != 1 || needs[0].Code != replay.NeedSlip || needs[0].Stop != c.Visit.Account().Stops[0].ID {
		t.Errorf("needs: %+v", needs)
	}
	fix := c.Visit.Account().Corrections[0]
	_, now := english().Of(c.Visit.Machine().Method).Correction(c.Visit.Account(), &fix)
	says(t, b.page("/story"), "Wrong button", now)
	if !strings.Contains(now, "tested again between two provings") {
		t.Errorf("the slip is told as %q", now)
	}
}

// The header never says that something is proved dead while a live contact is bare: here the work went back to the
// cut-out after the dead proof, and the shroud was taken off again.
func TestABareContactIsNotHeadedByADeadProof(t *testing.T) {
	b := newBench(t)
	dead, bare := `class="chip dead"`, `class="chip out"`
	b.to("visor-off")
	if body := b.page(""); !strings.Contains(body, dead) {
		t.Error("after the dead proof the header does not say so")
	}
	if w := b.do(url.Values{"kind": {"returned"}, "step": {"jaws"}, "why": {"the jaws are looked at again"}, "state": {b.state()}}); w.Code != http.StatusSeeOther {
		t.Fatalf("back to the jaws: %d", w.Code)
	}
	b.to("bare-contact")
	if body := b.page(""); !strings.Contains(body, dead) {
		t.Error("with the shroud on, the dead proof stands no longer")
	}
	b.to("shroud-contact")
	if body := b.page(""); strings.Contains(body, dead) || !strings.Contains(body, bare) {
		t.Error("a bare live contact is headed by a dead proof")
	}
}

// What a stop undid is said as the work goes on from it, with the way back, and not only where it is refused.
func TestWhatAStopUndidIsSaidAtOnce(t *testing.T) {
	b := newBench(t)
	b.to("supply-lamp-earth-neutral")
	for _, form := range []url.Values{{"kind": {"stopped"}}, {"kind": {"reported"}, "to": {"employer"}}, {"kind": {"resumed"}, "why": {"it was a neighbour at the door"}}} {
		form.Set("state", b.state())
		if w := b.do(form); w.Code != http.StatusSeeOther {
			t.Fatalf("%s: %d", form.Get("kind"), w.Code)
		}
	}
	// The jaws were looked at before the stop, and the carrier is not refitted without.
	body := b.page("")
	says(t, body, "No longer shown: the jaws of the cut-out were found sound and the fuse the right one. What undid it: a stop was declared at")
	says(t, body, `name="step" value="jaws"`)
	if again := b.page("?again=1"); !strings.Contains(again, `data-step="supply-lamp-earth-neutral"`) {
		t.Error("the work cannot go on past what is said")
	}
}
