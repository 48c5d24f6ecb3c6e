package report

import (
	"cmp"
	"slices"
	"strings"

	"meterwright/method"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/walk"
)

// found says what was found that the copy's reader has to know, and who was told.
func (c *composer) found() {
	t := c.table(column{"time", 0.11}, column{"found", 0.32}, column{"reading", 0.21}, column{"whose", 0.11}, column{"category", 0.25})
	kept := false
	for _, d := range c.in.Case.Defects() {
		if words := c.finding(&d); words != "" {
			t.row(d.From == replay.FromStop, second(d.At), with(words, c.left(&d), c.after(c.lines[d.Event].Happened)), c.reading(d.Event), c.Owner(d.Owner), c.category(&d))
		}
		kept = kept || d.Restricted && c.in.Copy == Supplier
	}
	blocks := []Block{t}
	switch {
	case kept && t.empty():
		blocks = append(blocks, &Words{List: []string{c.w("found.apart")}})
	case t.empty():
		blocks = append(blocks, &Words{List: []string{c.nothing()}})
	}
	if c.in.Copy == Full {
		blocks = append(blocks, c.told(func(visit.ReportLine) bool { return true }), c.depends())
	}
	c.add("found", blocks...)
}

// finding is what is wrong in the words of the copy's reader, or nothing where it is not theirs.
func (c *composer) finding(d *replay.Defect) string {
	switch c.in.Copy {
	case Full:
		words := c.Defect(d)
		if d.From == replay.FromStop {
			words = c.w("found.stop", "stop", words)
		}
		if d.Restricted {
			words = with(words, c.w("found.restricted"))
		}
		return words
	case Consumer:
		return c.plain(d)
	case Distributor:
		if d.Owner == site.Distributor && !d.Restricted {
			return c.Defect(d)
		}
	case Supplier:
		if d.Owner == site.Supplier && !d.Restricted {
			return c.Defect(d)
		}
	}
	return ""
}

// category is the scheme with the category. What it means is for whoever reports by the scheme: it tells the operative
// what to do.
func (c *composer) category(d *replay.Defect) string {
	schemes := c.in.Pack.Schemes
	if c.in.Copy == Consumer {
		schemes = slices.Clone(schemes)
		for i := range schemes {
			schemes[i].Categories = nil
		}
	}
	return c.Category(schemes, d.Scheme, d.Category)
}

// plain is what is wrong in words for whoever lives there, or nothing where it is not theirs to know. A stop has
// such words of its own: what it says to the operative is never said to them.
func (c *composer) plain(d *replay.Defect) string {
	switch stop := c.Method().Stop(d.Stop); {
	case d.Restricted:
		return ""
	case d.From == replay.FromStop && stop != nil && stop.Consumer != "":
		return c.w("sentence", "words", stop.Consumer)
	case d.From == replay.FromStop || !theirs(d.Owner):
		return ""
	}
	return c.Defect(d)
}

// left says when a stop was lifted, and why.
func (c *composer) left(d *replay.Defect) string {
	i := slices.IndexFunc(c.account.Stops, func(s visit.StopLine) bool { return d.From == replay.FromStop && s.Event == d.Event && s.ID == d.Stop })
	if i < 0 || c.account.Stops[i].LeftAt.IsZero() {
		return ""
	}
	if why := c.typed(c.account.Stops[i].Why); why != "" && c.in.Copy != Consumer {
		return c.w("found.left-why", "at", second(c.account.Stops[i].LeftAt), "why", why)
	}
	return c.w("found.left", "at", second(c.account.Stops[i].LeftAt))
}

// reading is what was read in an event, and where.
func (c *composer) reading(event string) string {
	n := c.number[event]
	if n == 0 {
		return ""
	}
	r := &c.account.Readings[n-1]
	return c.w("reading", "where", c.Between(r.Point, r.Against), "shows", c.Shows(r.Shows))
}

// nothing says that nothing was found that is for the reader, and how little that tells where no reading counts or
// work was done in spite of a refusal.
func (c *composer) nothing() string {
	counts := slices.ContainsFunc(c.account.Readings, func(r visit.Reading) bool { return c.counts(&r) })
	switch {
	case len(c.spite()) > 0:
		return c.w("found.none.in-spite")
	case !counts:
		return c.w("found.none.no-reading")
	}
	return c.w("found.none." + string(c.in.Copy))
}

