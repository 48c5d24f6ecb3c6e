package terminal

import (
	"slices"
	"time"

	"meterwright/internal/script"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/visit"
	"meterwright/walk"
)

// Account writes how a visit stands: proofs with their brackets, readings with their limits,
// what was not tested, and the end.
func (t *Text) Account(v *visit.Visit, findings []script.Finding, schemes []rules.Scheme) {
	a := v.Account()
	s := t.Of(v.Machine().Method)
	t.proofs(s, a)
	t.readings(s, a)
	t.registers(findings)
	t.loads(s, a)
	t.found(s, a, schemes)
	t.lastMeans(s, a)
	t.acts(s, a)
	t.notDone(s, v)
	t.supply(a)
	t.end(s, v)
}

func (t *Text) proofs(s *say.Speaker, a *visit.Account) {
	t.Head("terminal.proofs")
	for i := range a.Proofs {
		p := &a.Proofs[i]
		t.Line("  %s: %s", s.ProofState(p), s.Proof(p.ID))
		var under []int
		for _, r := range a.Readings {
			if r.Bracket >= 0 && slices.Contains(p.Rests, r.Event) && !slices.Contains(under, r.Bracket) {
				under = append(under, r.Bracket)
			}
		}
		slices.Sort(under)
		for _, b := range under {
			t.Line("      %s", s.Bracket(&a.Brackets[b]))
		}
		for j := range p.Undone {
			t.Line("      %s", s.Undone(&p.Undone[j]))
		}
	}
}

func (t *Text) readings(s *say.Speaker, a *visit.Account) {
	limited, other, open := 0, 0, 0
	for i := range a.Readings {
		r := &a.Readings[i]
		if r.Bracket < 0 || a.Brackets[r.Bracket].State != visit.BracketClosed {
			open++
		}
		if r.Bounds == nil {
			other++
			continue
		}
		if limited++; limited == 1 {
			t.Head("terminal.readings-limited")
		}
		t.reading(s, a, r)
	}
	if limited > 0 {
		t.Put(2, "marks")
	}
	t.Head("terminal.readings")
	t.Put(2, "terminal.readings.counts", "other", other, "open", open, "all", len(a.Readings))
	for i := range a.Readings {
		if r := &a.Readings[i]; r.Bounds == nil && (r.Judged.Found != visit.FoundExpected || r.Withdrawn) {
			t.reading(s, a, r)
		}
	}
}

func (t *Text) reading(s *say.Speaker, a *visit.Account, r *visit.Reading) {
	key := say.Either(r.Withdrawn, "terminal.reading.withdrawn", "terminal.reading")
	t.Put(2, key, "at", say.Second(r.At), "where", s.Between(r.Point, r.Against), "shows", s.Shows(r.Shows), "kind", s.Kind(r.Kind), "id", r.Instrument)
	var bracket *visit.Bracket
	if r.Bracket >= 0 {
		bracket = &a.Brackets[r.Bracket]
	}
	verdict := s.Verdict(r)
	if r.Bounds != nil {
		verdict = r.Bounds.Words + ", " + s.LimitSource(r.Bounds) + ": " + verdict
	}
	t.Line("            %s; %s", verdict, s.Counts(bracket))
}

func (t *Text) registers(findings []script.Finding) {
	if len(findings) == 0 {
		return
	}
	t.Head("terminal.registers")
	for i := range findings {
		f := &findings[i].Finding
		t.Put(2, "terminal.register", "entry", findings[i].Entry, "reading", findings[i].Reading, "finding", t.Register(f))
		if f.Advance.RolledOver {
			t.Put(6, "terminal.rolled-over", "quantity", f.Advance.Quantity, "unit", string(f.Advance.Unit))
		}
	}
	if band := findings[0].Finding.Band; !band.DoubtfulBelow.IsZero() {
		t.Put(2, "terminal.band", "below", band.DoubtfulBelow.Value, "above", band.DoubtfulAbove.Value, "mark", string(band.DoubtfulAbove.Mark), "source", band.DoubtfulAbove.Source)
	}
}

// loads reckons the power of each load check that was entered.
func (t *Text) loads(s *say.Speaker, a *visit.Account) {
	for _, e := range a.Entries {
		step, _ := s.Method().Step(e.Step)
		if step == nil || e.Corrects != "" || e.Withdrawn {
			continue
		}
		standing := a.Standing(e.Event)
		value := func(role method.FieldRole) string {
			if f := step.Record.Field(role); f != nil {
				return standing[f.ID]
			}
			return ""
		}
		n, sec, k := value(method.LoadPulses), value(method.LoadSeconds), value(method.LoadConstant)
		if n == "" || sec == "" || k == "" {
			continue
		}
		var p measure.Estimate
		load, err := metering.ByHand(n, sec, k, value(method.TransformerRatio))
		if err == nil {
			p, err = load.Power()
		}
		t.Head("terminal.load")
		if err != nil {
			t.Line("  %s", err)
			continue
		}
		t.Put(2, "terminal.load.power", "pulses", n, "seconds", sec, "constant", k, "power", t.Figure(p.Value, p.U, measure.Watt), "u", t.Figure(p.U, p.U, measure.Watt))
		if est := value(method.LoadEstimate); est != "" {
			t.Put(2, "terminal.load.estimate", "power", est)
		}
		t.Line("  %s", metering.NotTypeLimits)
	}
}

