package tell

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/script"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/visit"
)

// Account writes how a visit stands: proofs with their brackets, readings with their limits,
// what was not tested, and the end.
func (t *Text) Account(v *visit.Visit, findings []script.Finding, schemes []rules.Scheme) {
	a := v.Account()
	t.proofs(a)
	t.readings(v)
	t.registers(findings)
	t.loads(a)
	t.found(a, schemes)
	t.leads(v)
	t.acts(a)
	t.notDone(v)
	t.supply(a)
	t.end(v)
}

func (t *Text) proofs(a *visit.Account) {
	t.Head("PROOFS")
	for _, p := range a.Proofs {
		t.Line("  %s: %s", proofState(&p), p.Words)
		for _, b := range under(a, p.Rests) {
			t.Line("      %s", bracketWords(&a.Brackets[b]))
		}
		for _, u := range p.Undone {
			what := "begun, and came to nothing at"
			if u.Held {
				what = "held until"
			}
			at := u.At.Format(clockWords)
			t.Line("      %s %s: %s", what, at, strings.TrimSuffix(u.Why, " at "+u.At.Format("15:04")))
		}
	}
}

// proofState says how a proof stands, so that words of one that came to nothing cannot be
// taken for a finding.
func proofState(p *visit.ProofLine) string {
	held := slices.ContainsFunc(p.Undone, func(u visit.Undone) bool { return u.Held })
	switch {
	case !p.Since.IsZero():
		return "HOLDS since " + p.Since.Format(clockWords)
	case held:
		return "holds no longer"
	case len(p.Undone) > 0 && p.State == "not shown":
		return "NOT SHOWN"
	}
	return strings.ToUpper(p.State)
}

// under lists the brackets in which the readings of a proof were made.
func under(a *visit.Account, rests []string) []int {
	var list []int
	for _, r := range a.Readings {
		if r.Bracket >= 0 && slices.Contains(rests, r.Event) && !slices.Contains(list, r.Bracket) {
			list = append(list, r.Bracket)
		}
	}
	slices.Sort(list)
	return list
}

func bracketWords(b *visit.Bracket) string {
	words := fmt.Sprintf("%s %s, proved %s on %s", kindWords(b.Kind), b.Instrument, b.OpenedAt.Format(clockWords), sourceWords(b.Source))
	switch b.State {
	case "closed":
		words += ", and again " + b.ClosedAt.Format(clockWords)
	case "void":
		words += "; void: " + b.Why
	default:
		words += "; not proved again"
	}
	return words
}

func kindWords(k instrument.Kind) string {
	if m, ok := instrument.Lookup(k); ok {
		return m.Words
	}
	return string(k)
}

func sourceWords(s visit.ProvingSource) string {
	words := strings.ReplaceAll(string(s.Kind), "-", " ")
	if s.ID != "" {
		words += " " + s.ID
	}
	return words
}

func (t *Text) readings(v *visit.Visit) {
	a := v.Account()
	limited, other, open := 0, 0, 0
	for _, r := range a.Readings {
		if r.Bracket < 0 || a.Brackets[r.Bracket].State != "closed" {
			open++
		}
		if r.Bounds == nil {
			other++
			continue
		}
		if limited++; limited == 1 {
			t.Head("READINGS AGAINST LIMITS")
		}
		t.reading(v, &r)
	}
	if limited > 0 {
		t.Line("  %s", Marks)
	}
	t.Head("READINGS IN ALL")
	t.Line("  Without a number: %d. Not between two good provings: %d of all %d.", other, open, len(a.Readings))
	for _, r := range a.Readings {
		if r.Bounds == nil && (r.Judged.Found != "expected" || r.Withdrawn) {
			t.reading(v, &r)
		}
	}
}