// counts reports whether a reading stands between two good provings and was not taken back.
func (c *composer) counts(r *visit.Reading) bool {
	return !r.Withdrawn && r.Bracket >= 0 && c.account.Brackets[r.Bracket].State == visit.BracketClosed
}

// told lists who was told.
func (c *composer) told(of func(visit.ReportLine) bool) *Table {
	t := c.table(column{"time", 0.11}, column{"told", 0.5}, column{"said", 0.39})
	for _, r := range c.account.Reports {
		if of(r) {
			t.row(false, second(r.At), c.w("sentence", "words", c.Told(r.To, r.Whom, r.Name, r.Reference)), c.typed(r.Words))
		}
	}
	return t
}

// rung says when the copy's reader was told.
func (c *composer) rung() {
	owner := map[Copy]method.Owner{Distributor: site.Distributor, Supplier: site.Supplier}[c.in.Copy]
	t := c.told(func(r visit.ReportLine) bool { return r.To == owner })
	if t.empty() {
		concerned := slices.ContainsFunc(c.in.Case.Defects(), func(d replay.Defect) bool { return d.Owner == owner })
		c.add("rung", &Words{Strong: concerned, List: []string{c.w("rung.never", "owner", c.Owner(owner))}})
		return
	}
	c.add("rung", t)
}

// depends says who or what depends on the supply, and what was agreed.
func (c *composer) depends() *Words {
	w := &Words{}
	for _, d := range c.account.Dependants {
		w.List = append(w.List, c.w("depends", "words", d.Words, "agreed", d.Agreed))
	}
	return w
}

func (c *composer) dependants() {
	w := c.depends()
	c.eachEntry(func(_ *visit.EntryLine, f *method.Field, value string) {
		if f.Role == method.Dependants || f.Role == method.Credit {
			w.List = append(w.List, c.w("entry", "field", f.Words, "value", value))
		}
	})
	c.add("dependants", w)
}

// restrictedSheet keeps what is restricted on a sheet of its own.
func (c *composer) restrictedSheet() {
	t := c.table(column{"time", 0.11}, column{"found", 0.49}, column{"category", 0.4})
	for _, d := range c.in.Case.Defects() {
		if d.Restricted {
			t.row(true, second(d.At), c.Defect(&d), c.category(&d))
		}
	}
	if t.empty() {
		return
	}
	p := &Pairs{}
	if e := c.account.End; e != nil {
		c.pair(p, "why", e.Why)
		c.pair(p, "left", e.Left)
	}
	c.add("restricted", &Words{Strong: true, List: []string{c.w("restricted.keep-apart")}}, t, p).Alone = true
}

// notTested says what was left out, passed over or not come to, and which readings count for nothing.
func (c *composer) notTested() {
	if c.in.Copy == Consumer {
		c.add("not-tested", &Words{List: c.notTestedPlain()})
		return
	}
	var rows []string
	for _, l := range c.account.LeftOut {
		rows = append(rows, with(c.w("left-out", "how", c.Omission(l.How), "step", c.Step(l.Step)), c.w("sentence", "words", c.typed(l.Why))))
	}
	for _, s := range c.passedOver() {
		rows = append(rows, c.w("passed-over", "step", s.Say))
	}
	rows = append(rows, c.notComeTo()...)
	c.add("not-tested", &Words{List: append(rows, c.openReadings(len(rows))...)})
}

// notComeTo says what lies beyond where the visit ended: phase by phase in the full record, and in one line on a copy.
func (c *composer) notComeTo() []string {
	phases := map[string][2]int{}
	var all [2]int
	for _, s := range walk.Remaining(c.in.Case.Visit) {
		n := phases[s.Phase]
		n[0], all[0] = n[0]+1, all[0]+1
		if s.Observe != nil {
			n[1], all[1] = n[1]+1, all[1]+1
		}
		phases[s.Phase] = n
	}
	words := func(key, phase string, n [2]int) string {
		if n[1] == 0 {
			key += ".untested"
		}
		return c.w(key, "phase", phase, "steps", n[0], "tests", n[1])
	}
	var rows []string
	for _, p := range c.Method().Phases {
		switch n := phases[p.ID]; {
		case n[0] == 0:
		case c.in.Copy != Full:
			return []string{words("not-come-to.from", p.Words, all)}
		default:
			rows = append(rows, words("not-come-to", p.Words, n))
		}
	}
	return rows
}

