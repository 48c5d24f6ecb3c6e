package report_test

import (
	json "encoding/json/v2"
	"encoding/xml"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"

	"meterwright/internal/report"
	"meterwright/internal/test/pseudo"
	"meterwright/site"
)

// word is a word where an independent reader of PDF sees it, in points from the top left.
type word struct {
	XMin float64 `xml:"xMin,attr"`
	XMax float64 `xml:"xMax,attr"`
	YMin float64 `xml:"yMin,attr"`
	YMax float64 `xml:"yMax,attr"`
	Text string  `xml:",chardata"`
}

// pagesOf reads the words of each page.
func pagesOf(t *testing.T, pdf []byte) [][]word {
	t.Helper()
	out := tool(t, "pdftotext", "-bbox", save(t, "bbox.pdf", pdf), "-")
	var doc struct {
		Pages []struct {
			Words []word `xml:"word"`
		} `xml:"body>doc>page"`
	}
	d := xml.NewDecoder(strings.NewReader(out))
	d.Strict, d.Entity = false, xml.HTMLEntity
	if err := d.Decode(&doc); err != nil {
		t.Fatal(err)
	}
	var pages [][]word
	for _, p := range doc.Pages {
		pages = append(pages, p.Words)
	}
	return pages
}

const (
	mm = 72 / 25.4
	// The page as package report lays it out: left, right, and what lies between header and footer.
	pageLeft, pageRight, pageTop, pageFoot = 13.0 * mm, 194.0*mm + 1, 16.0 * mm, 283.0 * mm
)

// body gives the words between header and footer.
func body(words []word) []word {
	return slices.DeleteFunc(slices.Clone(words), func(w word) bool { return w.YMin < pageTop || w.YMax > pageFoot+2 })
}

// lastLine gives the text of the lowest line, and its lower edge.
func lastLine(words []word) (text string, y float64) {
	for _, w := range words {
		y = max(y, w.YMax)
	}
	var parts []string
	for _, w := range words {
		if w.YMax > y-4 {
			parts = append(parts, w.Text)
		}
	}
	return strings.Join(parts, " "), y
}

// laidOut holds every page to its margins, no word upon another, no heading at a foot, and no page nearly blank.
func laidOut(t *testing.T, name string, s *report.Sheet, pdf []byte) (pages [][]word) {
	t.Helper()
	pages = pagesOf(t, pdf)
	heads := map[string]bool{}
	alone := map[string]bool{}
	for _, sec := range s.Sections {
		heads[strings.Join(strings.Fields(sec.Title), " ")] = true
		alone[strings.Fields(sec.Title)[0]] = sec.Alone
		for _, b := range sec.Blocks {
			switch b := b.(type) {
			case *report.Table:
				heads[strings.Join(strings.Fields(strings.Join(b.Heads, " ")), " ")] = true
			case *report.Readings:
				heads[strings.Join(strings.Fields(strings.Join(b.Heads, " ")), " ")] = true
			}
		}
	}
	for i, all := range pages {
		for _, w := range all {
			if w.XMin < pageLeft || w.XMax > pageRight {
				t.Errorf("%s, page %d: %q from %.0f to %.0f is outside the margins", name, i+1, w.Text, w.XMin, w.XMax)
			}
		}
		overlaps(t, fmt.Sprintf("%s, page %d", name, i+1), all)
		words := body(all)
		text, y := lastLine(words)
		if heads[text] {
			t.Errorf("%s, page %d ends with the heading %q", name, i+1, text)
		}
		if i == len(pages)-1 {
			continue
		}
		least := pageTop + (pageFoot-pageTop)/3
		if next := body(pages[i+1]); len(next) > 0 && alone[next[0].Text] {
			least = pageTop + 40*mm // The next section stands alone by rule.
		}
		if y < least {
			t.Errorf("%s, page %d ends at %.0f of %.0f", name, i+1, y, pageFoot)
		}
	}
	return pages
}

// overlaps finds words that were written over one another, as where a cell runs into the next.
func overlaps(t *testing.T, name string, words []word) {
	t.Helper()
	for i, a := range words {
		for _, b := range words[i+1:] {
			x := min(a.XMax, b.XMax) - max(a.XMin, b.XMin)
			y := min(a.YMax, b.YMax) - max(a.YMin, b.YMin)
			if x > 1 && y > 0.45*min(a.YMax-a.YMin, b.YMax-b.YMin) {
				t.Errorf("%s: %q and %q stand upon one another", name, a.Text, b.Text)
			}
		}
	}
}

// TestLayout: on every copy of every visit.
func TestLayout(t *testing.T) {
	for _, x := range examples(t) {
		for _, c := range report.Copies() {
			s, _ := composed(t, x.in, c)
			x.in.Copy = c
			laidOut(t, x.name+"-"+string(c), s, write(t, x.in))
		}
	}
}

var (
	letter = regexp.MustCompile(`\p{L}`)
	// sayings are the texts of the language: bracketed, with others inside.
	sayings = regexp.MustCompile(`\[[^\[\]]*\]`)
)

// foreign is the visit in a language that nobody speaks, its method too.
func foreign(t *testing.T, x example) report.Input {
	t.Helper()
	in := reread(t, x.made, x.made.Lines)
	in.Container = nil // The pictures were looked at in English.
	in.Language = english(t).Map(pseudo.Language, func(text string) string {
		if !letter.MatchString(text) {
			return text
		}
		return pseudo.Text(text)
	})
	m := in.Case.Visit.Machine().Method
	m.Translations = pseudo.Method(m).Translations
	return in
}