func (t *Text) reading(v *visit.Visit, r *visit.Reading) {
	where := point(v, r.Point)
	if r.Against != "" {
		where += " against " + point(v, r.Against)
	}
	words := fmt.Sprintf("%s  %s: %s", r.At.Format(clockWords), where, r.Shows)
	if r.Withdrawn {
		words += "; withdrawn"
	}
	t.Line("  %s; %s %s", words, kindWords(r.Kind), r.Instrument)
	bracket := "not proved before"
	if r.Bracket >= 0 {
		bracket = map[string]string{"closed": "between two good provings", "open": "not proved again", "void": "its provings are void"}[v.Account().Brackets[r.Bracket].State]
	}
	verdict := r.Judged.Found
	if r.Bounds != nil {
		verdict = fmt.Sprintf("%s [%s: %s]: %s", boundsWords(r.Bounds), r.Bounds.Mark, r.Bounds.Source, r.Judged.Verdict)
		if r.Judged.Verdict == "" {
			verdict = fmt.Sprintf("%s [%s: %s]: %s", boundsWords(r.Bounds), r.Bounds.Mark, r.Bounds.Source, r.Judged.Found)
		} else {
			verdict += fmt.Sprintf(", probability %.3f of lying within it", r.Judged.Probability)
		}
	}
	t.Line("            %s; %s", verdict, bracket)
}

// boundsWords writes a limit with its numbers.
func boundsWords(b *method.Bounds) string {
	unit := measure.Unit(b.Unit).String()
	switch {
	case b.Lower != "" && b.Upper != "":
		return fmt.Sprintf("%s, %s to %s %s", b.Words, b.Lower, b.Upper, unit)
	case b.Lower != "":
		return fmt.Sprintf("%s, at least %s %s", b.Words, b.Lower, unit)
	}
	return fmt.Sprintf("%s, at most %s %s", b.Words, b.Upper, unit)
}

func point(v *visit.Visit, id string) string {
	for _, p := range v.Machine().Method.Points {
		if string(p.ID) == id {
			return p.Words
		}
	}
	return id
}

func (t *Text) registers(findings []script.Finding) {
	if len(findings) == 0 {
		return
	}
	t.Head("REGISTERS, against the earlier readings of the job")
	for _, f := range findings {
		t.Line("  %s %s: %s: %s", f.Entry, f.Reading, f.Finding.Plausibility, f.Finding.Sentence)
		if f.Finding.Advance.RolledOver {
			t.Line("      the register passed its last number once: %s %s since the last reading", f.Finding.Advance.Quantity, f.Finding.Advance.Unit)
		}
	}
	band := findings[0].Finding.Band
	if !band.DoubtfulBelow.IsZero() {
		t.Line("  Band: %s and %s times the earlier daily means [%s: %s]", band.DoubtfulBelow.Value, band.DoubtfulAbove.Value, string(band.DoubtfulAbove.Mark), band.DoubtfulAbove.Source)
	}
}

// loads reckons the power of each load check that was entered.
func (t *Text) loads(a *visit.Account) {
	for _, e := range a.Entries {
		n, s, k := e.Entries["load-pulses"], e.Entries["load-seconds"], e.Entries["load-constant"]
		if n == "" || s == "" || k == "" {
			continue
		}
		p, err := TimedPower(n, s, k)
		if err != nil {
			t.Head("LOAD CHECK")
			t.Line("  %s", err)
			continue
		}
		t.Head("LOAD CHECK, by the definition of the meter constant [S]")
		t.Line("  %s pulses in %s s at %s pulses per kWh: %.0f W, standard uncertainty %.0f W", n, s, k, p.Value, p.U)
		if est := e.Entries["load-estimate"]; est != "" {
			t.Line("  load switched on: %s W", est)
		}
		t.Line("  %s", metering.NotTypeLimits)
	}
}