// openReadings says how many readings count for nothing; with nothing else to say, that this says little.
func (c *composer) openReadings(others int) []string {
	open := 0
	for i := range c.account.Readings {
		if !c.counts(&c.account.Readings[i]) {
			open++
		}
	}
	switch {
	case open > 0:
		return []string{c.w("open-readings", "n", open)}
	case others > 0:
		return nil
	}
	return []string{c.w("not-tested.none")}
}

// passedOver lists the steps that apply and are not still to come, of which the record has nothing:
// what was done in spite of a refusal can leave them behind.
func (c *composer) passedOver() []*method.Step {
	has := map[string]bool{}
	for _, l := range c.account.Story {
		has[l.Step] = true
	}
	v := c.in.Case.Visit
	var list []*method.Step
	for i, s := range walk.Steps(c.Method(), v.Facts()) {
		if !v.Ahead(i) && !has[s.ID] && len(s.PutOn)+len(s.TakeOff) == 0 {
			list = append(list, s)
		}
	}
	return list
}

// notTestedPlain says what was not tested by where it would have been, without a word for the operative.
func (c *composer) notTestedPlain() []string {
	if c.restricted() {
		return []string{c.w("not-tested.restricted")}
	}
	steps := append(c.passedOver(), walk.Remaining(c.in.Case.Visit)...)
	for _, l := range c.account.LeftOut {
		if s, _ := c.Method().Step(l.Step); s != nil {
			steps = append(steps, s)
		}
	}
	var places []string
	others := 0
	for _, s := range steps {
		if s.Observe == nil {
			others++
		} else if p := c.Point(s.Observe.At); !slices.Contains(places, p) {
			places = append(places, p)
		}
	}
	var rows []string
	if len(places) > 0 {
		rows = append(rows, c.w("not-tested.places", "places", strings.Join(places, "; ")))
	}
	if others > 0 {
		rows = append(rows, c.w("not-tested.others", "n", others))
	}
	return append(rows, c.openReadings(len(rows))...)
}

// spite lists what was done in spite of a refusal.
func (c *composer) spite() []*visit.Line {
	var list []*visit.Line
	for i := range c.account.Story {
		if l := &c.account.Story[i]; len(l.Lacked) > 0 {
			list = append(list, l)
		}
	}
	return list
}

// inSpite says what was done in spite of a refusal, what it lacked, and on what it rested.
func (c *composer) inSpite() {
	t := c.table(column{"time", 0.11}, column{"act", 0.24}, column{"lacked", 0.45}, column{"rested", 0.2})
	for _, l := range c.spite() {
		rests, why := c.w("rests.nothing"), ""
		body, _ := c.account.Body(l.Event)
		words := c.Line(c.account, l)
		switch b := body.(type) {
		case visit.Acted:
			words, why = c.Act(b.Act), b.Why
		case visit.TookOff:
			words, why = c.Say("story.took-off", "items", c.List(c.Items(b.Items))), b.Why
		}
		if i := slices.IndexFunc(c.account.Acts, func(x visit.ActLine) bool { return x.Event == l.Event }); i >= 0 {
			rests = c.rests(&c.account.Acts[i])
		}
		lacked := ""
		for _, r := range l.Lacked {
			lacked = with(lacked, c.lacked(r))
		}
		t.row(true, second(l.At), with(c.w("sentence", "words", words), c.w("sentence", "words", c.typed(why))), lacked, rests)
	}
	c.add("in-spite", t)
}

// lacked is what an act lacked. On the copies no stop is named, on the consumer's no step; where words of people are
// kept back, answers are too.
func (c *composer) lacked(r visit.Reason) string {
	switch {
	case c.in.Copy == Full:
	case r.Stop != "":
		return c.w("lacked.stop")
	case r.Step != "" && c.in.Copy == Consumer:
		return c.w("lacked.step")
	case r.Cause != nil && c.quiet():
		return c.Reason(visit.Reason{Code: cmp.Or(map[visit.Code]visit.Code{visit.NoLongerShown: visit.NotShown, visit.NoLongerProved: visit.NotProved}[r.Code], r.Code), Proof: r.Proof, Kinds: r.Kinds})
	}
	return c.Reason(r)
}
