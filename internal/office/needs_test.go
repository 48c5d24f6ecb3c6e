package office_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	json "encoding/json/v2"
	"fmt"
	"iter"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/internal/office"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/test/chains"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

// aside is what stands at the side of a page, without its markup.
func aside(t *testing.T, h http.Handler, path string) string {
	t.Helper()
	_, rest, ok := strings.Cut(want(t, get(t, h, path), 200), "<aside")
	text, _, closed := strings.Cut(rest, "</aside>")
	if !ok || !closed {
		t.Fatalf("%s: nothing stands at the side", path)
	}
	return text
}

// TestNeedsStay: what needs somebody stands at the side of every list, whatever is filtered, whichever
// day is shown, and however long ago it was.
func TestNeedsStay(t *testing.T) {
	s, _ := fill(t)
	dangers := []string{"2 Tollhouse Mews", "19 Weir Lane"}
	for after, all := range map[time.Duration][]string{0: dangers, 20 * time.Hour: append(dangers, "5 Ropewalk", "3 Malt Yard"), 40 * 24 * time.Hour: append(dangers, "5 Ropewalk", "3 Malt Yard", "Off supply for 40 days", "2026-11-24 10:51")} {
		h := office.New(s, office.Options{Now: func() time.Time { return now().Add(after) }})
		for _, path := range []string{"/office/", "/office/?on=2026-11-24&state=completed", "/office/?on=2025-01-01", "/office/?words=none", "/office/visits?person=nq-140", "/office/visits?state=completed&nature=real",
			"/office/defects?whose=consumer", "/office/instruments?kind=clamp-meter", "/office/instruments/two-pole-detector/TP-12", "/office/jobs?words=none", "/office/taken"} {
			text := aside(t, h, path)
			for _, w := range all {
				if !strings.Contains(text, w) {
					t.Errorf("after %s, %s: %q does not stand at the side", after, path, w)
				}
			}
			if strings.Contains(text, "7 Lantern Row") {
				t.Errorf("after %s, %s: a visit that needs nobody stands at the side", after, path)
			}
			if danger, other := strings.Index(text, "19 Weir Lane"), strings.Index(text, "5 Ropewalk"); other >= 0 && other < danger {
				t.Errorf("after %s, %s: a danger does not stand first", after, path)
			}
		}
	}
}

var waiting = regexp.MustCompile(`<input type="hidden" name="need" value="([^"]*)"`)

