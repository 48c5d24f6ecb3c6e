package office_test

import (
	"bytes"
	json "encoding/json/v2"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"meterwright/internal/asset"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/office"
	"meterwright/internal/page"
	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/internal/test/invented"
	"meterwright/internal/test/pseudo"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/say/en"
)

// foreign is the office in a language that nobody speaks.
func foreign(t *testing.T, s *store.Store) http.Handler {
	t.Helper()
	english, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	l := english.Map(pseudo.Language, func(text string) string {
		if !letters.MatchString(text) {
			return text
		}
		return pseudo.Text(text)
	})
	mux := http.NewServeMux()
	mux.Handle("/assets/", http.StripPrefix("/assets/", page.Assets(office.Static(), asset.Files())))
	mux.Handle("/office/", office.New(s, office.Options{Now: now, Demo: true, Language: l, Failed: func(err error) { t.Errorf("inside: %v", err) }}))
	return mux
}

// everyPage gives the addresses of every page of the office, with something to see on each.
func everyPage(t *testing.T, h http.Handler, made map[string]*invented.Visit) []string {
	t.Helper()
	at := func(name string) string { return "/office/visit/" + made[name].ID }
	if w := take(t, h, at("interference"), "nq-104", "4711", nil); w.Code != 409 {
		t.Fatal(w.Code)
	}
	if w := take(t, h, at("metalwork"), "nq-104", "4711", func(f url.Values) { f["need"] = f["need"][:1] }); w.Code != 303 {
		t.Fatal(w.Code)
	}
	list := []string{"/office/", "/office/?on=2026-11-23", "/office/visits", "/office/visits?words=none", "/office/needs", "/office/taken", "/office/taken?words=none", "/office/defects", "/office/defects?words=none",
		"/office/instruments", "/office/instruments/two-pole-detector/TP-12", "/office/instruments/voltmeter/VM-09", "/office/jobs", "/office/jobs?words=none", "/office/jobs/import", "/office/verify", "/office/nothing", "/office/?on=99"}
	for _, p := range places {
		list = append(list, at(p.visit))
	}
	for _, c := range report.Copies() {
		list = append(list, at("metalwork")+"/report/"+string(c), at("interference")+"/report/"+string(c))
	}
	return list
}

var (
	word    = regexp.MustCompile(`\p{L}{2,}`)
	letters = regexp.MustCompile(`\p{L}`)
	// sayings are the texts of the language: bracketed, with others inside.
	sayings = regexp.MustCompile(`\[[^\[\]]*\]`)
	// unseen has no words of the office: files' examples, sums, and drawings, whose words are package drawing's.
	unseen = regexp.MustCompile(`(?s)<(style|script|pre)\b.*?</(style|script|pre)>|<!DOCTYPE[^>]*>|SHA-256 [0-9a-f]{64}|<figure class="position">.*?</figure>`)
	told1  = regexp.MustCompile(`(?:aria-label|alt|title|placeholder)="([^"]*)"`)
	tags   = regexp.MustCompile(`<[^>]*>`)
)

// TestEveryWordIsTranslated: whatever letters stand on a page are of the language, or were written by a person, a
// method or the rules.
func TestEveryWordIsTranslated(t *testing.T) {
	s, made := fill(t)
	h := foreign(t, s)
	data := written(t, made)
	look := func(name, body string) {
		t.Helper()
		body = unseen.ReplaceAllString(body, "<p>")
		for _, m := range told1.FindAllStringSubmatch(body, -1) {
			body += "<p>" + m[1]
		}
		n := 0
		for _, text := range tags.Split(body, -1) {
			text = html.UnescapeString(text)
			for sayings.MatchString(text) {
				text = sayings.ReplaceAllString(text, "")
				n++
			}
			text = data.Replace(strings.ToLower(text))
			// Single letters are conductors, marks of sources, categories and units.
			if word.MatchString(text) {
				t.Errorf("%s: %q was never translated", name, text)
			}
		}
		if n < 12 {
			t.Errorf("%s: only %d texts of the language", name, n)
		}
	}
	for _, path := range everyPage(t, h, made) {
		look(path, get(t, h, path).Body.String())
	}
	file := header + row("NM-3001", "1 Mill Cut")
	preview := want(t, send(t, h, "/office/jobs/import", nil, [2]string{"4711.csv", file}), 200)
	look("a preview", preview)
	look("an import", want(t, confirm(t, h, preview), 200))
	look("a verdict", want(t, send(t, h, "/office/verify", nil, [2]string{"4711.jsonl", string(made["whole"].File())}), 200))
}