// TimedPower reckons the power of pulses counted from one to another, timed by hand.
func TimedPower(pulses, seconds, constant string) (measure.Estimate, error) {
	var vals [3]measure.Decimal
	for i, s := range []string{pulses, seconds, constant} {
		d, err := measure.ParseDecimal(s)
		if err != nil {
			return measure.Estimate{}, fmt.Errorf("load check: %w", err)
		}
		vals[i] = d
	}
	n, places := vals[0].Scaled()
	if places != 0 || n < 1 || n > 1_000_000 {
		return measure.Estimate{}, fmt.Errorf("load check: %s pulses cannot be counted: give a whole number from 1 on", pulses)
	}
	// A stopwatch in the hand [P]: 0.2 s either way at both ends together.
	return metering.TimedLoad{Pulses: int(n), Seconds: measure.Estimate{Value: vals[1].Float(), U: 0.2}, Constant: vals[2].Float(), Ratio: 1}.Power()
}

func (t *Text) found(a *visit.Account, schemes []rules.Scheme) {
	if len(a.Stops)+len(a.Remarks)+len(a.Defects)+len(a.Dependants)+len(a.Reports) == 0 {
		return
	}
	t.Head("FOUND AND TOLD")
	for _, s := range a.Stops {
		t.Line("  %s  stop: %s%s", s.At.Format(clockWords), s.Title, category(s.Scheme, s.Category, schemes))
		if !s.LeftAt.IsZero() {
			why := "work went on"
			if s.Why != "" {
				why = "went on: " + s.Why
			}
			t.Line("            left at %s; %s", s.LeftAt.Format(clockWords), why)
		}
	}
	for _, d := range a.Dependants {
		t.Line("  depends on the supply: %s; agreed: %s", d.Words, d.Agreed)
	}
	for _, r := range a.Remarks {
		t.Line("  %s  remark for the %s: %s%s", r.At.Format(clockWords), r.Owner, r.Words, category(r.Scheme, r.Category, schemes))
	}
	for _, d := range a.Defects {
		restricted := ""
		if d.Restricted {
			restricted = " (not for the consumer's copy)"
		}
		t.Line("  %s  defect for the %s, %s: %s%s%s", d.At.Format(clockWords), d.Owner, d.Asset, d.Words, category(d.Scheme, d.Category, schemes), restricted)
	}
	for _, r := range a.Reports {
		words := "told " + r.To
		if r.Name != "" {
			words += ", " + r.Name
		}
		if r.Reference != "" {
			words += ", reference " + r.Reference
		}
		t.Line("  %s  %s", r.At.Format(clockWords), words)
	}
}

// acts writes the acts and refusals that a reviewer reads first.
func (t *Text) acts(a *visit.Account) {
	var lines []string
	for _, r := range a.Refusals {
		lines = append(lines, fmt.Sprintf("%s  refused: %s (%s)", r.At.Format(clockWords), r.What, strings.Join(r.Rows, ", ")))
	}
	for _, x := range a.Acts {
		if x.InSpite {
			lines = append(lines, fmt.Sprintf("%s  done in spite of a refusal: %s: %s", x.At.Format(clockWords), x.Words, x.Why))
		}
		if x.Withdrawn {
			lines = append(lines, fmt.Sprintf("%s  rested on an observation that was withdrawn later: %s", x.At.Format(clockWords), x.Words))
		}
	}
	for _, c := range a.Corrections {
		now := "withdrawn"
		if c.Now != "" {
			now = "now " + c.Now
		}
		lines = append(lines, fmt.Sprintf("%s  corrected: was %s, %s: %s", c.At.Format(clockWords), c.Was, now, c.Why))
	}
	for _, d := range a.Discrepancies {
		lines = append(lines, fmt.Sprintf("%s  NOT ACCEPTED by this engine: %s: %s", d.At.Format(clockWords), d.Kind, d.Why))
	}
	if len(lines) == 0 {
		return
	}
	slices.Sort(lines)
	t.Head("REFUSALS AND CORRECTIONS")
	for _, l := range lines {
		t.Line("  %s", l)
	}
}

