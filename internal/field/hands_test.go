package field_test

import (
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/internal/devicekey"
	"meterwright/internal/field"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/visit"
)

// twoHands is a bench at which a second person works with a device of their own.
func twoHands(t *testing.T) *bench {
	return newBench(t, func(o *field.Options) {
		o.Hands = append(o.Hands, &field.Hand{ID: "op-7", Name: "Second", Signer: devicekey.Demonstration("field-test", "two")})
	})
}

// as sends a form with the device of another person, from a page of now.
func (b *bench) as(person string, form url.Values) *httptest.ResponseRecorder {
	form.Set("state", headOf(b.t, b.desk.lines[b.id]))
	return b.post("/field/"+person+"/visits/"+b.id+"/do", form)
}

func (b *bench) pageOf(person, path string) string {
	b.t.Helper()
	w := b.get("/field/" + person + "/visits/" + b.id + path)
	if w.Code != http.StatusOK {
		b.t.Fatalf("%s for %s: %d %s", path, person, w.Code, w.Body.String())
	}
	return w.Body.String()
}

// must sends a form that is recorded as what it says.
func (b *bench) must(person string, form url.Values) {
	b.t.Helper()
	if w := b.as(person, form); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "/refused/") {
		b.t.Fatalf("%s by %s: %d %s", form.Get("kind"), person, w.Code, w.Header().Get("Location"))
	}
}

// offline makes a line on the device of a person that had seen its own chain only, and brings it in now.
func (b *bench) offline(device, person string, body visit.Body) {
	b.t.Helper()
	signer := devicekey.Demonstration("field-test", device)
	key := keyOf(device)
	var chain record.Chain
	for _, line := range b.desk.lines[b.id] {
		if e, err := record.Decode(line); err != nil {
			b.t.Fatal(err)
		} else if e.Key == key {
			if chain, _, err = chain.Accept(line); err != nil {
				b.t.Fatal(err)
			}
		}
	}
	encoded, err := visit.EncodeBody(body)
	if err != nil {
		b.t.Fatal(err)
	}
	_, line, err := chain.Sign(b.t.(*testing.T).Context(), signer, record.Draft{Kind: string(visit.KindOf(body)), Person: person, Body: encoded,
		Wall: b.clock.now.Add(-time.Minute), Mono: b.clock.mono, Boot: "boot-" + device})
	if err != nil {
		b.t.Fatal(err)
	}
	if err := b.desk.Append(b.t.(*testing.T).Context(), b.id, "J-1", []record.Signed{line}); err != nil {
		b.t.Fatal(err)
	}
}

