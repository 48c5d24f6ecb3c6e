package written_test

import (
	"bytes"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/site"
)

// small is the least method that is accepted; it is invented.
const small = `method: smallest
edition: 1
title: T
language: en
country: GB
for: {phases: 1, metering: whole-current}
protection: []
proofs: []
stops: []
make_safe: []
phases:
  - {id: a, words: A}
steps:
  - id: s
    phase: a
    say: Yes or no?
    inspect: {answers: [yes, no]}
`

// with returns small with the first old replaced by new, which must be there.
func with(t *testing.T, old, new string) string {
	t.Helper()
	if !strings.Contains(small, old) {
		t.Fatalf("%q is not in the small method", old)
	}
	return strings.Replace(small, old, new, 1)
}

func TestScalarsAreReadByWhatIsWanted(t *testing.T) {
	text := with(t, "[yes, no]", "[yes, no, on, null, 0x1F, 1.50]")
	d, err := written.Parse("m.yaml", []byte(with(t, "edition: 1\n", "edition: 1.10\n")))
	if err != nil {
		t.Fatal(err)
	}
	if d.Edition != "1.10" || d.For.Phases != 1 {
		t.Errorf("edition %q, phases %d", d.Edition, d.For.Phases)
	}
	d, err = written.Parse("m.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := d.Steps[0].Inspect.Answers, []string{"yes", "no", "on", "null", "0x1F", "1.50"}; !slices.Equal(got, want) {
		t.Errorf("answers %q, want %q", got, want)
	}
	for _, quoted := range []string{"\"yes\"", "'yes'"} {
		d, err := written.Parse("m.yaml", []byte(with(t, "[yes, no]", "["+quoted+", true]")))
		if err != nil {
			t.Fatal(err)
		}
		if got, want := d.Steps[0].Inspect.Answers, []string{"yes", "true"}; !slices.Equal(got, want) {
			t.Errorf("answers %q, want %q", got, want)
		}
	}
}

