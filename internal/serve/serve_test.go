package serve

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"meterwright/internal/store"
)

func TestOnlyThisMachineIsServed(t *testing.T) {
	for addr, good := range map[string]bool{
		"127.0.0.1:8080": true, "localhost:0": true, "[::1]:8080": true, "127.9.9.9:1": true,
		"0.0.0.0:8080": false, ":8080": false, "192.0.2.7:80": false, "[::]:80": false, "example.org:80": false, "127.0.0.1": false, "": false, "localhost.example:80": false,
	} {
		if err := CheckAddress(addr); (err == nil) != good {
			t.Errorf("%q: %v", addr, err)
		} else if err != nil && !strings.Contains(err.Error(), "127.0.0.1") {
			t.Errorf("%q: the refusal does not say what to write: %v", addr, err)
		}
	}
}

// TestRunRefusesBeforeItOpensAnything: nothing is made in the folder for an address that is refused.
func TestRunRefusesBeforeItOpensAnything(t *testing.T) {
	if err := Run(t.Context(), Config{Data: t.TempDir() + "/new", Listen: "0.0.0.0:0"}); err == nil {
		t.Fatal("served")
	}
}

func TestRequestsOfOthersAreRefused(t *testing.T) {
	s := open(t, t.TempDir())
	ask := func(method, host string, header map[string]string) int {
		r := httptest.NewRequest(method, "http://"+host+"/field/look", strings.NewReader(url.Values{"hand": {"left"}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for k, v := range header {
			r.Header.Set(k, v)
		}
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		return w.Code
	}
	if got := ask("POST", "127.0.0.1:8080", nil); got != http.StatusSeeOther {
		t.Errorf("a form of our own: %d", got)
	}
	if got := ask("POST", "evil.example", nil); got != http.StatusMisdirectedRequest {
		t.Errorf("a name that is not this machine's: %d", got)
	}
	if got := ask("POST", "127.0.0.1:8080", map[string]string{"Origin": "https://evil.example", "Sec-Fetch-Site": "cross-site"}); got != http.StatusForbidden {
		t.Errorf("a form of another site: %d", got)
	}
}

var inline = regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+\s*=|javascript:|<script(?:\s[^>]*)?>[^<]`)

// TestPagesHoldNothingInline: the content security policy allows no inline script or style, and no
// page has any, nor anything from elsewhere.
func TestPagesHoldNothingInline(t *testing.T) {
	s := open(t, t.TempDir())
	for _, path := range []string{"/", "/field/", "/field/op-114/", "/field/op-114/jobs/NM-3001", "/gallery/", "/nothing", "/office/"} {
		r := httptest.NewRequest("GET", "http://127.0.0.1"+path, nil)
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		csp := w.Header().Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if found := inline.FindString(w.Body.String()); found != "" {
			t.Errorf("%s has %q inline", path, found)
		}
		for _, src := range regexp.MustCompile(`(?:src|href|action)="([^"]*)"`).FindAllStringSubmatch(w.Body.String(), -1) {
			if !strings.HasPrefix(src[1], "/") && !strings.HasPrefix(src[1], "#") || strings.HasPrefix(src[1], "//") {
				t.Errorf("%s leads elsewhere: %s", path, src[1])
			}
		}
	}
}

// TestDemoIsLoadedOnce: opening the folder again adds nothing.
func TestDemoIsLoadedOnce(t *testing.T) {
	dir := t.TempDir()
	var before int64
	for range 2 {
		s, err := Open(t.Context(), Config{Data: dir, Demo: true})
		if err != nil {
			t.Fatal(err)
		}
		n, err := s.store.LastNumber(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if before != 0 && n != before {
			t.Errorf("%d lines at first, %d after opening again", before, n)
		}
		before = n
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestDemoAndRealVisitsAreKeptApart: neither is opened over the other's folder.
func TestDemoAndRealVisitsAreKeptApart(t *testing.T) {
	openClose := func(dir string, demo bool) error {
		s, err := Open(t.Context(), Config{Data: dir, Demo: demo})
		if err != nil {
			return err
		}
		return s.Close()
	}
	demo := t.TempDir()
	if err := openClose(demo, true); err != nil {
		t.Fatal(err)
	}
	if err := openClose(demo, false); err == nil || !strings.Contains(err.Error(), "holds the demonstration") {
		t.Errorf("the demonstration opened as real: %v", err)
	}
	real := t.TempDir()
	s, err := Open(t.Context(), Config{Data: real})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.store.ImportJobs(t.Context(), "test", []store.Job{{Reference: "R-1", Body: []byte(`{"job":"R-1"}`)}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := openClose(real, true); err == nil || !strings.Contains(err.Error(), "another folder") {
		t.Errorf("the demonstration loaded over real jobs: %v", err)
	}
	// A job that no method can be found for does not hide the day.
	s, err = Open(t.Context(), Config{Data: real})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if code, body := get(t, s, "/field/op-1/"); code != http.StatusOK || !strings.Contains(body, "R-1") {
		t.Errorf("a job that cannot be resolved: %d", code)
	}
	if code, _ := get(t, s, "/field/op-1/jobs/R-1"); code != http.StatusUnprocessableEntity {
		t.Errorf("its page: %d", code)
	}
}

// BenchmarkStart is from the call to the first page, over a folder that holds the demonstration.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	s, err := Open(b.Context(), Config{Data: dir, Demo: true})
	if err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s, err := Open(b.Context(), Config{Data: dir, Demo: true})
		if err != nil {
			b.Fatal(err)
		}
		for _, path := range []string{"/", "/field/op-114/"} {
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1"+path, nil))
			if w.Code != http.StatusOK {
				b.Fatal(w.Code)
			}
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkRoundTrip is one answer, from the form to the line on the disk and the next page.
func BenchmarkRoundTrip(b *testing.B) {
	s, err := Open(b.Context(), Config{Data: b.TempDir(), Demo: true})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	const at = "/field/op-114/visits/019ab3f0-5c00-7a10-8b20-0123456789ab"
	ask := func(method, path string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, "http://127.0.0.1"+path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		return w
	}
	ask("POST", "/field/op-114/jobs/NM-3001/open", url.Values{"visit": {at[len(at)-36:]}})
	page := ask("GET", at, nil).Body.String()
	var rendering time.Duration
	for b.Loop() {
		state := stateField.FindStringSubmatch(page)
		if state == nil {
			b.Fatal(page)
		}
		if w := ask("POST", at+"/do", url.Values{"state": {state[1]}, "kind": {"noted"}, "words": {"seen"}}); w.Code != http.StatusSeeOther {
			b.Fatal(w.Code)
		}
		start := time.Now()
		page = ask("GET", at, nil).Body.String()
		rendering += time.Since(start)
	}
	b.ReportMetric(float64(rendering.Microseconds())/float64(b.N), "µs/page")
}
