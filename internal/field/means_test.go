package field_test

import (
	"context"
	"errors"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/internal/advice"
	"meterwright/internal/field"
	"meterwright/record"
	"meterwright/visit"
)

// chatty is an adviser that always has something new to say. What it says is invented.
type chatty struct{ said *int }

func (c chatty) Advise(_ context.Context, v *visit.Visit) (*visit.Advised, error) {
	a := v.Account()
	x := &visit.Advised{Engine: "test", Model: "m", Site: "s", Against: []visit.Explanation{{"open/tail.n"}}, Outside: "0.001", Untouched: 3,
		Fits: []visit.Meaning{{Departures: []visit.Explanation{{"reversed/service"}, {"blown/lamp"}}, Others: 3, Probability: "0.700", Danger: true},
			{Departures: []visit.Explanation{{}}, Probability: "0.290"}}}
	for _, l := range a.Story {
		if body, ok := a.Body(l.Event); ok && v.Bears(body) {
			x.Upon = l.Event
		}
	}
	for _, s := range v.Machine().Method.Steps {
		if inTurn, back := v.Reach(s.ID); inTurn || back {
			x.Next = &visit.NextTest{Step: s.ID, Nats: "0.40", Exposure: "0.100"}
			break
		}
	}
	*c.said++
	return x, nil
}

func kindOf(line []byte) string {
	e, err := record.Decode(line)
	if err != nil {
		return err.Error()
	}
	return e.Kind
}

func (b *bench) kinds() []string {
	var list []string
	for _, l := range b.desk.lines[b.id] {
		list = append(list, kindOf(l))
	}
	return list
}

// told is the hash of the last line that is no advice.
func (b *bench) told() string {
	b.t.Helper()
	lines := b.desk.lines[b.id]
	for i := len(lines) - 1; i >= 0; i-- {
		e, err := record.Decode(lines[i])
		if err != nil {
			b.t.Fatal(err)
		}
		if e.Kind != string(visit.KindAdvised) {
			return e.Hash.String()
		}
	}
	return ""
}

// to carries the visit out by forms up to a step.
func (b *bench) to(step string) {
	b.t.Helper()
	for {
		v, head := b.fold()
		if v.Position() == step {
			return
		}
		b.clock.pass(time.Second)
		form := expected(v)
		form.Set("state", head)
		if w := b.do(form); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
			b.t.Fatalf("%s: %d %s", v.Position(), w.Code, w.Body.String())
		}
	}
}

func (b *bench) page(path string) string {
	b.t.Helper()
	w := b.get("/field/op-9/visits/" + b.id + path)
	if w.Code != http.StatusOK {
		b.t.Fatalf("%s: %d %s", path, w.Code, w.Body.String())
	}
	return w.Body.String()
}

func says(t *testing.T, page string, words ...string) {
	t.Helper()
	page = html.UnescapeString(page)
	for _, w := range words {
		if !strings.Contains(page, html.UnescapeString(w)) {
			t.Errorf("the page does not say %q:\n%s", w, page)
		}
	}
}

