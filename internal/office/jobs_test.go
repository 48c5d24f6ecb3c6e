package office_test

import (
	"bytes"
	"fmt"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/store"
)

// send posts files as a browser does.
func send(t testing.TB, h http.Handler, path string, fields map[string]string, files ...[2]string) *httptest.ResponseRecorder {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for k, v := range fields {
		if err := m.WriteField(k, v); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range files {
		part, err := m.CreateFormFile("file", f[0])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(part, f[1]); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequestWithContext(t.Context(), "POST", path, &b)
	r.Header.Set("Content-Type", m.FormDataContentType())
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

const header = "job,address,meter_point,meter,arrangement,method,fictional\n"

func row(job, address string) string {
	return fmt.Sprintf("%s,%s,99 0000 0000 015,Z11 1,TN-S,gb-single-phase-exchange,yes\n", job, address)
}

// hidden reads the hidden fields of a page's forms.
var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)"`)

// confirm sends the form of a preview as a browser does.
func confirm(t testing.TB, h http.Handler, preview string, change ...[2]string) *httptest.ResponseRecorder {
	t.Helper()
	form := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(preview, -1) {
		form.Set(m[1], html.UnescapeString(m[2]))
	}
	for _, c := range change {
		form.Set(c[0], c[1])
	}
	r := httptest.NewRequestWithContext(t.Context(), "POST", "/office/jobs/import/take", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// TestImport: a preview says what would become of each row and keeps nothing; a confirmation of
// the same bytes keeps it; a file can come twice.
func TestImport(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	before := jobCount(t, s)
	file := header + row("NM-3001", "1 Mill Cut") + "NM-3002,2 Mill Cut,99 0000 0000 016,Z11 2,TN-S,gb-single-phase-exchange,yes\n" + row("NM-3003", "3 Mill Cut") + row("NM-3001", "again") + row("NM-1041", "another place")
	preview := want(t, send(t, h, "/office/jobs/import", nil, [2]string{"day.csv", file}), 200, "Nothing is kept yet", "2 to add, 0 to change, 0 as they were, 1 left alone since a visit has begun, 2 refused",
		"check digit", "line 2 already: leave one of them out", "Left alone: its visit has begun", "Differs in address")
	if n := jobCount(t, s); n != before {
		t.Fatalf("the preview kept %d jobs", n-before)
	}
	// Another file under the hash that was previewed is not taken, nor one without a hash.
	want(t, confirm(t, h, preview, [2]string{"content", "am9i"}), 409, "not the file that was previewed")
	want(t, confirm(t, h, preview, [2]string{"hash", ""}), 400, "choose it again")
	want(t, confirm(t, h, preview, [2]string{"content", "?"}), 400, "choose it again")
	if n := jobCount(t, s); n != before {
		t.Fatalf("%d jobs were kept of a file that nobody saw", n-before)
	}
	want(t, confirm(t, h, preview), 200, "day.csv: taken over", "2 added, 0 changed, 0 as they were, 1 left alone since a visit has begun, 2 refused")
	want(t, get(t, h, "/office/jobs?words=NM-1041"), 200, "7 Lantern Row")
	want(t, confirm(t, h, preview), 200, "0 added, 0 changed, 2 as they were")
	preview = want(t, send(t, h, "/office/jobs/import", nil, [2]string{"day.csv", strings.Replace(file, "1 Mill Cut", "1a Mill Cut", 1)}), 200, "0 to add, 1 to change, 1 as they were", "Differs in address")
	want(t, confirm(t, h, preview), 200, "0 added, 1 changed, 1 as they were")
	want(t, get(t, h, "/office/jobs?words=mill+cut"), 200, "1a Mill Cut", "3 Mill Cut", "not begun", "1 to 2 of 2.")
}

// TestExampleOfTheImportPage: what the page shows as an example is a file that it takes.
func TestExampleOfTheImportPage(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	_, rest, _ := strings.Cut(want(t, get(t, h, "/office/jobs/import"), 200), `aria-label="Example">`)
	example, _, ok := strings.Cut(rest, "</pre>")
	if !ok {
		t.Fatal("no example")
	}
	preview := want(t, send(t, h, "/office/jobs/import", nil, [2]string{"example.csv", html.UnescapeString(example)}), 200, "1 to add, 0 to change, 0 as they were, 0 left alone since a visit has begun, 0 refused")
	want(t, confirm(t, h, preview), 200, "1 added")
	want(t, get(t, h, "/office/jobs?on=2026-11-25"), 200, "4 Example Row", "2026-11-25 09:00", "R. Quill")
}

// TestJobsAreNotCutOff: the list pages through every job, says how many there are, and searches
// and writes out all of them.
func TestJobsAreNotCutOff(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	const n = 5100 // more than a portion of the CSV file
	var rows []store.Job
	for i := range n {
		rows = append(rows, store.Job{Reference: fmt.Sprintf("ZZ-%04d", i), Body: []byte(`{}`), Address: fmt.Sprintf("%d Long Row", n-i), Person: "nq-131"})
	}
	if _, err := s.ImportJobs(t.Context(), "test", rows); err != nil {
		t.Fatal(err)
	}
	want(t, get(t, h, "/office/jobs"), 200, "1 to 200 of 5106.", "/office/jobs?page=2")
	want(t, get(t, h, "/office/jobs?page=26"), 200, "5001 to 5106", "ZZ-5099", "Page before")
	want(t, get(t, h, "/office/jobs?page=27"), 404)
	want(t, get(t, h, "/office/jobs?words=zz-5099"), 200, "1 to 1 of 1.", "1 Long Row")
	want(t, get(t, h, "/office/jobs?words=brindle&page=3"), 200, "401 to 600 of 5102.") // and two of the invented visits are A. Brindle's
	want(t, get(t, h, "/office/jobs?standing=begun"), 200, "1 to 6 of 6.")
	want(t, get(t, h, "/office/jobs?sort=-premises&words=long+row"), 200, "1 to 200 of 5100.", "/office/jobs?page=2&amp;sort=-premises&amp;words=long+row")
	for path, count := range map[string]int{"/office/jobs.csv": n + 6, "/office/jobs.csv?words=long": n, "/office/jobs.csv?standing=waiting&page=2": n} {
		if got := cells(t, get(t, h, path), "job"); len(got) != count {
			t.Errorf("%s: %d jobs, want %d", path, len(got), count)
		}
	}
}

// TestHostileImport: whatever is sent, the answer is a clear page, and nothing is kept unless a
// row is good.
func TestHostileImport(t *testing.T) {
	s, _ := fill(t)
	h := handler(t, s)
	before := jobCount(t, s)
	for name, c := range map[string]struct {
		file   string
		status int
		words  string
	}{
		"binary":      {"\x7fELF\x00\x01\xff\xfe", 422, "not UTF-8"},
		"zero byte":   {header + "\x00", 422, "zero byte"},
		"empty":       {"", 422, "empty"},
		"no header":   {"hello\n", 422, "job"},
		"stray quote": {header + "NM-1,\"a\"b,c\n", 200, "quotation marks"},
		"all bad":     {header + row("", "x"), 200, "1 refused"},
		"long cell":   {header + row("NM-9", strings.Repeat("x", 100_000)), 200, "too long"},
		"two lines":   {header + row("NM-9", "\"a\nb\""), 200, "line break"},
	} {
		t.Run(name, func(t *testing.T) {
			want(t, send(t, h, "/office/jobs/import", nil, [2]string{"<script>alert(1)</script>.csv", c.file}), c.status, c.words)
			if n := jobCount(t, s); n != before {
				t.Errorf("%d jobs, and there were %d", n, before)
			}
		})
	}
	w := send(t, h, "/office/jobs/import", nil, [2]string{`..\..\<img src=x onerror=alert(1)>.csv`, "\xff"})
	if body := want(t, w, 422, "&lt;img"); strings.Contains(body, "<img src=x") {
		t.Error("the name of the file reached the page as markup")
	}
	want(t, send(t, h, "/office/jobs/import", nil), 400, "No file was chosen")
	want(t, send(t, h, "/office/jobs/import", nil, [2]string{"a.csv", header}, [2]string{"b.csv", header}), 400, "More files")
	want(t, send(t, h, "/office/jobs/import", nil, [2]string{"big.csv", strings.Repeat("x", jobfile.MaxCSV+1<<20)}), 413, "larger than 16 MB")

	r := httptest.NewRequestWithContext(t.Context(), "POST", "/office/jobs/import", strings.NewReader("a=b"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w = httptest.NewRecorder()
	h.ServeHTTP(w, r)
	want(t, w, 400, "no form with a file")
	cut := httptest.NewRequestWithContext(t.Context(), "POST", "/office/jobs/import", strings.NewReader("--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"x.csv\"\r\n\r\n"+header+row("NM-9", "x")))
	cut.Header.Set("Content-Type", "multipart/form-data; boundary=b")
	w = httptest.NewRecorder()
	h.ServeHTTP(w, cut)
	want(t, w, 400, "did not come in whole")
	foreign := httptest.NewRequestWithContext(t.Context(), "POST", "/office/jobs/import", strings.NewReader(""))
	foreign.Header.Set("Sec-Fetch-Site", "cross-site")
	w = httptest.NewRecorder()
	h.ServeHTTP(w, foreign)
	if w.Code != 403 {
		t.Errorf("a form from elsewhere: %d", w.Code)
	}
	if n := jobCount(t, s); n != before {
		t.Errorf("%d jobs, and there were %d", n, before)
	}
}

func jobCount(t testing.TB, s *store.Store) int {
	t.Helper()
	n, err := s.CountJobs(t.Context(), store.JobFilter{})
	if err != nil {
		t.Fatal(err)
	}
	return n
}
