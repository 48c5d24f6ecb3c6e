// Package terminal sets visits, verdicts and reckonings out as text for a terminal.
//
// It gives lines their place; the words come from package say, and nothing here decides anything.
// What touches the work at a service position ends with the caution.
package terminal

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"meterwright/internal/jobs"
	"meterwright/internal/script"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/protection"
	"meterwright/record"
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

// Lines writes a text of several lines.
func (t *Text) Lines(s string) {
	for l := range strings.SplitSeq(strings.TrimRight(s, "\n"), "\n") {
		t.Line("%s", l)
	}
}

// Method writes the steps that a visit would follow.
func (t *Text) Method(r *method.Resolved, hash string) {
	t.methodLines(r)
	t.Put(0, "terminal.hash", "hash", hash)
	t.Put(0, "terminal.claimed", "claims", strings.Join(t.claims(r), ", "), "terminals", strings.Join(r.Claims.Terminals, " "))
	t.Head("terminal.method.proofs")
	for _, p := range r.Proofs {
		words := fmt.Sprintf("  %-16s %s", p.ID, p.Words)
		if p.Lasts > 0 {
			words += "; " + t.Say("terminal.method.lasts", "span", t.Span(time.Duration(p.Lasts)*time.Minute))
		}
		t.Line("%s", words)
	}
	n := 0
	for _, p := range r.Phases {
		t.Line("")
		t.Line("%s", p.Words)
		for i := range r.Steps {
			if r.Steps[i].Phase == p.ID {
				n++
				t.step(n, &r.Steps[i])
			}
		}
	}
	t.Line("")
	t.Put(0, "marks")
}

func (t *Text) step(n int, s *method.Step) {
	t.Line("%4d  %s: %s", n, s.ID, s.Say)
	note := func(key string, words []string, args ...any) {
		if len(words) > 0 {
			t.Put(8, "terminal.step."+key, append(args, "words", strings.Join(words, ", "))...)
		}
	}
	note("expects", t.expects(s))
	for _, f := range slices.Sorted(maps.Keys(s.When)) {
		note("when", s.When[f], "fact", f)
	}
	note("worn", s.Protect)
	note("needs", s.Needs)
	note("supports", s.Supports)
	for _, u := range s.Outcomes() {
		if u.Stop != "" {
			note("stop", []string{u.Stop})
		} else {
			note("remark", []string{u.Remark})
		}
	}
}

func (t *Text) expects(s *method.Step) []string {
	switch {
	case s.Observe != nil && s.Observe.Bounds != nil:
		return []string{s.Observe.Bounds.Words + ", " + t.LimitSource(s.Observe.Bounds)}
	case s.Observe != nil:
		return []string{s.Observe.Expect}
	case s.Inspect != nil && s.Inspect.Expect != "":
		return []string{s.Inspect.Expect}
	}
	return nil
}

// Record writes what a verification found.
func (t *Text) Record(r record.Report) {
	t.Line("%s", t.Genuine(r.Verdict))
	if r.Visit != "" {
		t.Put(2, "terminal.record.visit", "visit", r.Visit, "nature", t.Nature(r.Nature), "n", r.Lines)
	}
	for _, c := range r.Chains {
		key := say.Either(c.Named, "terminal.record.key-named", "terminal.record.key")
		t.Put(2, key, "input", cmp.Or(c.Input, t.Say("terminal.record.the")), "key", c.Key, "holder", strings.TrimSpace(c.Holder.Person+" "+c.Holder.Device))
		t.Put(4, "terminal.record.lines", "n", int(c.Next), "first", say.Day(c.First)+" "+say.Second(c.First), "last", say.Second(c.Last), "head", c.Head)
		if c.Boots > 1 {
			t.Put(4, "terminal.record.restarted", "n", c.Boots-1)
		}
	}
	for _, f := range r.Faults {
		t.Put(2, "terminal.record.fault", "fault", f)
	}
	for _, n := range r.Notes {
		if n.Kind != record.NoteKeyNotNamed {
			t.Put(2, "terminal.record.note", "note", n)
		}
	}
	if r.NotesLeftOut > 0 {
		t.Put(2, "terminal.record.more", "n", r.NotesLeftOut)
	}
	if r.Lines > 0 {
		t.Put(2, "terminal.record.whose")
	}
}

// shownBody is the longest part of a body that a line of Event shows, in bytes.
const shownBody = 160

// Event writes one line of a record.
func (t *Text) Event(number int, e record.Event) {
	body := string(e.Body)
	if len(body) > shownBody {
		body = strings.ToValidUTF8(body[:shownBody], "") + "… " + t.Say("terminal.record.bytes", "n", len(e.Body))
	}
	t.Line("%4d  %s  %-11s %s  %s", number, say.Day(e.Wall)+" "+say.Second(e.Wall), e.Kind, e.Person, body)
}

// Raw writes a line of JSON as it is.
func (t *Text) Raw(line []byte) {
	if t.err == nil {
		_, t.err = t.w.Write(append(line, '\n'))
	}
}

// Current writes a prospective fault current.
func (t *Text) Current(c protection.Current) {
	if c.Unbounded {
		t.Put(0, "terminal.current.unbounded", "low", t.Figure(c.Low, 0, measure.Ampere))
	} else {
		t.Put(0, "terminal.current", "value", t.Figure(c.Value, c.U, measure.Ampere), "low", t.Figure(c.Low, c.U, measure.Ampere), "high", t.Figure(c.High, c.U, measure.Ampere))
	}
	for _, n := range c.Used {
		t.Put(4, "terminal.current.with", "number", n)
	}
}

// Checks writes verdicts, each with its limit and source.
func (t *Text) Checks(list []protection.Check) {
	for i := range list {
		c := &list[i]
		t.Put(0, "terminal.check", "quantity", t.Quantified(c), "value", t.Figure(c.Value.Value, c.Value.U, c.Unit), "verdict", t.Judgement(c.Judgement))
		t.Line("    %s", t.Check(c))
		for _, l := range c.Limits {
			t.Put(4, "terminal.check.limit", "limit", l)
		}
	}
}

// Fuse writes what is known of a fuse against a fault.
func (t *Text) Fuse(f protection.FuseCheck) {
	t.Put(0, "terminal.fuse", "standard", f.Standard, "rating", f.Rating, "seconds", f.Seconds, "verdict", t.Judgement(f.Judgement))
	t.Line("    %s", t.Language.Fuse(&f))
	t.Current(f.Current)
	for _, n := range f.Melts {
		t.Put(4, "terminal.fuse.melts", "limit", n)
	}
	for _, n := range f.Holds {
		t.Put(4, "terminal.fuse.holds", "limit", n)
	}
}

// Load writes a timed load.
func (t *Text) Load(power measure.Estimate, c *metering.Comparison, tolerance float64) {
	t.Put(0, "terminal.load.meter", "power", t.Figure(power.Value, power.U, measure.Watt), "u", t.Figure(power.U, power.U, measure.Watt))
	if c != nil {
		t.Put(0, "terminal.load.reference", "power", t.Figure(c.Reference.Value, c.Reference.U, measure.Watt), "u", t.Figure(c.Reference.U, c.Reference.U, measure.Watt))
		t.Put(0, "terminal.load.deviation", "percent", strconv.FormatFloat(c.DeviationPct.Value, 'f', 1, 64), "u", strconv.FormatFloat(c.DeviationPct.U, 'f', 1, 64),
			"tolerance", tolerance, "verdict", t.Judgement(c.Agreement))
	}
	t.Line("%s", metering.NotTypeLimits)
}