func (t *Text) found(s *say.Speaker, a *visit.Account, schemes []rules.Scheme) {
	if len(a.Stops)+len(a.Remarks)+len(a.Defects)+len(a.Dependants)+len(a.Reports) == 0 {
		return
	}
	t.Head("terminal.found")
	for _, x := range a.Stops {
		t.Put(2, "terminal.found.stop", "at", say.Second(x.At), "title", s.Stop(x.ID, x.Words), "owner", t.owned(x.Owner, x.Scheme, x.Category, schemes))
		if !x.LeftAt.IsZero() {
			key := "terminal.found.left"
			switch {
			case x.Slip != "":
				key = "terminal.found.slip"
			case x.Why != "":
				key = "terminal.found.left-why"
			}
			t.Put(12, key, "at", say.Second(x.LeftAt), "why", x.Why)
		}
	}
	for _, d := range a.Dependants {
		t.Put(2, "terminal.found.dependant", "words", d.Words, "agreed", d.Agreed)
	}
	for _, r := range a.Remarks {
		if r.Withdrawn {
			continue
		}
		t.Put(2, "terminal.found.remark", "at", say.Second(r.At), "words", s.Remark(r.Step, r.Outcome), "owner", t.owned(r.Owner, r.Scheme, r.Category, schemes))
	}
	for _, d := range a.Defects {
		key := say.Either(d.Restricted, "terminal.found.defect-restricted", "terminal.found.defect")
		t.Put(2, key, "at", say.Second(d.At), "asset", d.Asset, "words", d.Words, "owner", t.owned(d.Owner, d.Scheme, d.Category, schemes))
	}
	for _, r := range a.Reports {
		t.Put(2, "terminal.found.told", "at", say.Second(r.At), "who", t.Language.Told(r.To, r.Whom, r.Name, r.Reference))
	}
}

// acts writes the acts and refusals that a reviewer reads first.
func (t *Text) acts(s *say.Speaker, a *visit.Account) {
	var lines []string
	add := func(at time.Time, key string, args ...any) {
		lines = append(lines, say.Second(at)+"  "+t.Say(key, args...))
	}
	for i := range a.Refusals {
		r := &a.Refusals[i]
		rows := make([]string, len(r.Rows))
		for j, row := range r.Rows {
			rows[j] = string(row)
		}
		add(r.At, "terminal.acts.refused", "what", s.Reason(r.What), "rows", t.List(rows))
	}
	for _, x := range a.Acts {
		if x.InSpite {
			add(x.At, "terminal.acts.in-spite", "act", s.Act(x.Act), "why", x.Why)
		}
		if x.Withdrawn {
			add(x.At, "terminal.acts.withdrawn", "act", s.Act(x.Act))
		}
	}
	for i := range a.Corrections {
		x, key := &a.Corrections[i], "terminal.acts.corrected"
		if x.Reason == visit.Slip {
			key = "terminal.acts.slip"
		}
		was, now := s.Correction(a, x)
		add(x.At, key, "was", was, "now", now, "why", x.Why)
	}
	for i := range a.Discrepancies {
		d := &a.Discrepancies[i]
		add(d.At, "terminal.acts.not-accepted", "kind", t.Language.Event(d.Kind), "why", s.Discrepancy(d))
	}
	t.sorted("terminal.acts", lines)
}

// notDone writes what was left out, and every step after the last one carried out.
func (t *Text) notDone(s *say.Speaker, v *visit.Visit) {
	a := v.Account()
	steps := walk.Remaining(v)
	if len(a.LeftOut) == 0 && len(steps) == 0 {
		return
	}
	t.Head("terminal.not-done")
	for _, l := range a.LeftOut {
		t.Put(2, "terminal.not-done.left-out", "how", t.Omission(l.How), "step", s.Step(l.Step), "why", l.Why)
	}
	phases := map[string][2]int{}
	for _, x := range steps {
		n := phases[x.Phase]
		n[0]++
		if x.Observe != nil {
			n[1]++
		}
		phases[x.Phase] = n
	}
	for _, p := range v.Machine().Method.Phases {
		if n, ok := phases[p.ID]; ok {
			t.Put(2, "terminal.not-done.phase", "phase", p.Words, "steps", t.Say("count.step", "n", n[0]), "tests", t.Say("count.test", "n", n[1]))
		}
	}
}