// written takes out of a text what was written by a person, a method or the rules, in small letters.
func written(t *testing.T, made map[string]*invented.Visit) *strings.Replacer {
	t.Helper()
	all := []string{"meterwright", "sha-256", "1 mill cut", "nm-3001", ".csv", ".jsonl", "van-7", "z"}
	var gather func(v any)
	gather = func(v any) {
		switch v := v.(type) {
		case string:
			all = append(all, strings.TrimSuffix(v, "."))
		case []any:
			for _, x := range v {
				gather(x)
			}
		case map[string]any:
			for _, x := range v {
				gather(x)
			}
		}
	}
	for _, v := range made {
		all = append(all, v.ID)
		// What a verification notes says package record, where it arises.
		found, err := record.VerifyAll([]record.Input{{Name: v.ID + "-1.jsonl", R: bytes.NewReader(v.File())}}, record.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range found.Notes {
			all = append(all, n.String())
		}
		for _, e := range v.Events() {
			all = append(all, e.Hash.String(), e.Key.String(), e.Person)
			var body any
			if err := json.Unmarshal(e.Body, &body); err != nil {
				t.Fatal(err)
			}
			gather(body)
		}
	}
	for _, p := range places {
		all = append(all, p.job, p.address, made[p.visit].Job.Employer)
	}
	for _, name := range people {
		all = append(all, name)
	}
	all = append(all, jobfile.Columns()...)
	b, err := json.Marshal(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	var pack any
	if err := json.Unmarshal(b, &pack); err != nil {
		t.Fatal(err)
	}
	gather(pack)
	// What is long is taken out first, so that no part of it stands for something else.
	slices.SortFunc(all, func(a, b string) int { return len(b) - len(a) })
	var pairs []string
	for _, x := range all {
		if len(x) > 1 {
			pairs = append(pairs, strings.ToLower(x), "")
		}
	}
	return strings.NewReplacer(pairs...)
}

// TestNothingOverflows: with every text 40 % longer, no page of the office is wider than its window, and no text is
// cut, on a telephone and on a desk.
func TestNothingOverflows(t *testing.T) {
	s, made := fill(t)
	h := foreign(t, s)
	site := httptest.NewServer(h)
	t.Cleanup(site.Close)
	d := newDesk(t, site.URL)
	paths := everyPage(t, h, made)
	for _, width := range []int{360, 1280} {
		d.do(chromedp.EmulateViewport(int64(width), 800))
		for _, path := range paths {
			d.do(chromedp.Navigate(site.URL + path))
			eval[bool](d, `document.fonts.ready.then(() => true)`)
			if got := eval[int](d, `document.documentElement.scrollWidth`); got > width {
				t.Errorf("%s is %d pixels wide in a window of %d", path, got, width)
			}
			for _, cut := range eval[[]string](d, overflowing) {
				t.Errorf("%s at %d: cut or run over: %s", path, width, cut)
			}
			d.picture(strings.Join([]string{"foreign", safeName(path), map[int]string{360: "narrow", 1280: "wide"}[width]}, "-"))
		}
	}
}

// overflowing finds text that runs out of its box, where its box cannot be scrolled.
const overflowing = `[...document.querySelectorAll("main *, header *, footer *")].filter((e) => {
	if (e.closest("svg, .skip, .sr, select, option") || e.closest(".wide") && !e.matches("td, th")) return false;
	const style = getComputedStyle(e);
	if (style.display === "inline" || e.clientWidth === 0 || e.matches("input, .wide, pre")) return false;
	return e.scrollWidth > e.clientWidth + 1 || style.overflow === "hidden" && e.scrollHeight > e.clientHeight + 1;
}).map((e) => e.tagName + "." + e.className + ": " + e.innerText.slice(0, 60))`

func safeName(path string) string {
	name := regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(strings.ToLower(strings.TrimPrefix(path, "/office/")), "-")
	return strings.Trim(name, "-")
}
