package office_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"meterwright/internal/asset"
	"meterwright/internal/jobs/intake"
	"meterwright/internal/office"
	"meterwright/internal/page"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/test/invented"
)

// now is the clock of the tests: midday of the invented visits.
func now() time.Time { return time.Date(2026, 11, 24, 12, 5, 0, 0, time.UTC) }

// places are where the invented visits happen; the town is fictional.
var places = []struct{ visit, job, address, person string }{
	{"whole", "NM-1041", "7 Lantern Row, Northmere", "nq-104"},
	{"void", "NM-1042", "19 Weir Lane, Northmere", "nq-117"},
	{"metalwork", "NM-1043", "2 Tollhouse Mews, Northmere", "nq-131"},
	{"off", "NM-1044", "5 Ropewalk, Northmere", "nq-104"},
	{"interference", "NM-1045", "11 Saltpan Close, Northmere", "nq-131"},
	{"overdue", "NM-1046", "3 Malt Yard, Northmere", "nq-140"},
}

// people are invented.
var people = map[string]string{"nq-104": "R. Quill", "nq-117": "J. Sallow", "nq-131": "A. Brindle", "nq-140": "T. Marl"}

// carried makes the visits once for all tests, which must not change them.
func carried(t testing.TB) map[string]*invented.Visit {
	t.Helper()
	all, err := makeAll()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

var makeAll = sync.OnceValues(func() (map[string]*invented.Visit, error) {
	all := map[string]*invented.Visit{}
	for _, p := range places {
		v, err := invented.Make(p.visit, invented.Somewhere(p.job, p.address, p.person))
		if err != nil {
			return nil, err
		}
		all[p.visit] = v
	}
	return all, nil
})

// handIn gives the store the lines of a visit.
func handIn(t testing.TB, s *store.Store, v *invented.Visit) {
	t.Helper()
	if _, err := s.Submit(t.Context(), v.Lines); err != nil {
		t.Fatal(err)
	}
	if err := s.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// fill opens a store with the invented visits.
func fill(t testing.TB) (*store.Store, map[string]*invented.Visit) {
	t.Helper()
	s, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{Projector: &summary.Projector{}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	for id, name := range people {
		if err := s.PutPerson(t.Context(), id, name); err != nil {
			t.Fatal(err)
		}
	}
	made := map[string]*invented.Visit{}
	for _, p := range places {
		v := carried(t)[p.visit]
		made[p.visit] = v
		if _, err := s.Submit(t.Context(), v.Lines); err != nil {
			t.Fatal(err)
		}
		for _, a := range v.Attachments {
			if _, err := s.PutAttachment(t.Context(), a); err != nil {
				t.Fatal(err)
			}
		}
		job, err := intake.Kept(v.Job)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.ImportJobs(t.Context(), "test", []store.Job{job}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	return s, made
}

func handler(t testing.TB, s *store.Store) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/assets/", http.StripPrefix("/assets/", page.Assets(office.Static(), asset.Files())))
	mux.Handle("/office/", office.New(s, office.Options{Now: now, Demo: true, Failed: func(err error) { t.Errorf("inside: %v", err) }}))
	return mux
}

func get(t testing.TB, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), "GET", path, nil))
	return w
}

// want checks the status and that the page has all the words.
func want(t testing.TB, w *httptest.ResponseRecorder, status int, words ...string) string {
	t.Helper()
	body := w.Body.String()
	if w.Code != status {
		t.Fatalf("status %d, want %d: %.400s", w.Code, status, body)
	}
	for _, s := range words {
		if !strings.Contains(body, s) {
			t.Errorf("%q is missing", s)
		}
	}
	return body
}

// inline finds what the content security policy forbids.
var inline = regexp.MustCompile(`(?i)<script(>|[^>]*[^c]>)|\sstyle=|\son[a-z]+=|javascript:`)

// TestPages: every page answers, says what it should, and has nothing inline.
func TestPages(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	at := func(name string) string { return "/office/visit/" + made[name].ID }
	for _, p := range []struct {
		path  string
		words []string
	}{
		{"/office/", []string{"Tuesday 2026-11-24: 6 visits, 2 in danger, 2 off supply", "2 Tollhouse Mews", "Needs somebody", "Danger", "R. Quill", "off 23 min"}},
		{"/office/?on=2026-11-23", []string{"No visit fits"}},
		{"/office/?state=under-way", []string{"5 Ropewalk", "Tuesday 2026-11-24: 6 visits, 2 in danger, 2 off supply; 2 fit the filter", "so far"}},
		{"/office/?words=weir", []string{"6 visits, 2 in danger, 2 off supply; 1 fits the filter", "19 Weir Lane"}},
		{"/office/visits?words=weir&sort=-premises", []string{"19 Weir Lane", `aria-sort="descending"`}},
		{at("void"), []string{"Done in spite of a refusal", "came to nothing", "probability of lying within it over 0.999", "Electricity Safety", "Genuine and ended", "Not tested, not done", `class="lane void`, "/photograph/"}},
		{at("whole"), []string{"2026-11-24 09:00 · 30 min", "two positions can have two hashes of one edition"}},
		{at("metalwork"), []string{"Voltage on metalwork", "service termination issue reporting", "44-1"}},
		{at("metalwork") + "/report/distributor", []string{"Report to the distributor", "category A, danger now"}},
		{at("interference") + "/report/supplier", []string{"Restricted sheet", "second tail"}},
		{at("whole") + "/report/consumer", []string{"Copy for the consumer", "ring 105"}},
		{"/office/defects", []string{"The carrier is cracked", "not told, as far as the record says", "Distributor&#39;s report", "restricted"}},
		{"/office/defects?whose=consumer", []string{"One blanking plate is missing"}},
		{"/office/instruments?standing=overdue", []string{"VM-09", "overdue by 54 days"}},
		{"/office/instruments/two-pole-detector/TP-12", []string{"Visits that relied on it", "19 Weir Lane"}},
		{"/office/jobs", []string{"NM-1041", "Completed 09:29"}},
		{"/office/jobs/import", []string{"meter_point", "The header"}},
		{"/office/verify", []string{"Verify a record"}},
	} {
		t.Run(p.path, func(t *testing.T) {
			w := get(t, h, p.path)
			body := want(t, w, 200, p.words...)
			if m := inline.FindString(body); m != "" {
				t.Errorf("inline: %q", m)
			}
			if csp := w.Header().Get("Content-Security-Policy"); csp != page.Policy {
				t.Errorf("policy %q", csp)
			}
		})
	}
	want(t, get(t, h, "/office/instruments/two-pole-detector/TP-12?reach=all"), 200, "From 6 visits", "19 Weir Lane")
	for _, path := range []string{"/office/nothing", "/office/visit/019ab3f0-5c00-7a10-8b20-0123456789ab", at("whole") + "/report/neighbour", at("whole") + "/photograph/00", at("whole") + "/record/9", "/office/instruments/voltmeter/none"} {
		want(t, get(t, h, path), 404, "Not possible")
	}
	want(t, get(t, h, "/office/?on=yesterday"), 400, "is no day")
}

// TestRestricted: neither the consumer's page nor the distributor's tells of suspected interference.
func TestRestricted(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	for _, c := range []string{"consumer", "distributor"} {
		body := get(t, h, "/office/visit/"+made["interference"].ID+"/report/"+c).Body.String()
		for _, secret := range []string{"second tail", "bypass", "by-pass", "stairlift", "nq-131", "Brindle"} {
			if strings.Contains(body, secret) {
				t.Errorf("%s: %q", c, secret)
			}
		}
	}
}

// TestFiles: PDF, record and photographs come as they are, each of its own type.
func TestFiles(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	at := "/office/visit/" + made["whole"].ID
	w := get(t, h, at+"/pdf/full")
	if w.Code != 200 || !bytes.HasPrefix(w.Body.Bytes(), []byte("%PDF-")) || w.Header().Get("Content-Type") != "application/pdf" {
		t.Errorf("%d %s", w.Code, w.Header())
	}
	w = get(t, h, at+"/record/1")
	if !bytes.Equal(w.Body.Bytes(), made["whole"].File()) {
		t.Error("the record differs from what was handed in")
	}
	for id := range made["whole"].Attachments {
		w = get(t, h, at+"/photograph/"+strings.TrimPrefix(id, "sha256:"))
		if w.Code != 200 || w.Header().Get("Content-Type") != "image/png" || !strings.Contains(w.Header().Get("Content-Security-Policy"), "sandbox") {
			t.Errorf("%d %s", w.Code, w.Header())
		}
	}
}

// TestSorts: each column that can be sorted is sorted, in both directions.
func TestSorts(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	for _, c := range []struct {
		path, column string
	}{{"/office/visits", "premises"}, {"/office/visits", "who"}, {"/office/visits", "begun"}, {"/office/visits", "job"}, {"/office/defects", "whose"}, {"/office/defects", "found-at"}, {"/office/instruments", "number"}, {"/office/instruments", "due"}, {"/office/jobs", "premises"}} {
		up := cells(t, get(t, h, c.path+".csv?sort="+c.column), c.column)
		down := cells(t, get(t, h, c.path+".csv?sort=-"+c.column), c.column)
		for i := 1; i < len(up); i++ {
			if strings.ToLower(up[i-1]) > strings.ToLower(up[i]) {
				t.Errorf("%s by %s: %q before %q", c.path, c.column, up[i-1], up[i])
			}
			if strings.ToLower(down[i-1]) < strings.ToLower(down[i]) {
				t.Errorf("%s by %s, down: %q before %q", c.path, c.column, down[i-1], down[i])
			}
		}
		if len(up) < 3 {
			t.Errorf("%s: %d rows", c.path, len(up))
		}
	}
}

func cells(t testing.TB, w *httptest.ResponseRecorder, column string) []string {
	t.Helper()
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for i, name := range rows[0] {
		if name == column {
			for _, r := range rows[1:] {
				out = append(out, r[i])
			}
			return out
		}
	}
	t.Fatalf("no column %s in %v", column, rows[0])
	return nil
}

// TestFormulas: no cell of any CSV file begins as a formula; OWASP, "CSV Injection".
func TestFormulas(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	for i, evil := range []string{"=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "=HYPERLINK(\"http://x\")"} {
		file := header + fmt.Sprintf("%q,%q,99 0000 0000 015,Z11 1,TN-S,gb-single-phase-exchange,yes\n", fmt.Sprintf("=J%d", i), strings.ReplaceAll(evil, `"`, "'"))
		want(t, confirm(t, h, want(t, send(t, h, "/office/jobs/import", nil, [2]string{"x.csv", file}), 200, "1 to add")), 200, "1 added")
	}
	v, err := invented.Make("void", invented.Somewhere("=cmd", "@SUM(A1)", "nq-104"))
	if err != nil {
		t.Fatal(err)
	}
	handIn(t, s, v)
	guarded := 0
	for _, path := range []string{"/office/jobs.csv", "/office/visits.csv", "/office/day.csv", "/office/defects.csv", "/office/instruments.csv", "/office/instruments/two-pole-detector/TP-12/visits.csv?reach=all"} {
		rows, err := csv.NewReader(get(t, h, path).Body).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			for _, c := range r {
				if c != "" && strings.ContainsRune("=+-@\t\r", rune(c[0])) {
					t.Errorf("%s: %q", path, c)
				}
				if strings.HasPrefix(c, "'") {
					guarded++
				}
			}
		}
	}
	if guarded < 12 {
		t.Errorf("only %d cells were guarded", guarded)
	}
}

// TestScriptInNames: markup in a record reaches every page as text.
func TestScriptInNames(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	const evil = `<script>alert(1)</script>`
	v, err := invented.Make("void", func(j *invented.Job, sc *invented.Script) {
		j.Reference, j.Address, j.Meter = evil, evil+" Row", evil
		j.Kit.Instruments[2].ID = `"><script>x`
		sc.Seed += "evil"
	})
	if err != nil {
		t.Fatal(err)
	}
	handIn(t, s, v)
	at := "/office/visit/" + v.ID
	for _, path := range []string{"/office/", "/office/visits", "/office/defects", "/office/instruments", at, at + "/report/full", at + "/report/distributor", "/office/visits?words=" + url.QueryEscape(evil), "/office/instruments/two-pole-detector/" + url.PathEscape(`"><script>x`)} {
		body := want(t, get(t, h, path), 200, "&lt;script&gt;")
		if strings.Contains(body, "<script>") {
			t.Errorf("%s: a script", path)
		}
	}
	w := get(t, h, at+"/pdf/full")
	if d := w.Header().Get("Content-Disposition"); w.Code != 200 || strings.ContainsAny(d, "<>") {
		t.Errorf("%d %q", w.Code, d)
	}
}

// altered is a record in which what was left was written otherwise after it was signed.
func altered(t *testing.T, file string) string {
	t.Helper()
	changed := strings.Replace(file, "the supply is on", "the supply is off", 1)
	if changed == file {
		t.Fatal("nothing was changed in the record")
	}
	return changed
}

// TestVerify: the verdict on a file, whatever it is, and nothing is kept.
func TestVerify(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	before, err := s.LastNumber(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	file := string(made["whole"].File())
	want(t, send(t, h, "/office/verify", nil, [2]string{"r.jsonl", file}), 200, "Genuine and ended", "up to the same last one", "The same visit in this office")
	want(t, send(t, h, "/office/verify", nil, [2]string{"r.jsonl", altered(t, file)}), 200, "Not genuine", "Fault")
	lines := strings.SplitAfter(file, "\n")
	want(t, send(t, h, "/office/verify", nil, [2]string{"r.jsonl", strings.Join(lines[:20], "")}), 200, "Genuine, not ended", "and the file 20")
	want(t, send(t, h, "/office/verify", nil, [2]string{"r.jsonl", strings.Join(append(lines[:20:20], lines[21:]...), "")}), 200, "Not genuine")
	want(t, send(t, h, "/office/verify", nil, [2]string{"<script>.jsonl", "\x00\x01"}), 200, "Unreadable")
	want(t, send(t, h, "/office/verify", map[string]string{"head": "zz"}, [2]string{"r.jsonl", file}), 400, "hash of the last line")
	want(t, send(t, h, "/office/verify", nil), 400, "No file was chosen")
	other, err := invented.Make("relay")
	if err != nil {
		t.Fatal(err)
	}
	want(t, send(t, h, "/office/verify", nil, [2]string{"r.jsonl", string(other.File())}), 200, "This office has no line of the visit")
	if after, err := s.LastNumber(t.Context()); after != before || err != nil {
		t.Errorf("%d lines, and there were %d: %v", after, before, err)
	}
}

// TestFork: a record in two versions is shown as that.
func TestFork(t *testing.T) {
	s, made := fill(t)
	h := handler(t, s)
	whole, err := invented.Make("void", invented.Somewhere("NM-1042", "19 Weir Lane, Northmere", "nq-117"), func(_ *invented.Job, sc *invented.Script) {
		sc.Entries = sc.Entries[:3]
	})
	if err != nil {
		t.Fatal(err)
	}
	v, err := invented.Make("void", invented.Somewhere("NM-1042", "19 Weir Lane, Northmere", "nq-117"), func(_ *invented.Job, sc *invented.Script) {
		sc.Usual["declared-voltage"] = "237.0 V"
		sc.Entries = sc.Entries[:3]
	})
	if err != nil || v.ID != made["void"].ID || len(whole.Lines) == 0 {
		t.Fatalf("%v %s %s", err, v.ID, made["void"].ID)
	}
	handIn(t, s, v)
	want(t, get(t, h, "/office/"), 200, "two versions")
	want(t, get(t, h, "/office/visit/"+v.ID), 200, "in two versions", "/record/2")
}

func BenchmarkPages(b *testing.B) {
	s, made := fill(b)
	h := handler(b, s)
	for name, path := range map[string]string{"day": "/office/", "visit": "/office/visit/" + made["whole"].ID, "defects": "/office/defects", "pdf": "/office/visit/" + made["whole"].ID + "/pdf/full"} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if w := get(b, h, path); w.Code != 200 {
					b.Fatal(w.Code)
				}
			}
		})
	}
}