// TestMeansOnThePages: what the readings may mean is shown once after the answer that makes a danger most likely,
// stands beside a step that asks for no answer, and before an answer nowhere. It has a page of its own, where
// it can be followed or set aside; what is open of it depends on the engine alone.
func TestMeansOnThePages(t *testing.T) {
	said := 0
	b := newBench(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	b.to("socket-prove-voltmeter")
	var to []string
	for range 3 {
		v, head := b.fold()
		form := expected(v)
		form.Set("state", head)
		b.clock.pass(time.Second)
		to = append(to, b.do(form).Header().Get("Location"))
	}
	if !strings.HasSuffix(to[0], "/means") || strings.HasSuffix(to[1], "/means") || strings.HasSuffix(to[2], "/means") {
		t.Errorf("after the answers the pages are %v", to)
	}
	asked, beside := 0, 0
	for {
		v, _ := b.fold()
		if v.Position() == "polarity-line-out" {
			break
		}
		s, _ := v.Machine().Method.Step(v.Position())
		at := html.UnescapeString(b.page(""))
		shown := strings.Contains(at, "exchanged at the cut-out") || strings.Contains(at, `class="means"`)
		switch asks := s.Observe != nil || s.Prove != nil || s.Inspect != nil || s.Check != nil || s.Decide != nil || s.Record != nil; {
		case asks && shown:
			t.Errorf("%s: what it may mean stands on the page before the answer", s.ID)
		case !asks && !shown:
			t.Errorf("%s: what it may mean is not said beside a step that asks for no answer", s.ID)
		case asks:
			asked++
		default:
			beside++
		}
		b.clock.pass(time.Second)
		form := expected(v)
		_, head := b.fold()
		form.Set("state", head)
		b.do(form)
	}
	if asked < 10 || beside < 3 {
		t.Errorf("%d steps that ask, %d that do not", asked, beside)
	}
	means := b.page("/means")
	says(t, means, english().Say("means.caution"), "danger most likely", "Most likely, and dangerous: one of: the line and neutral of the service are exchanged at the cut-out; the loaded test lamp", "3 others like these",
		"Possible: nothing wrong", "The last reading speaks against", "the neutral tail is open", "Follow it", "Set it aside", "3 departures")
	for _, w := range []string{"0.700", "0.29", "0.001", "reversed/service", "safe ", "not in the model", "does not know"} {
		if strings.Contains(strings.ToLower(means), w) {
			t.Errorf("the page says %q", w)
		}
	}
	says(t, b.page("/more"), "/means")
	if strings.Contains(b.page("/story"), "may mean") {
		t.Error("the story repeats every advice")
	}

	// Both answers, and one without its reason.
	v, head := b.fold()
	list := v.Account().Advice
	last := list[len(list)-1].Event
	form := url.Values{"kind": {"answered"}, "on": {"means"}, "state": {head}, "advice": {last}, "answer": {"set-aside"}}
	if w := b.do(form); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "why the advice is set aside") {
		t.Errorf("set aside without a reason: %d", w.Code)
	}
	form.Set("why", "the socket was loose")
	for range 2 { // Sent twice, it is recorded once.
		if w := b.do(form); w.Code != http.StatusSeeOther || !strings.HasSuffix(w.Header().Get("Location"), "/means") {
			t.Errorf("set aside: %d %s", w.Code, w.Body.String())
		}
	}
	form = url.Values{"kind": {"answered"}, "on": {"means"}, "state": {"an older state"}, "advice": {last}, "answer": {"follow"}}
	if w := b.do(form); w.Code != http.StatusSeeOther {
		t.Errorf("followed, from an older page: %d", w.Code)
	}
	v, _ = b.fold()
	list = v.Account().Advice
	if a := list[len(list)-1].Answers; len(a) != 2 || a[0].Why != "the socket was loose" || a[1].Answer != "follow" {
		t.Errorf("%+v", a)
	}
	says(t, b.page("/means"), "set aside: the socket was loose", "followed")

	// Nothing is open under a stop, nor after the end, and nobody is asked for an answer then.
	_, head = b.fold()
	b.do(url.Values{"kind": {"stopped"}, "state": {head}, "why": {"unwell"}})
	says(t, b.page("/means"), "is not open as things stand")
	_, head = b.fold()
	b.do(url.Values{"kind": {"ended"}, "state": {head}, "outcome": {"abandoned"}, "left": {"as it was"}})
	says(t, b.page(""), "/means")
	if p := b.page("/means"); strings.Contains(p, "Follow it") || strings.Contains(p, "Go back to that step") {
		t.Error("an ended visit is to be answered for")
	}
}

// TestGoingBackToATest: where an earlier step would tell most, the page leads back to it, and it is
// then the step in turn.
func TestGoingBackToATest(t *testing.T) {
	said := 0
	b := newBench(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	b.to("polarity-line-out")
	v, head := b.fold()
	list := v.Account().Advice
	next := list[len(list)-1].Next
	if next == nil || next.Step == v.Position() {
		t.Fatalf("no earlier step is advised: %+v", next)
	}
	page := b.page("/means")
	says(t, page, "Go back to that step", "Every step from there on is carried out again", `value="returned"`, `value="`+next.Step+`"`)
	if w := b.do(url.Values{"kind": {"returned"}, "on": {"means"}, "state": {head}, "step": {next.Step}}); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body.String())
	}
	if v, _ := b.fold(); v.Position() != next.Step {
		t.Errorf("the step in turn is %s", v.Position())
	}
	says(t, b.page("/means"), "It is the step in turn")
}