// contested is a visit that one opened and the other took over, stopped, reported and went on with,
// when a stop comes in that the first declared without a signal.
func contested(t *testing.T) *bench {
	b := twoHands(t)
	b.must("op-9", url.Values{"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}})
	b.must("op-7", url.Values{"kind": {"taken-over"}})
	b.must("op-7", url.Values{"kind": {"stopped"}, "why": {"the board is loose"}})
	b.must("op-7", url.Values{"kind": {"reported"}, "to": {"employer"}})
	b.must("op-7", url.Values{"kind": {"resumed"}, "why": {"screwed tight"}})
	b.clock.pass(time.Minute)
	if s := b.read().State(); s != replay.UnderWay {
		t.Fatalf("before the late line: %s", s)
	}
	b.offline("one", who, visit.Stopped{Why: "smoke in the cupboard"})
	return b
}

// refusedRows sends a form that the record keeps as refused, and returns the rows that refuse it.
func (b *bench) refusedRows(person string, form url.Values) []visit.Row {
	b.t.Helper()
	w := b.as(person, form)
	at := w.Header().Get("Location")
	if w.Code != http.StatusSeeOther || !strings.Contains(at, "/refused/") {
		b.t.Fatalf("%s by %s was not refused: %d %s", form.Get("kind"), person, w.Code, at)
	}
	if page := b.get(at); page.Code != http.StatusOK || !strings.Contains(page.Body.String(), `href="/field/`+person+`/visits/`+b.id+`/hands"`) {
		b.t.Errorf("the refusal does not lead to whose hands it is in: %d", page.Code)
	}
	return b.rowsAt(at)
}

// TestHeldByTwo: a late line makes two holders. Both pages say so with the stop; neither works on; making
// safe, stopping and reporting stay open; whoever is on site takes over with the reason.
func TestHeldByTwo(t *testing.T) {
	b := contested(t)
	if c := b.read(); c.State() != replay.Stopped || len(c.Visit.Holdings()) != 2 {
		t.Fatalf("%s, %v", c.State(), c.Visit.Holdings())
	}
	for _, person := range []string{who, "op-7"} {
		page := b.pageOf(person, "")
		says(t, page, english().Say("field.hands.two"), "moke in the cupboard", `value="handed-over"`, `value="taken-over"`, "Second", "Test", english().Say("field.hands.open"))
		says(t, b.pageOf(person, "/story"), "moke in the cupboard", "he board is loose")
		if rows := b.refusedRows(person, url.Values{"kind": {"inspected"}, "step": {"hazards"}, "answer": {"nothing"}}); !slices.Contains(rows, visit.RowOneHolder) {
			t.Errorf("%s works on: %v", person, rows)
		}
		for _, form := range []url.Values{{"kind": {"reported"}, "to": {"employer"}}, {"kind": {"noted"}, "words": {"x"}}, {"kind": {"acted"}, "act": {"switch-off-house"}}} {
			w := b.as(person, form)
			if at := w.Header().Get("Location"); w.Code != http.StatusSeeOther || slices.Contains(b.rowsAt(at), visit.RowOneHolder) {
				t.Errorf("%s by %s: %d %s", form.Get("kind"), person, w.Code, at)
			}
		}
	}
	if got := b.get("/field/op-9/").Body.String(); !strings.Contains(got, "smoke in the cupboard") {
		t.Error("the day does not show the stop")
	}
	// Taking over needs the reason here, and then the stop is seen and can be left.
	before := len(b.desk.lines[b.id])
	if w := b.as("op-7", url.Values{"kind": {"taken-over"}, "on": {"hands"}}); w.Code != http.StatusUnprocessableEntity || len(b.desk.lines[b.id]) != before {
		t.Errorf("taken over from another holder without a reason: %d", w.Code)
	}
	b.must("op-7", url.Values{"kind": {"taken-over"}, "on": {"hands"}, "why": {"A has left and does not answer"}})
	c := b.read()
	if _, two := c.Visit.Holder(); two || c.State() != replay.Stopped {
		t.Errorf("after the take-over: contested %v, %s", two, c.State())
	}
	says(t, b.pageOf("op-7", ""), `class="halt"`, "moke in the cupboard")
	says(t, b.pageOf(who, ""), english().Say("field.hands.other", "who", "Second"))
	b.must("op-7", url.Values{"kind": {"reported"}, "to": {"employer"}})
	b.must("op-7", url.Values{"kind": {"resumed"}, "why": {"it was steam"}})
	if c := b.read(); c.State() != replay.UnderWay || len(c.Visit.Account().Discrepancies) > 0 {
		t.Errorf("after the decision: %s, %v", c.State(), c.Visit.Account().Discrepancies)
	}
	if w := b.as(who, url.Values{"kind": {"inspected"}, "step": {"hazards"}, "answer": {"nothing"}}); !slices.Contains(b.rowsAt(w.Header().Get("Location")), visit.RowInHand) {
		t.Errorf("the device that does not hold it works on: %d %v", w.Code, b.rowsAt(w.Header().Get("Location")))
	}
}

var hrefs = regexp.MustCompile(`class="button[^"]*" href="([^"]+)"`)

// rowsAt is the rows of the refusal that an address leads to; none where it leads to no refusal.
func (b *bench) rowsAt(at string) []visit.Row {
	_, hash, _ := strings.Cut(at, "/refused/")
	for _, r := range b.read().Visit.Account().Refusals {
		if r.Event == hash {
			return r.Rows
		}
	}
	return nil
}

// TestHandedOver: where one of two hands over, the other takes up what it did before work goes on, and
// needs no reason for it.
func TestHandedOver(t *testing.T) {
	b := contested(t)
	b.must(who, url.Values{"kind": {"handed-over"}, "on": {"hands"}})
	says(t, b.pageOf("op-7", ""), english().Say("field.hands.behind", "who", "Test"), english().Say("field.hands.released"))
	if rows := b.refusedRows("op-7", url.Values{"kind": {"returned"}, "step": {"premises"}}); !slices.Equal(rows, []visit.Row{visit.RowOneHolder, visit.RowNoStopInForce}) {
		t.Errorf("worked on without having seen the other's work: %v", rows)
	}
	b.must("op-7", url.Values{"kind": {"taken-over"}, "on": {"hands"}})
	b.must("op-7", url.Values{"kind": {"reported"}, "to": {"employer"}})
	b.must("op-7", url.Values{"kind": {"resumed"}, "why": {"it was steam"}})
	v, _ := b.fold()
	form := expected(v)
	b.must("op-7", form)
	if c := b.read(); len(c.Visit.Account().Discrepancies) > 0 || c.State() != replay.UnderWay {
		t.Errorf("%s, %v", c.State(), c.Visit.Account().Discrepancies)
	}
}

// TestADeviceOutside: one that has no chain in the visit is told to take it over, and nothing of what it
// sends is recorded before it has.
func TestADeviceOutside(t *testing.T) {
	b := twoHands(t)
	before := len(b.desk.lines[b.id])
	for _, form := range []url.Values{{"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}}, {"kind": {"noted"}, "words": {"x"}}, {"kind": {"ended"}, "outcome": {"abandoned"}, "left": {"x"}}} {
		w := b.as("op-7", form)
		if w.Code != http.StatusOK || !strings.Contains(html.UnescapeString(w.Body.String()), english().Say("reason.in-another-hand")) || !strings.Contains(w.Body.String(), `/hands"`) {
			t.Errorf("%s: %d", form.Get("kind"), w.Code)
		}
	}
	if len(b.desk.lines[b.id]) != before {
		t.Error("something was recorded")
	}
	b.must("op-7", url.Values{"kind": {"taken-over"}})
	if h, two := b.read().Visit.Holder(); h != keyOf("two").String() || two {
		t.Errorf("held by %.8s, contested %v", h, two)
	}
	if w := b.as("op-7", url.Values{"kind": {"taken-over"}, "on": {"hands"}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("taken over from nobody: %d", w.Code)
	}
}

// TestACorrectionLeavesTheLine: the story shows the line as it was made, with what was said of it later.
func TestACorrectionLeavesTheLine(t *testing.T) {
	b := newBench(t)
	b.to("metalwork-prove-again")
	story := b.read().Visit.Account().Story
	var of visit.Line
	for _, l := range story {
		if l.Kind == visit.KindObserved {
			of = l
		}
	}
	b.must(who, url.Values{"kind": {"corrected"}, "event": {of.Event}, "now": {"dark"}, "why": {"the other lamp was meant"}})
	c := b.read()
	fix := c.Visit.Account().Corrections[0]
	words := english().Of(c.Visit.Machine().Method)
	_, now := words.Correction(c.Visit.Account(), &fix)
	page := b.page("/story")
	says(t, page, words.Line(c.Visit.Account(), &of), english().Say("field.story.corrected", "at", fix.At, "now", now), "he other lamp was meant")
	if n := strings.Count(page, "<li>"); n != len(c.Visit.Account().Story) {
		t.Errorf("%d lines are shown, and %d were made", n, len(c.Visit.Account().Story))
	}
}

// TestEveryWayOnLeadsSomewhere: each way on of a refusal that a page shows is a page that there is, or a
// form that is taken.
func TestEveryWayOnLeadsSomewhere(t *testing.T) {
	for code, form := range map[visit.Code]url.Values{
		visit.CarryOut:   {"kind": {"acted"}, "act": {"withdraw-carrier"}},
		visit.CheckFirst: {"kind": {"put-on"}, "items": {"gloves"}},
		visit.TakeUp:     {"kind": {"proved"}, "with": {"voltmeter"}, "id": {"v"}, "source": {"proving-unit"}, "shows": {"value"}, "number": {"230"}, "unit": {"V"}},
		visit.GoOn:       {"kind": {"resumed"}, "why": {"x"}},
	} {
		b := newBench(t)
		w := b.as(who, form)
		if !strings.Contains(w.Header().Get("Location"), "/refused/") {
			t.Errorf("%s: %d %s", code, w.Code, w.Body.String())
			continue
		}
		list := b.read().Visit.Account().Refusals
		r := list[len(list)-1]
		if !slices.ContainsFunc(r.Ways, func(x visit.Reason) bool { return x.Code == code }) {
			t.Errorf("%s is no way on of %v", code, r.Ways)
		}
		page := b.get(w.Header().Get("Location")).Body.String()
		for _, at := range hrefs.FindAllStringSubmatch(page, -1) {
			if got := b.get(strings.ReplaceAll(at[1], "&amp;", "&")).Code; got != http.StatusOK {
				t.Errorf("%s leads to %s, which answers %d", code, at[1], got)
			}
		}
	}
}
