// Package tell writes visits, verdicts and reckonings as text for a terminal.
//
// What touches the work at a service position ends with Caution. Nothing here decides
// anything: every sentence comes from the engine, the method or the rules.
package tell

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"meterwright/internal/jobs"
	"meterwright/internal/script"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/visit"
)

// Caution stands under everything that touches the work.
const Caution = "This guides and records; it authorises nobody. Only trained, authorised people work on service equipment,\n" +
	"under their employer's rules, the distributor's consent and local law, which come first."

// Marks explains the letters beside numbers.
const Marks = "Marks: S published source, P common practice in the trade, M from memory and to be confirmed."

// Text writes lines and keeps the first error, so that a page of words is not a page of checks.
type Text struct {
	w   io.Writer
	err error
}

// New returns a Text on w.
func New(w io.Writer) *Text { return &Text{w: w} }

// Err returns the first error of writing.
func (t *Text) Err() error { return t.err }

// Line writes one line.
func (t *Text) Line(format string, args ...any) {
	if t.err == nil {
		_, t.err = io.WriteString(t.w, strings.TrimRight(clean(fmt.Sprintf(format, args...)), " ")+"\n")
	}
}

// Head writes a heading with an empty line before it.
func (t *Text) Head(format string, args ...any) {
	t.Line("")
	t.Line(format, args...)
}

// Caution ends a text.
func (t *Text) Caution() {
	t.Line("")
	for line := range strings.SplitSeq(Caution, "\n") {
		t.Line("%s", line)
	}
}

// clean keeps control characters, which a record of somebody else's may hold, off the terminal.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return '\uFFFD'
		}
		return r
	}, s)
}

// Clean returns s without control characters.
func Clean(s string) string { return clean(s) }

const clockWords = "15:04:05"

// hang is the width of the time before each sentence.
const hang = 10

// Opening writes what a visit is about.
func (t *Text) Opening(title string, fictional bool, j *jobs.Job, m *method.Resolved, day time.Time) {
	if title != "" {
		t.Line("%s", title)
	}
	if fictional {
		t.Line("Fictional: premises, people, companies and numbers are invented.")
	}
	t.Line("%s, job %s", day.Format("2 January 2006"), j.Reference)
	if j.Employer != "" {
		t.Line("For %s", j.Employer)
	}
	point := j.MeterPoint
	if fictional {
		point += " (invented; its check digit agrees)"
	}
	t.Line("%s; meter point %s; meter %s", j.Address, point, j.Meter)
	claims := []string{string(m.Claims.Arrangement), fmt.Sprintf("%d-phase", m.Claims.Phases), string(m.Claims.Metering)}
	if m.Claims.Rates > 1 {
		claims = append(claims, fmt.Sprintf("%d rates", m.Claims.Rates))
	}
	if m.Claims.Export {
		claims = append(claims, "export")
	}
	for _, s := range m.Claims.Sources {
		claims = append(claims, string(s))
	}
	t.Line("As the job claims: %s", strings.Join(claims, ", "))
	for _, h := range j.Hazards {
		t.Line("Known hazard: %s", h)
	}
	for _, d := range j.Dependants {
		t.Line("Known to depend on the supply: %s", d)
	}
	t.methodLines(m)
	t.Line("")
}

func (t *Text) methodLines(m *method.Resolved) {
	t.Line("Method: %s, %s edition %s, rules %s", m.Title, m.Method, m.Edition, m.Rules)
	for _, o := range m.Overlays {
		t.Line("Overlay: %s edition %s", o.ID, o.Edition)
	}
	for _, a := range m.TakesAway {
		t.Line("Taken away by an overlay: %s", a)
	}
}

// Told writes one piece of the story.
func (t *Text) Told(told script.Told, schemes []rules.Scheme) {
	at := told.At.Format(clockWords)
	switch {
	case told.Refusal != nil:
		t.Refusal(at, told.Refusal)
	case told.Stop != nil:
		t.stop(at, told.Stop, schemes)
	case told.Register != nil:
		t.Line("%*s%s %s: %s: %s.", hang, "", told.Register.Entry, told.Register.Reading, told.Register.Finding.Plausibility, told.Register.Finding.Sentence)
	case told.Advice != nil:
		t.advice(told.Advice)
	case told.Aside != "":
		t.Line("%s  -- %s", at, told.Aside)
	default:
		words := told.Words
		if told.Happened != "" {
			words += " (entered afterwards; it happened at " + clockOf(told.Happened) + ")"
		}
		t.Line("%s  %s", at, words)
	}
}

func clockOf(rfc string) string {
	at, err := time.Parse(time.RFC3339, rfc)
	if err != nil {
		return rfc
	}
	return at.Format(clockWords)
}

// Refusal writes a refusal in its three parts.
func (t *Text) Refusal(at string, f *visit.Refusal) {
	t.Line("%s  REFUSED: %s", at, f.What)
	// Two rows of the guards can say the same thing.
	part := func(name string, list []string) {
		for i, s := range list {
			if slices.Contains(list[:i], s) {
				continue
			}
			t.Line("%*s%-9s%s", hang, "", name, s)
			name = ""
		}
	}
	part("Why:", f.Undid)
	part("Way on:", f.Way)
	if f.Return != "" {
		part("Step:", []string{f.Return})
	}
}

func (t *Text) stop(at string, s *method.Stop, schemes []rules.Scheme) {
	line := strings.Repeat("*", 72)
	t.Line("%s", line)
	t.Line("%s  STOP: %s.", at, s.Title)
	for i, d := range s.Do {
		t.Line("%*s%d. %s.", hang, "", i+1, d)
	}
	if s.Owner != "" {
		t.Line("%*sThis is for the %s%s.", hang, "", s.Owner, category(s.Scheme, s.Category, schemes))
	}
	t.Line("%s", line)
}

// category names a category with its scheme, never a bare letter.
func category(scheme, code string, schemes []rules.Scheme) string {
	if scheme == "" {
		return ""
	}
	for _, s := range schemes {
		if s.ID == scheme {
			return fmt.Sprintf("; category %s of %s (%s)", code, s.Title, s.Edition)
		}
	}
	return fmt.Sprintf("; category %s of the scheme %s", code, scheme)
}
