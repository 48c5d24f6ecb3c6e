// Package terminal sets visits, verdicts and reckonings out as text for a terminal.
//
// It gives lines their place; the words come from package say, and nothing here decides anything.
// What touches the work at a service position ends with the caution.
package terminal

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"meterwright/internal/jobs"
	"meterwright/internal/script"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/site"
	"meterwright/visit"
)

// Text writes lines and keeps the first error, so that a page of words is not a page of checks.
type Text struct {
	*say.Language
	w   io.Writer
	err error
}

// New returns a Text on w in a language.
func New(w io.Writer, l *say.Language) *Text { return &Text{Language: l, w: w} }

// Err returns the first error of writing.
func (t *Text) Err() error { return t.err }

// Line writes one line.
func (t *Text) Line(format string, args ...any) {
	if t.err == nil {
		_, t.err = io.WriteString(t.w, strings.TrimRight(Clean(fmt.Sprintf(format, args...)), " ")+"\n")
	}
}

// Put writes what the language says under a key, each of its lines indented.
func (t *Text) Put(indent int, key string, args ...any) {
	for line := range strings.SplitSeq(t.Say(key, args...), "\n") {
		t.Line("%*s%s", indent, "", line)
	}
}

// Head writes a heading with an empty line before it.
func (t *Text) Head(key string, args ...any) {
	t.Line("")
	t.Put(0, key, args...)
}

// Table writes rows after an empty line, their columns under each other.
func (t *Text) Table(rows [][]string) {
	t.Line("")
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		cells := make([]string, len(r))
		for i := range r {
			cells[i] = Clean(r[i])
		}
		_, _ = fmt.Fprintln(w, strings.Join(cells, "\t")) // A strings.Builder takes everything.
	}
	_ = w.Flush()
	t.Lines(b.String())
}

// Caution ends a text.
func (t *Text) Caution() { t.Head("caution") }

// Clean returns s without control characters, which a record of somebody else's may hold.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return '\uFFFD'
		}
		return r
	}, s)
}

// hang is the width of the time before each sentence.
const hang = 10

// Opening writes what a visit is about.
func (t *Text) Opening(title string, fictional bool, j *jobs.Job, m *method.Resolved, day time.Time) {
	if title != "" {
		t.Line("%s", title)
	}
	if fictional {
		t.Put(0, "terminal.fictional")
	}
	t.Put(0, "terminal.job", "day", say.Day(day), "job", j.Reference)
	if j.Employer != "" {
		t.Put(0, "terminal.employer", "employer", j.Employer)
	}
	point := j.MeterPoint
	if fictional {
		point = t.Say("terminal.invented", "point", point)
	}
	t.Put(0, "terminal.premises", "address", j.Address, "point", point, "meter", j.Meter)
	t.Put(0, "terminal.claims", "claims", strings.Join(t.claims(m), ", "))
	for _, h := range j.Hazards {
		t.Put(0, "terminal.hazard", "hazard", h)
	}
	for _, d := range j.Dependants {
		t.Put(0, "terminal.dependant", "words", d)
	}
	t.methodLines(m)
	t.Line("")
}

func (t *Text) claims(m *method.Resolved) []string {
	c := &m.Claims
	list := []string{string(c.Arrangement), t.Say("terminal.phases", "n", c.Phases), string(c.Metering)}
	if c.Rates > 1 {
		list = append(list, t.Say("terminal.rates", "n", c.Rates))
	}
	if c.Export {
		list = append(list, t.Say("terminal.export"))
	}
	for _, s := range c.Sources {
		list = append(list, string(s))
	}
	return list
}

func (t *Text) methodLines(m *method.Resolved) {
	t.Put(0, "terminal.method", "title", m.Title, "method", m.Method, "edition", m.Edition, "rules", m.Rules)
	for _, o := range m.Overlays {
		t.Put(0, "terminal.overlay", "overlay", o.ID, "edition", o.Edition)
	}
	for _, a := range m.TakesAway {
		t.Put(0, "terminal.taken-away", "what", t.Of(m).Away(a))
	}
}