// TestAdviceFollowsItsLine: the line that was answered is kept before anybody is asked; advice that
// is no news is not recorded; what is no reading or proving is not asked about.
func TestAdviceFollowsItsLine(t *testing.T) {
	b := newBench(t, func(o *field.Options) { o.Adviser = advice.New("test") })
	b.to("socket-prove-voltmeter-again")
	kinds := b.kinds()
	n := 0
	for i, k := range kinds {
		if k != string(visit.KindAdvised) {
			continue
		}
		n++
		if before := kinds[i-1]; before != string(visit.KindObserved) && before != string(visit.KindProved) {
			t.Errorf("advice follows %s", before)
		}
	}
	if n < 2 {
		t.Errorf("%d advices in %v", n, kinds)
	}
	v, _ := b.fold()
	if len(v.Account().Discrepancies) > 0 || !v.Account().Advice[n-1].Quiet() {
		t.Errorf("%+v", v.Account().Advice[n-1])
	}
	says(t, b.page("/means"), "Most likely: nothing wrong, by these readings.")
	// A proving that just closed a bracket shows it closed although advice follows it.
	said := 0
	b = newBench(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	b.to("visor-off")
	says(t, b.page(""), `class="run closed `)
}

// odd is an adviser with which something is wrong.
type odd func(ctx context.Context, v *visit.Visit) (*visit.Advised, error)

func (o odd) Advise(ctx context.Context, v *visit.Visit) (*visit.Advised, error) { return o(ctx, v) }

// TestAnAdviserLosesNothing: one that fails, is slow, says what makes no sense, or finds the disk full
// is told of, and the answer is kept and shown all the same.
func TestAnAdviserLosesNothing(t *testing.T) {
	var b *bench
	kept := 0
	for name, adviser := range map[string]odd{
		"fails": func(context.Context, *visit.Visit) (*visit.Advised, error) { return nil, errors.New("no idea") },
		"slow": func(ctx context.Context, _ *visit.Visit) (*visit.Advised, error) {
			// The answer is on the disk before anybody is asked.
			kept = len(b.desk.lines[b.id])
			<-ctx.Done()
			return nil, ctx.Err()
		},
		"no sense": func(_ context.Context, _ *visit.Visit) (*visit.Advised, error) {
			return &visit.Advised{Upon: "nothing"}, nil
		},
		"disk full": func(ctx context.Context, v *visit.Visit) (*visit.Advised, error) {
			said := 0
			x, err := chatty{&said}.Advise(ctx, v)
			b.desk.broken = 1
			return x, err
		},
	} {
		t.Run(name, func(t *testing.T) {
			var failed []error
			b = newBench(t, func(o *field.Options) {
				o.Adviser, o.Patience, o.Failed = adviser, 20*time.Millisecond, func(err error) { failed = append(failed, err) }
			})
			b.to("socket-prove-voltmeter")
			v, head := b.fold()
			before := len(b.desk.lines[b.id])
			form := expected(v)
			form.Set("state", head)
			w := b.do(form)
			b.desk.broken = 0
			if w.Code != http.StatusSeeOther || len(b.desk.lines[b.id]) != before+1 {
				t.Fatalf("answered %d, and %d lines were kept", w.Code, len(b.desk.lines[b.id])-before)
			}
			if name == "slow" && kept != before+1 {
				t.Errorf("%d lines were kept when the adviser was asked, and %d before the answer", kept, before)
			}
			if len(failed) != 1 || !strings.Contains(failed[0].Error(), "no advice after") {
				t.Errorf("told: %v", failed)
			}
			if v, _ := b.fold(); v.Position() == "socket-prove" {
				t.Error("the visit did not go on")
			}
			b.page("")
		})
	}
}

// TestFormOfBeforeTheAdvice: a page that was loaded between a reading and the advice after it is good,
// sent once and sent twice; one of before the reading is not.
func TestFormOfBeforeTheAdvice(t *testing.T) {
	said := 0
	b := newBench(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	b.to("socket-line-earth")
	kinds := b.kinds()
	if kinds[len(kinds)-1] != string(visit.KindAdvised) {
		t.Fatalf("no advice at the end of %v", kinds)
	}
	v, _ := b.fold()
	before := b.told()
	form := expected(v)
	form.Set("state", before)
	for range 2 {
		if w := b.do(form); w.Code != http.StatusSeeOther {
			t.Fatalf("%d %s", w.Code, w.Body.String())
		}
	}
	added := b.kinds()[len(kinds):]
	if !slices.Equal(added, []string{"observed", "advised"}) {
		t.Errorf("sent twice, it left %v", added)
	}
	v, _ = b.fold()
	other := expected(v)
	other.Set("state", before)
	if w := b.do(other); w.Code != http.StatusConflict {
		t.Errorf("a page of before the reading: %d", w.Code)
	}
	if n := len(b.kinds()); n != len(kinds)+2 {
		t.Errorf("%d lines more", n-len(kinds)-2)
	}
}

// TestStripHasACellForEachPhase: the list of the day shows a visit by one cell for each phase of its method, as the
// office does.
func TestStripHasACellForEachPhase(t *testing.T) {
	b := newBench(t, func(*field.Options) {})
	b.to("socket-prove-voltmeter")
	v, _ := b.fold()
	w := b.get("/field/op-9/")
	_, strip, _ := strings.Cut(w.Body.String(), `<span class="strip"`)
	strip, _, _ = strings.Cut(strip, "</span>")
	cells := regexp.MustCompile(`<i(?: class="(\w*)")?></i>`).FindAllStringSubmatch(strip, -1)
	if n := len(v.Machine().Method.Phases); len(cells) != n {
		t.Fatalf("%d cells for %d phases: %s", len(cells), n, strip)
	}
	now := 0
	for i, c := range cells {
		if c[1] == "n" || c[1] == "h" {
			now++
			st, _ := v.Machine().Method.Step(v.Position())
			if v.Machine().Method.Phases[i].ID != st.Phase {
				t.Errorf("the present cell is that of %s, and the step in turn is in %s", v.Machine().Method.Phases[i].ID, st.Phase)
			}
		}
	}
	if now != 1 {
		t.Errorf("%d cells are the present one", now)
	}
}