// take sends the form of a visit's page as a browser does.
func take(t *testing.T, h http.Handler, at, person, done string, change func(url.Values)) *httptest.ResponseRecorder {
	t.Helper()
	form := url.Values{"person": {person}, "done": {done}}
	for _, m := range waiting.FindAllStringSubmatch(get(t, h, at).Body.String(), -1) {
		form.Add("need", m[1])
	}
	if change != nil {
		change(form)
	}
	r := httptest.NewRequestWithContext(t.Context(), "POST", at+"/take", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// TestTake: a person takes what a visit needs, with a word of what was done; it waits no longer and is
// listed with who took it, also after the projections were made anew. What is new waits anew.
func TestTake(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	at := "/office/visit/" + made["metalwork"].ID
	// The answer is part of the address of nothing: what is wrong with the form is said, and nothing is taken.
	want(t, take(t, h, at, "nobody", "rung", nil), 422, "choose who takes it")
	want(t, take(t, h, at, "nq-104", " ", nil), 422, "say in a word")
	want(t, take(t, h, at, "nq-104", strings.Repeat("x", 501), nil), 422, "at most 500")
	want(t, take(t, h, at, "nq-104", "rung", func(f url.Values) { f["need"] = []string{"stopped/none"} }), 409, "waits no longer")
	want(t, take(t, h, "/office/visit/"+chains.Visit(1), "nq-104", "rung", nil), 404)
	foreign := httptest.NewRequestWithContext(t.Context(), "POST", at+"/take", strings.NewReader(""))
	foreign.Header.Set("Sec-Fetch-Site", "cross-site")
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, foreign); w.Code != 403 {
		t.Errorf("a form from elsewhere: %d", w.Code)
	}
	if !strings.Contains(aside(t, h, "/office/"), "2 Tollhouse Mews") {
		t.Error("what nobody took does not wait")
	}
	// A withdrawn person takes nothing.
	if err := s.WithdrawPerson(t.Context(), "nq-140"); err != nil {
		t.Fatal(err)
	}
	want(t, take(t, h, at, "nq-140", "rung", nil), 422)

	if w := take(t, h, at, "nq-104", "Rang the control room, <b>ref 9</b>", func(f url.Values) {
		f["need"] = slices.DeleteFunc(f["need"], func(k string) bool { return strings.HasPrefix(k, "guarded") })
	}); w.Code != 303 || w.Header().Get("Location") != at+"#taken" {
		t.Fatalf("%d %s", w.Code, w.Header())
	}
	// What the form did not show was not taken.
	if text := aside(t, h, "/office/"); !strings.Contains(text, "The place is guarded") || strings.Contains(text, "Stopped: voltage") {
		t.Errorf("at the side stands %.600s", text)
	}
	if w := take(t, h, at, "nq-131", "Went there", nil); w.Code != 303 {
		t.Fatal(w.Code)
	}
	for range 2 {
		if text := aside(t, h, "/office/"); strings.Contains(text, "2 Tollhouse Mews") || !strings.Contains(text, "19 Weir Lane") {
			t.Errorf("at the side stands %.600s", text)
		}
		if body := want(t, get(t, h, "/office/taken"), 200, "2 Tollhouse Mews", "R. Quill", "Rang the control room, &lt;b&gt;ref 9", "A. Brindle", "Went there", "Stopped: voltage on metalwork"); strings.Contains(body, "<b>ref") {
			t.Error("markup became part of the page")
		}
		body := want(t, get(t, h, at), 200, "R. Quill", "Went there")
		if waiting.MatchString(body) {
			t.Error("the visit still asks for somebody")
		}
		if got := cells(t, get(t, h, "/office/taken.csv?words=brindle"), "done"); !slices.Equal(got, []string{"Went there"}) {
			t.Errorf("the file says %q", got)
		}
		if err := s.Rebuild(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
	}
	want(t, take(t, h, at, "nq-104", "again", nil), 409)
	if got := cells(t, get(t, h, "/office/needs.csv"), "premises"); !slices.Equal(got, []string{"19 Weir Lane, Northmere"}) {
		t.Errorf("what waits is %q", got)
	}
}

// maker makes the lines of one device.
type maker struct {
	t      testing.TB
	chain  record.Chain
	signer record.PrivateKey
	person string
	wall   time.Time
	mono   int64
}

func newMaker(t testing.TB, visit, person string, wall time.Time) *maker {
	t.Helper()
	seed := sha256.Sum256([]byte("office test " + person))
	m := &maker{t: t, signer: record.PrivateKey(ed25519.NewKeyFromSeed(seed[:])), person: person, wall: wall}
	key, err := record.KeyOf(m.signer.Public())
	if err == nil {
		m.chain, err = record.NewChain(visit, record.Practice, key)
	}
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func (m *maker) line(body visit.Body) []byte {
	m.t.Helper()
	b, err := visit.EncodeBody(body)
	if err != nil {
		m.t.Fatal(err)
	}
	m.wall, m.mono = m.wall.Add(20*time.Second), m.mono+20_000
	next, line, _, err := m.chain.Append(m.t.Context(), m.signer, record.Draft{Kind: string(visit.KindOf(body)), Person: m.person, Body: b, Wall: m.wall, Mono: m.mono, Boot: "b-" + m.person})
	if err != nil {
		m.t.Fatal(err)
	}
	m.chain = next
	return line
}

// TestHeldByTwo: A opens; B takes over, stops, reports and resumes; A, who was offline, declares a stop.
// The office says what the field says: a stop is in force, and two hold the visit.
func TestHeldByTwo(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	id := chains.Visit(77)
	a, b := newMaker(t, id, "nq-104", now().Add(-10*time.Minute)), newMaker(t, id, "nq-131", now().Add(-5*time.Minute))
	var lines [][]byte
	for _, e := range made["whole"].Events()[:2] {
		body, err := visit.DecodeBody(visit.Kind(e.Kind), e.Body)
		if err != nil {
			t.Fatal(err)
		}
		if o, ok := body.(visit.Opened); ok {
			o.Premises.Address = "31 Fuller's Yard, Northmere"
			body = o
		}
		lines = append(lines, a.line(body))
	}
	lines = append(lines, a.line(visit.Inspected{Step: "premises", Answer: "they agree"}))
	over := b.line(visit.TakenOver{Chain: a.chain.Key.String(), Head: a.chain.Head.String()})
	lines = append(lines, over, b.line(visit.Stopped{Why: "the board is loose"}), b.line(visit.Reported{To: site.Employer}), b.line(visit.Resumed{Why: "screwed tight"}))
	hand := func(lines ...[]byte) {
		t.Helper()
		receipts, err := s.Submit(t.Context(), lines)
		if err != nil || slices.ContainsFunc(receipts, func(r store.Receipt) bool { return r.Status != store.Accepted }) {
			t.Fatalf("%+v, %v", receipts, err)
		}
		if err := s.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	hand(lines...)
	if text := aside(t, h, "/office/"); strings.Contains(text, "Fuller") {
		t.Errorf("it needs somebody before the late line: %s", text)
	}
	hand(a.line(visit.Stopped{Why: "smoke in the cupboard"}))
	text := aside(t, h, "/office/?state=completed")
	for _, w := range []string{"31 Fuller&#39;s Yard", "Stopped: smoke in the cupboard", "Two devices hold this visit"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q does not stand at the side", w)
		}
	}
	want(t, get(t, h, "/office/visits?state=stopped"), 200, "Stopped, and held by two: ", "Stopped: smoke in the cupboard; held by two")
	want(t, get(t, h, "/office/visit/"+id), 200, "Stopped, and held by two: ", "Two devices hold this visit", "smoke in the cupboard")
	if got := cells(t, get(t, h, "/office/visits.csv?state=stopped"), "held-by-two"); !slices.Equal(got, []string{"held-by-two"}) {
		t.Errorf("the file says %q", got)
	}
	if w := take(t, h, "/office/visit/"+id, "nq-117", "Rang both", nil); w.Code != 303 {
		t.Fatal(w.Code)
	}
	if strings.Contains(aside(t, h, "/office/"), "Fuller") {
		t.Error("what was taken waits")
	}
	// A danger that is new waits, whatever was taken before it.
	hand(a.line(visit.Defect{Owner: site.Distributor, Asset: "service", Words: "The cable is burning", Scheme: "service-termination", Category: "A"}))
	if text := aside(t, h, "/office/"); !strings.Contains(text, "nothing says that they were told: The cable is burning.") || strings.Contains(text, "smoke in the cupboard") {
		_, text, _ = strings.Cut(text, "Fuller")
		t.Errorf("at the side stands %.900s", text)
	}
	// So does another of the same kind.
	if w := take(t, h, "/office/visit/"+id, "nq-117", "Rang the distributor", nil); w.Code != 303 {
		t.Fatal(w.Code)
	}
	hand(a.line(visit.Defect{Owner: site.Distributor, Asset: "cut-out", Words: "The carrier is charred", Scheme: "service-termination", Category: "A"}))
	if text := aside(t, h, "/office/"); !strings.Contains(text, "The carrier is charred") || strings.Contains(text, "The cable is burning") {
		t.Error("a second defect does not wait by itself")
	}
}

// told gives every visit the same summary.
type told struct {
	state replay.State
	facts summary.Details
}

func (told) Edition() string { return "told" }

func (x told) Project(_ string, events iter.Seq2[record.Event, error]) (store.Summary, error) {
	for _, err := range events {
		if err != nil {
			return store.Summary{}, err
		}
	}
	b, err := json.Marshal(x.facts)
	return store.Summary{State: string(x.state), Outcome: "completed", Opened: now(), Last: now(), Address: "1 Mill Cut", Details: b}, err
}

// TestNothingFound: it is said of a completed visit of which nothing else is to be said, and never of one in which
// something was done in spite of a refusal, or nothing was read.
func TestNothingFound(t *testing.T) {
	for _, c := range []struct {
		facts       summary.Details
		says, spite string
	}{
		{summary.Details{Readings: 40}, "nothing found", "0"},
		{summary.Details{Readings: 40, LeftOut: 2}, "nothing found; 2 steps left out", "0"},
		{summary.Details{Readings: 40, InSpite: 1}, "1 act in spite of a refusal", "1"},
		{summary.Details{InSpite: 9}, "9 acts in spite of a refusal; no reading", "9"},
		{summary.Details{}, "no reading", "0"},
		{summary.Details{Readings: 3, Recorded: 1}, "1 defect", "0"},
	} {
		s, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{Projector: told{replay.Completed, c.facts}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Submit(t.Context(), chains.Whole(t, chains.Visit(1), "one", 3)); err != nil {
			t.Fatal(err)
		}
		if err := s.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		h := handler(t, s)
		if got := cells(t, get(t, h, "/office/visits.csv"), "standing"); !slices.Equal(got, []string{c.says}) {
			t.Errorf("%+v: the file says %q, want %q", c.facts, got, c.says)
		}
		if got := cells(t, get(t, h, "/office/visits.csv"), "in-spite"); !slices.Equal(got, []string{c.spite}) {
			t.Errorf("%+v: in spite %q", c.facts, got)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestManyNeeds: the page of what needs somebody has every visit, page by page, and its file all of them.
func TestManyNeeds(t *testing.T) {
	const n = 205
	s, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{Projector: &summary.Projector{}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i := range n {
		if _, err := s.Submit(t.Context(), chains.NewDevice(t, chains.Visit(i), record.Real, fmt.Sprint(i)).Open().Lines); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	h := handler(t, s)
	want(t, get(t, h, "/office/"), 200, "193 further visits need somebody")
	want(t, get(t, h, "/office/needs"), 200, "1 to 200 of 205.", "/office/needs?page=2")
	want(t, get(t, h, "/office/needs?page=2"), 200, "201 to 205 of 205.", chains.Visit(n-1))
	want(t, get(t, h, "/office/needs?page=3"), 404)
	if got := cells(t, get(t, h, "/office/needs.csv"), "visit"); len(got) != n {
		t.Errorf("%d rows in the file", len(got))
	}
}