// Told writes one piece of the story of a visit.
func (t *Text) Told(v *visit.Visit, told script.Told, schemes []rules.Scheme) {
	s := t.Of(v.Machine().Method)
	at := say.Second(told.At)
	switch {
	case told.Refusal != nil:
		t.refusal(s, at, told.Refusal)
	case told.Stop != "":
		t.stop(s, at, told.Stop, schemes)
	case told.Register != nil:
		t.Line("%*s%s", hang, "", t.Say("terminal.register", "entry", told.Register.Entry, "reading", told.Register.Reading, "finding", t.Register(&told.Register.Finding)))
	case told.Advice != nil:
		t.means(s, v.Account(), told.Advice)
	case told.Event != "":
		a := v.Account()
		for i := range a.Story {
			if a.Story[i].Event == told.Event {
				t.line(s, a, &a.Story[i])
			}
		}
	default:
		t.Line("%s  -- %s", at, t.Say("terminal.aside."+string(told.Aside), "words", told.Words))
	}
}

// line writes one line of the story.
func (t *Text) line(s *say.Speaker, a *visit.Account, l *visit.Line) {
	words := s.Line(a, l)
	if after := t.Happened(l.Happened); after != "" {
		words += " (" + after + ")"
	}
	t.Line("%s  %s", say.Second(l.At), words)
}

// refusal writes a refusal in its three parts.
func (t *Text) refusal(s *say.Speaker, at string, r *visit.Refusal) {
	what, lacks, ways := s.Refusal(r)
	t.Line("%s  %s", at, t.Say("terminal.refused", "what", what))
	part := func(key string, list []string) {
		name := t.Say(key)
		for _, words := range list {
			t.Line("%*s%-9s%s", hang, "", name, words)
			name = ""
		}
	}
	part("terminal.why", lacks)
	part("terminal.way", ways)
	if back, ok := r.Back(); ok {
		part("terminal.step", []string{back})
	}
}

func (t *Text) stop(s *say.Speaker, at, id string, schemes []rules.Scheme) {
	rule := strings.Repeat("*", 72)
	t.Line("%s", rule)
	t.Line("%s  %s", at, t.Say("terminal.stop", "title", s.Stop(id, "")))
	x := s.Method().Stop(id)
	do := []string{t.Say("stop.declared.tell"), t.Say("stop.declared.decide")}
	if x != nil {
		do = x.Do
	}
	for i, d := range do {
		t.Line("%*s%d. %s.", hang, "", i+1, strings.TrimSuffix(d, "."))
	}
	if x != nil && x.Owner != "" {
		t.Line("%*s%s", hang, "", t.Say("terminal.for", "owner", t.owned(x.Owner, x.Scheme, x.Category, schemes)))
	}
	t.Line("%s", rule)
}

// owned is an owner with the category of what is theirs.
func (t *Text) owned(o method.Owner, scheme, category string, schemes []rules.Scheme) string {
	words := t.Owner(cmp.Or(o, site.Employer))
	if c := t.Category(schemes, scheme, category); c != "" {
		return words + "; " + c
	}
	return words
}

// Story writes a visit that was folded from its record.
func (t *Text) Story(v *visit.Visit) {
	a := v.Account()
	s := t.Of(v.Machine().Method)
	if a.Opened != nil {
		o := a.Opened
		t.Head("terminal.opened", "job", o.Job, "address", o.Premises.Address, "point", o.Premises.MeterPoint, "meter", o.Premises.Meter)
		if o.Fictional {
			t.Put(0, "terminal.fictional")
		}
	}
	t.methodLines(v.Machine().Method)
	t.Line("")
	for i := range a.Story {
		l := &a.Story[i]
		body, _ := a.Body(l.Event)
		if x, ok := body.(visit.Advised); ok {
			t.means(s, a, &x)
			continue
		}
		t.line(s, a, l)
	}
}

// sorted writes lines with their times, in the order of the times.
func (t *Text) sorted(head string, lines []string) {
	if len(lines) == 0 {
		return
	}
	slices.Sort(lines)
	t.Head(head)
	for _, l := range lines {
		t.Line("  %s", l)
	}
}