// data takes out of a text what a person or the rules wrote, and ids, in small letters.
func data(t *testing.T, x example, in report.Input) *strings.Replacer {
	t.Helper()
	all := []string{"sha256", "true", "false", "jsonl", "gb-2026.1", "meterwright", "visit"}
	var gather func(v any)
	gather = func(v any) {
		switch v := v.(type) {
		case string:
			all = append(all, strings.TrimSuffix(v, "."))
			if _, detail, ok := strings.Cut(v, ": "); ok {
				all = append(all, detail) // of what an instrument showed
			}
		case []any:
			for _, e := range v {
				gather(e)
			}
		case map[string]any:
			for k, e := range v {
				if k != "resolved" { // The method's words are translated.
					gather(e)
				}
			}
		}
	}
	for _, e := range x.made.Events() {
		var b any
		if err := json.Unmarshal(e.Body, &b); err != nil {
			t.Fatal(err)
		}
		gather(b)
		all = append(all, e.Hash.String(), e.Key.String(), e.Person, e.Visit)
	}
	m := x.in.Case.Visit.Machine().Method
	for _, s := range m.Steps {
		all = append(all, s.ID)
		if s.Observe != nil && s.Observe.Bounds != nil {
			all = append(all, s.Observe.Bounds.Source)
		}
	}
	for _, r := range x.in.Job.Registers {
		all = append(all, r.Rate)
	}
	// The catalogue of departures has its words in one language so far.
	if s, err := site.Expand(m.Claims); err == nil {
		for _, d := range s.Departures() {
			all = append(all, d.Words)
		}
	}
	for _, o := range m.Overlays {
		all = append(all, o.ID)
	}
	all = append(all, m.Method, m.Rules, x.in.Job.Employer, x.in.Job.Appointment, x.in.Pack.Emergency.Source)
	all = append(all, x.in.Job.Hazards...)
	for _, s := range x.in.Pack.Schemes {
		all = append(all, s.Title, s.Edition)
		for _, c := range s.Categories {
			all = append(all, c.Meaning)
		}
	}
	for _, n := range in.Verified.Notes {
		all = append(all, n.String())
	}
	// What is long is taken out first, so that no part of it stands for something else.
	slices.SortFunc(all, func(a, b string) int { return len(b) - len(a) })
	var pairs []string
	for _, a := range all {
		if len(a) > 1 {
			pairs = append(pairs, strings.ToLower(a), " ")
		}
	}
	return strings.NewReplacer(pairs...)
}

// asEverywhere are the units, marks and letters of categories, which stand as they are in every language.
var asEverywhere = strings.Fields("v a b c s p m w n·m nm ω mω ka ma kwh hz ms")

// strange lists what of a text is neither of the language nor in known.
func strange(text string, known *strings.Replacer) []string {
	for sayings.MatchString(text) {
		text = sayings.ReplaceAllString(text, " ")
	}
	words := strings.FieldsFunc(known.Replace(strings.ToLower(text)), func(r rune) bool { return !unicode.IsLetter(r) && r != '·' })
	return slices.DeleteFunc(words, func(w string) bool { return slices.Contains(asEverywhere, w) })
}

// TestEveryWordIsTranslated: with every text of the language and of the method replaced by one that is accented and
// 40 % longer, whatever letters stand on a copy are of it, or were written by a person or the rules; and nothing is
// cut, runs into its neighbour or out of the page.
func TestEveryWordIsTranslated(t *testing.T) {
	for _, x := range examples(t) {
		in := foreign(t, x)
		known := data(t, x, in)
		for _, in.Copy = range report.Copies() {
			name := x.name + "-" + string(in.Copy)
			s, _ := composed(t, in, in.Copy)
			for _, text := range texts(s) {
				if left := strange(text, known); len(left) > 0 {
					t.Errorf("%s: %q of %q was never translated", name, left, text)
				}
			}
			whole(t, name, s, laidOut(t, name, s, write(t, in)))
		}
	}
}

// stamps are times of day. They stand in no heading, so that their number on the pages is that on the sheet; each
// caption of a picture ends with one.
var stamps = regexp.MustCompile(`\d\d:\d\d:\d\d`)

// whole finds what a sheet says and a page has lost: every letter and every time of the sheet is on the pages.
func whole(t *testing.T, name string, s *report.Sheet, pages [][]word) {
	t.Helper()
	count := func(list []string) (letters map[rune]int, times int) {
		letters = map[rune]int{}
		for _, text := range list {
			for _, r := range text {
				letters[r]++
			}
			times += len(stamps.FindAllString(text, -1))
		}
		return letters, times
	}
	var on []string
	for _, p := range pages {
		for _, w := range p {
			on = append(on, w.Text)
		}
	}
	got, seen := count(on)
	want, times := count(texts(s))
	for r, n := range want {
		if r > ' ' && got[r] < n {
			t.Errorf("%s: %q stands %d times on the sheet and %d times on the pages", name, r, n, got[r])
		}
	}
	if seen < times {
		t.Errorf("%s: %d times of day on the sheet and %d on the pages", name, times, seen)
	}
}