func (t *Text) supply(a *visit.Account) {
	for _, o := range a.Supply {
		if o.On.IsZero() {
			t.Head("terminal.supply.off", "off", say.Second(o.Off))
			continue
		}
		t.Head("terminal.supply.on", "off", say.Second(o.Off), "on", say.Second(o.On), "for", o.On.Sub(o.Off).Round(time.Second))
	}
}

func (t *Text) end(s *say.Speaker, v *visit.Visit) {
	a := v.Account()
	t.Head("terminal.end")
	if a.End == nil {
		n := v.Next()
		t.Put(2, "terminal.end.not")
		if n.Step != "" {
			t.Put(2, "terminal.end.next", "id", n.Step, "step", s.Step(n.Step))
		}
		if n.Stop != "" {
			t.Put(2, "terminal.end.stop", "stop", s.Stop(n.Stop, ""))
		}
		if n.Blocked != nil {
			t.refusal(s, "  "+t.Say("terminal.end.now"), n.Blocked)
		}
	} else {
		t.Line("  %s", t.Outcome(a.End.Outcome))
		for _, part := range []struct{ key, words string }{{"terminal.end.why", a.End.Why}, {"terminal.end.left", a.End.Left}, {"terminal.end.guarded", a.End.Guarded}} {
			if part.words != "" {
				t.Put(2, part.key, "words", part.words)
			}
		}
	}
	now := v.Switches()
	for _, w := range v.Machine().Method.Switches {
		if is := now[string(w.ID)]; is != string(w.Home) {
			t.Put(2, "terminal.end.state", "switch", w.Words, "is", s.Position(w.Away))
		}
	}
	if worn := v.Worn(); len(worn) > 0 {
		t.Put(2, "terminal.end.worn", "items", t.List(s.Items(worn)))
	}
	if _, contested := v.Holder(); contested {
		t.Put(2, "reason.held-by-two")
	}
}

// means writes what the readings so far may mean, under the sentence of the last one. Where there is nothing
// to say it says nothing.
func (t *Text) means(s *say.Speaker, a *visit.Account, x *visit.Advised) {
	line := func(words string) { t.Line("%*s%s  %s", hang, "", t.Say("terminal.means"), words) }
	for _, e := range x.Against {
		line(t.Say("terminal.means.against", "words", s.Against(e)))
	}
	if x.AgainstMore > 0 {
		line(t.Say("means.against-more", "n", x.AgainstMore))
	}
	if x.Quiet() {
		return
	}
	for i := range x.Fits {
		line(s.MeaningLine(&x.Fits[i], s.FirstMeaning(&x.Fits[i])))
	}
	for _, words := range s.Repeats(a, x) {
		line(words)
	}
	if x.Next != nil {
		line(t.Say("terminal.means.next", "step", s.Step(x.Next.Step), "why", s.NextTest(x)))
	}
}

// lastMeans writes what the readings may mean as it was worked out last, with every answer that was given to it.
func (t *Text) lastMeans(s *say.Speaker, a *visit.Account) {
	list := a.Advice
	if len(list) == 0 {
		return
	}
	last := &list[len(list)-1]
	t.Head("terminal.means.head", "at", say.Second(last.At), "engine", last.Engine)
	for i := range a.Story {
		if l := &a.Story[i]; l.Event == last.Upon {
			t.Put(2, "terminal.means.after", "at", say.Second(l.At), "words", s.Line(a, l))
		}
	}
	for i := range last.Fits {
		t.Line("  %s", s.MeaningLine(&last.Fits[i], s.Meaning(&last.Fits[i])))
	}
	if outside := s.Outside(&last.Advised); outside != "" {
		t.Line("  %s", outside)
	}
	for _, words := range s.Repeats(a, &last.Advised) {
		t.Line("  %s", words)
	}
	if last.Untouched > 0 {
		t.Put(2, "terminal.means.untouched", "n", last.Untouched)
	}
	if last.Skipped > 0 {
		t.Put(2, "terminal.means.skipped", "n", last.Skipped)
	}
	if n := last.Next; n != nil {
		t.Put(2, "terminal.means.next", "step", s.Step(n.Step), "why", s.NextTest(&last.Advised))
	}
	for i := range list {
		for _, x := range list[i].Answers {
			key := "terminal.means.followed"
			switch {
			case x.Answer == "set-aside":
				key = "terminal.means.set-aside"
			case x.Why != "":
				key = "terminal.means.followed-why"
			}
			t.Line("  %s  %s", say.Second(x.At), t.Say(key, "why", x.Why))
		}
	}
	t.Put(2, "terminal.means.model", "model", last.Model[:min(12, len(last.Model))], "site", last.Site[:min(12, len(last.Site))], "caution", t.Say("means.caution"))
}