// notDone writes what was left out, and every step after the last one carried out.
func (t *Text) notDone(v *visit.Visit) {
	a := v.Account()
	steps := Remaining(v)
	if len(a.LeftOut) == 0 && len(steps) == 0 {
		return
	}
	t.Head("NOT TESTED, NOT DONE")
	for _, l := range a.LeftOut {
		t.Line("  %s: %s %s", strings.ReplaceAll(l.How, "-", " "), l.Say, l.Why)
	}
	if len(steps) == 0 {
		return
	}
	phases := map[string][2]int{}
	for _, s := range steps {
		n := phases[s.Phase]
		n[0]++
		if s.Observe != nil {
			n[1]++
		}
		phases[s.Phase] = n
	}
	for _, p := range v.Machine().Method.Phases {
		if n, ok := phases[p.ID]; ok {
			t.Line("  %s: %s not carried out, %s among them", p.Words, count(n[0], "step"), count(n[1], "test"))
		}
	}
}

// Remaining lists the steps that come after the last one carried out and that apply by what
// is known.
func Remaining(v *visit.Visit) []*method.Step {
	m := v.Machine().Method
	facts := v.Facts()
	from := len(m.Steps)
	if next := v.Position(); next != "" {
		_, from = m.Step(next)
	}
	var steps []*method.Step
	for i := from; i < len(m.Steps); i++ {
		s := &m.Steps[i]
		applies := true
		for f, values := range s.When {
			if have, known := facts[f]; known && !slices.Contains(values, have) {
				applies = false
			}
		}
		if applies {
			steps = append(steps, s)
		}
	}
	return steps
}

func (t *Text) supply(a *visit.Account) {
	for _, o := range a.Supply {
		if o.On.IsZero() {
			t.Head("SUPPLY  off since %s, and not on again", o.Off.Format(clockWords))
			continue
		}
		t.Head("SUPPLY  off %s, on %s, for %s", o.Off.Format(clockWords), o.On.Format(clockWords), o.On.Sub(o.Off).Round(time.Second))
	}
}

func (t *Text) end(v *visit.Visit) {
	a := v.Account()
	t.Head("END")
	if a.End == nil {
		n := v.Next()
		t.Line("  The visit has not ended.")
		if n.Step != "" {
			t.Line("  Next step: %s: %s", n.Step, n.Say)
		}
		if n.Stop != "" {
			t.Line("  A stop is in force: %s", n.Stop)
		}
		if n.Blocked != nil {
			t.Refusal("  now    ", n.Blocked)
		}
	} else {
		t.Line("  %s", strings.ReplaceAll(a.End.Outcome, "-", " "))
		for _, part := range []struct{ name, words string }{{"Why", a.End.Why}, {"Left", a.End.Left}, {"Guarded", a.End.Guarded}} {
			if part.words != "" {
				t.Line("  %s: %s", part.name, part.words)
			}
		}
	}
	now := v.Switches()
	for _, w := range v.Machine().Method.Switches {
		if is := now[string(w.ID)]; is != string(w.Home) {
			t.Line("  State: %s: %s", w.Words, is)
		}
	}
	if worn := v.Worn(); len(worn) > 0 {
		t.Line("  Worn: %s", strings.Join(worn, ", "))
	}
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// Story writes a visit that was folded from its record.
func (t *Text) Story(v *visit.Visit) {
	a := v.Account()
	if a.Opened != nil {
		o := a.Opened
		t.Head("Job %s, %s; meter point %s; meter %s", o.Job, o.Premises.Address, o.Premises.MeterPoint, o.Premises.Meter)
		if o.Fictional {
			t.Line("Fictional: premises, people, companies and numbers are invented.")
		}
	}
	t.methodLines(v.Machine().Method)
	t.Line("")
	for _, l := range a.Story {
		if body, _ := a.Body(l.Event); l.Kind == visit.KindAdvised {
			if x, ok := body.(visit.Advised); ok {
				t.advice(&x)
				continue
			}
		}
		words := l.Words
		if l.Happened != "" {
			words += " (entered afterwards; it happened at " + clockOf(l.Happened) + ")"
		}
		t.Line("%s  %s", l.At.Format(clockWords), words)
	}
}