func TestLongTextAndLineEndings(t *testing.T) {
	for name, text := range map[string]string{
		"literal": with(t, "say: Yes or no?", "say: |\n      One line\n      and another"),
		"crlf":    strings.ReplaceAll(small, "\n", "\r\n"),
		"header":  "---\n" + small,
		"comment": "# first\n" + strings.ReplaceAll(small, "phase: a\n", "phase: a # last\n"),
	} {
		if _, err := written.Parse("m.yaml", []byte(text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Every problem comes with its place, the line, a caret and the mend.
func TestProblems(t *testing.T) {
	const ladder = "look at the indentation, the colons, the brackets and the quotation marks here and just above"
	cases := []struct{ name, text, want string }{
		{"unknown key", with(t, "title: T", "titel: T"), `m.yaml:3:1: the key "titel" is not known here: did you mean title?
  titel: T
  ^`},
		{"unknown key far from any", with(t, "    inspect: {answers: [yes, no]}", "    inspect: {answers: [yes, no], colour: red}"), `m.yaml:17:35: the key "colour" is not known here: use one of answers, expect
      inspect: {answers: [yes, no], colour: red}
                                    ^`},
		{"key with a hyphen", with(t, "    inspect: {answers: [yes, no]}", "    take-up: {with: voltmeter}"), `m.yaml:17:5: the key "take-up" is not known here: did you mean take_up?
      take-up: {with: voltmeter}
      ^`},
		{"key twice", with(t, "title: T", "title: T\ntitle: U"), `m.yaml:4:1: the key "title" stands twice, first on line 3: keep one of them
  title: U
  ^`},
		{"bounds by hand", with(t, "    inspect: {answers: [yes, no]}", "    observe: {with: voltmeter, at: meter.l-in, against: meter.n-in, bounds: {upper: 1}}"), `m.yaml:17:69: the key "bounds" is not known here: use one of with, at, against, expect, limit
      observe: {with: voltmeter, at: meter.l-in, against: meter.n-in, bounds: {upper: 1}}
                                                                      ^`},
		{"tab", with(t, "title: T", "title:\tT"), `m.yaml:3:7: there is a tab: use spaces
  title: T
        ^`},
		{"anchor", with(t, "title: T", "title: &a T"), `m.yaml:3:8: anchors and aliases are not part of the language: write it out, or put quotation marks around a text that begins with & or *
  title: &a T
         ^`},
		{"alias", with(t, "title: T", "title: *a"), `m.yaml:3:8: anchors and aliases are not part of the language: write it out, or put quotation marks around a text that begins with & or *
  title: *a
         ^`},
		{"merge key", with(t, "title: T", "<<: {a: b}"), `m.yaml:3:1: merge keys are not part of the language: write the keys out
  <<: {a: b}
  ^`},
		{"tag", with(t, "title: T", "title: !!str T"), `m.yaml:3:8: tags are not part of the language: delete it, or put quotation marks around a text that begins with !
  title: !!str T
         ^`},
		{"directive", "%YAML 1.2\n---\n" + small, `m.yaml:1:1: directives are not part of the language: delete it, or put quotation marks around a text that begins with %
  %YAML 1.2
  ^`},
		{"explicit key", "? method\n: m\n", `m.yaml:1:1: a key that begins with ? is not part of the language: write key: value
  ? method
  ^`},
		{"two documents", small + "---\nmethod: m\n", `m.yaml:19:1: a second document begins here: keep one document in a file
  method: m
  ^`},
		{"bracket left open", with(t, "title: T", "title: [T"), `m.yaml:4:1: this is not well-formed YAML: ',' or ']' must be specified: ` + ladder + `
  language: en
  ^`},
		{"quotation mark left open", "title: 'T\n", `m.yaml:1:8: this is not well-formed YAML: could not find end character of single-quoted text: ` + ladder + `
  title: 'T
         ^`},
		{"indentation", "method: m\n  edition: 1\n", `m.yaml:1:9: this is not well-formed YAML: mapping value is not allowed in this context: ` + ladder + `
  method: m
          ^`},
		{"list for text", with(t, "title: T", "title: [T]"), `m.yaml:3:8: a list stands where text is wanted: write text
  title: [T]
         ^`},
		{"nothing for text", with(t, "title: T", "title:"), `m.yaml:3:7: nothing stands where text is wanted: write text
  title:
        ^`},
		{"text for a list", with(t, "[yes, no]", "yes"), `m.yaml:17:24: the text "yes" stands where a list is wanted: write [one, two], or each on its own line after a hyphen
      inspect: {answers: yes}
                         ^`},
		{"text for a mapping", with(t, "{phases: 1, metering: whole-current}", "house"), `m.yaml:6:6: the text "house" stands where a mapping is wanted: write key: value, each on its own line, or {key: value}
  for: house
       ^`},
		{"word for a number", with(t, "phases: 1", "phases: one"), `m.yaml:6:15: "one" is not a whole number: write digits only, for example 15
  for: {phases: one, metering: whole-current}
                ^`},
		{"number written otherwise", with(t, "phases: 1", "phases: 0x1"), `m.yaml:6:15: "0x1" is not a whole number: write digits only, for example 15
  for: {phases: 0x1, metering: whole-current}
                ^`},
		{"yes for true", with(t, "protection: []", "protection: [{id: gloves, words: gloves, checked: yes}]"), `m.yaml:7:51: "yes" is neither true nor false: write true or false
  protection: [{id: gloves, words: gloves, checked: yes}]
                                                    ^`},
		{"list at the top", "- a\n", `m.yaml:1:1: a list stands where a mapping is wanted: write key: value, each on its own line, or {key: value}
  - a
  ^`},
		{"empty", "# nothing\n", `m.yaml:1:1: the file is empty: write at least one key
  # nothing
  ^`},
		{"not UTF-8", with(t, "title: T", "title: \xff"), "m.yaml:3:8: this is not UTF-8: save the file as UTF-8\n  title: \uFFFD\n         ^"},
		{"byte-order mark", "\uFEFFmethod: m\n", "m.yaml:1:1: there is a byte-order mark: save the file as UTF-8 without one\n   method: m\n  ^"},
		{"control character", with(t, "title: T", "title: \x07"), "m.yaml:3:8: there is a control character (U+0007): delete it\n  title:  \n         ^"},
		{"fault of the method", with(t, "phase: a", "phase: b"), `m.yaml:15:12: "b" is no phase of this method: name one of the list phases
      phase: b
             ^`},
		{"fault with line endings of another system", strings.ReplaceAll(with(t, "phase: a", "phase: b"), "\n", "\r\n"), `m.yaml:15:12: "b" is no phase of this method: name one of the list phases
      phase: b
             ^`},
		{"fault of something missing", with(t, "title: T\n", ""), `m.yaml:1:1: the title is missing: give the method a title
  method: smallest
  ^`},
		{"column after wide letters", with(t, "title: T", "title: {größe: 1}"), `m.yaml:3:8: a mapping stands where text is wanted: write text
  title: {größe: 1}
         ^`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := written.Parse("m.yaml", []byte(c.text))
			if err == nil {
				t.Fatal("accepted")
			}
			var ps written.Problems
			if !errors.As(err, &ps) {
				t.Fatalf("the error is a %T", err)
			}
			if got := err.Error(); got != c.want && !strings.HasPrefix(got, c.want+"\n") {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestSeveralProblemsComeTogetherInOrder(t *testing.T) {
	text := strings.Replace(with(t, "title: T", "titel: T"), "say: Yes", "sya: Yes", 1)
	_, err := written.Parse("m.yaml", []byte(text))
	var ps written.Problems
	if !errors.As(err, &ps) || len(ps) != 2 || ps[0].Line != 3 || ps[1].Line != 16 || ps[1].Mend != "did you mean say?" {
		t.Errorf("got %v", err)
	}
}

func TestBounds(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"size", strings.Repeat("#\n", yamldoc.MaxBytes/2+1), "the file has 1048578 bytes: keep it under 1048576"},
		{"brackets", strings.Repeat("[", 1000), "the brackets are nested too deep"},
		{"hyphens", strings.Repeat("- ", 1000), "too much stands on one line"},
		{"depth", func() string {
			var b strings.Builder
			for i := range yamldoc.MaxDepth + 5 {
				fmt.Fprintf(&b, "%sa:\n", strings.Repeat(" ", i))
			}
			return b.String()
		}(), `the key "a" is not known here`},
		{"entries", strings.Repeat("- a\n", 30_000), "the file has more than 10000 keys and list entries"},
	} {
		if _, err := written.Parse("m.yaml", []byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %.200v", c.name, err)
		}
	}
}

func TestALongLineIsCutAroundTheCaret(t *testing.T) {
	_, err := written.Parse("m.yaml", []byte(with(t, "title: T", "title: "+strings.Repeat("é", 300)+"\t.")))
	var ps written.Problems
	if !errors.As(err, &ps) {
		t.Fatal(err)
	}
	line, caret, _ := strings.Cut(ps[0].Excerpt, "\n")
	if utf8.RuneCountInString(line) > 110 || len(caret) > 110 || ps[0].Column != 308 {
		t.Errorf("column %d, excerpt\n%s", ps[0].Column, ps[0].Excerpt)
	}
}

const overlay = `overlay: ours
edition: 1
title: T
of: gb-single-phase-exchange
changes:
`

func TestOverlayProblems(t *testing.T) {
	s, l := library(t), limits(t)
	d, err := s.Method("gb-single-phase-exchange")
	if err != nil {
		t.Fatal(err)
	}
	job := method.Job{Site: site.Spec{Arrangement: site.TNS}}
	for _, c := range []struct{ name, text, want string }{
		{"two things in one", overlay + "  - move: {phase: dead, before: meter}\n    relax: {remove: [labels]}\n", "o.yaml:6:5: the change does 2 things: give exactly one of add, move, tighten, relax"},
		{"no such step", overlay + "  - relax: {remove: [lables]}\n", `o.yaml:6:22: there is no step "lables": name a step of the method`},
		{"no such phase", overlay + "  - move: {phase: deed, before: meter}\n", `o.yaml:6:11: phase "deed" cannot be moved before "meter"`},
		{"place not clear", overlay + "  - add: {steps: []}\n", "o.yaml:6:10: the place is not clear: give after or before"},
		{"longer life", overlay + "  - tighten: {proof: dead, lasts_minutes: 90}\n", "o.yaml:6:43: 90 minutes are longer than the 30 of the method: write less, or use relax"},
		{"another method", strings.Replace(overlay, "of: gb-single-phase-exchange", "of: elsewhere", 1) + "  - move: {phase: dead, before: meter}\n", `o.yaml:4:5: the overlay is for "elsewhere"`},
		{"proof moved behind its need", overlay + "  - move: {phase: metalwork, before: close}\n", "nothing before this step supports \"metalwork\""},
	} {
		t.Run(c.name, func(t *testing.T) {
			o, err := written.ParseOverlay("o.yaml", []byte(c.text))
			if err == nil {
				if _, err = method.Resolve(d, []*method.Overlay{o}, job, l); err == nil {
					t.Fatal("accepted")
				}
				if strings.HasPrefix(c.want, "o.yaml") {
					err = written.Locate("o.yaml", []byte(c.text), err)
				}
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got\n%v\nwant\n%s", err, c.want)
			}
		})
	}
}

// The JSON of a shipped file decodes to what Parse returns.
func TestJSONIsOfTheSameMethod(t *testing.T) {
	files, err := written.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if f.Overlay {
			continue
		}
		b, err := written.JSON(f.Name, f.Text, written.Method)
		if err != nil {
			t.Fatal(err)
		}
		d, err := method.DecodeDocument(b)
		if err != nil {
			t.Fatal(err)
		}
		p, err := written.Parse(f.Name, f.Text)
		if err != nil {
			t.Fatal(err)
		}
		if fmt.Sprint(d) == "" || d.ID != p.ID || len(d.Steps) != len(p.Steps) {
			t.Errorf("%s: the two differ", f.Name)
		}
	}
}

// FuzzParse holds that nothing panics, that every problem has its place in the
// file, and that what is accepted is well-formed JSON that decodes again.
func FuzzParse(f *testing.F) {
	files, err := written.Shipped()
	if err != nil {
		f.Fatal(err)
	}
	if len(files) == 0 {
		f.Fatal("no seeds")
	}
	for _, file := range files {
		f.Add(file.Text)
	}
	f.Add([]byte(small))
	f.Add([]byte("translation: smallest\nedition: 1\nlanguage: fr\nwords: {title: La tension au compteur, answers.yes: oui}\n"))
	for _, seed := range []string{"", "a", "a: b", "a: [b, {c: d}]", "a: &b *b", "? a\n: b", "- - -", "a: |\n b", "a: >-\n b\n", "'", "\"\\u00", "!!x y", "%Y\n---\n", "...", "--- a\n--- b", "<<: *a", "a:\n- b\n -c", "{a: b}: c", "[a]: b", "\ta", "a: \x00", "a:\r\nb:\r", "{", "}", "a: }", "|", ">", "a: 'b'c", "- ? a", "&a", "*", "{a, b: }", "a: !"} {
		f.Add([]byte(seed))
		f.Add([]byte(small + seed))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		lines := bytes.Count(b, []byte("\n")) + 1
		for _, k := range []written.Kind{written.Method, written.Overlay, written.Translation} {
			out, err := written.JSON("f.yaml", b, k)
			var parseErr error
			switch k {
			case written.Method:
				_, parseErr = written.Parse("f.yaml", b)
			case written.Overlay:
				_, parseErr = written.ParseOverlay("f.yaml", b)
			case written.Translation:
				_, parseErr = written.ParseTranslation("f.yaml", b)
			}
			if err != nil && parseErr == nil {
				t.Fatal("parsed what has no JSON")
			}
			if err == nil {
				err = parseErr
			}
			if out != nil && !jsontext.Value(out).IsValid() {
				t.Fatalf("the JSON is not well-formed: %s", out)
			}
			if err == nil {
				continue
			}
			var ps written.Problems
			if !errors.As(err, &ps) || len(ps) == 0 {
				t.Fatalf("the error is %T %v", err, err)
			}
			for _, p := range ps {
				if p.Line < 1 || p.Line > lines || p.Column < 1 || p.Problem == "" || p.File != "f.yaml" {
					t.Fatalf("a problem has no place: %+v", p)
				}
				if !utf8.ValidString(p.Error()) {
					t.Fatalf("a problem is not UTF-8: %q", p.Error())
				}
			}
		}
	})
}
