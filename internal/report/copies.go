package report

import (
	"fmt"
	"slices"
	"strings"

	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// restricted reports whether the record holds something that must not reach the consumer: then
// no free text from it does either, since nobody can tell by machine what a sentence gives away.
func (c *composer) restricted() bool {
	return slices.ContainsFunc(c.account.Defects, func(d visit.DefectLine) bool { return d.Restricted }) ||
		slices.ContainsFunc(c.account.Stops, func(s visit.StopLine) bool { return c.method.RestrictedStop(s.ID) })
}

// forConsumer reports whether what an owner has to mend may stand on the consumer's copy.
func forConsumer(owner string) bool {
	return owner == string(site.Consumer) || owner == string(site.Distributor)
}

// with wants the fields that have one of the roles.
func with(roles ...method.FieldRole) func(*method.Field) bool {
	return func(f *method.Field) bool { return slices.Contains(roles, f.Role) }
}

// theirs reports whether a stop may stand on the consumer's copy.
func (c *composer) theirs(s visit.StopLine) bool {
	return forConsumer(s.Owner) && !c.method.RestrictedStop(s.ID)
}

// consumer says what was found, what was not tested, what was isolated, and whom to ring.
func (c *composer) consumer() {
	o := &c.in.Case.Opened
	p := &Pairs{List: []Pair{{Name: "Premises", Value: o.Premises.Address}, {Name: "Meter point", Value: o.Premises.MeterPoint, Mono: true},
		{Name: "Day", Value: c.account.Begun.Format(day), Mono: true}, {Name: "Work", Value: c.method.Title}, {Name: "Job", Value: o.Job, Mono: true}}}
	p.List = append(p.List, c.overlays()...)
	c.sheet.add(Section{ID: "visit", Title: "The visit", Blocks: []Block{p}})
	c.ring()
	c.consumerEnd()
	c.consumerFound()
	c.notTestedPlain()
	c.consumerMeter()
	// Readings say what was measured, and where; they name no person.
	if !c.restricted() {
		c.readings("A reading counts only between two provings of the same instrument, which the bracket at the edge shows.", func(r *visit.Reading) bool { return r.Bounds != nil && !r.Withdrawn })
	}
}

func (c *composer) ring() {
	e := c.in.Pack.Emergency
	c.sheet.add(Section{ID: "ring", Title: "Whom to ring", Blocks: []Block{&Words{Strong: true, List: []string{
		fmt.Sprintf("If metal tingles or sparks, if anything at the meter smells of burning, or if the lights flicker or go out: keep clear and ring %s (%s).", e.Value, e.Source)}}}})
}

func (c *composer) consumerEnd() {
	p := &Pairs{}
	put := func(name, value string) {
		if value != "" {
			p.List = append(p.List, Pair{Name: name, Value: value})
		}
	}
	a := c.account
	switch {
	case a.End == nil:
		put("Outcome", "The visit has not ended in this record.")
	case a.End.Outcome == "completed" || a.End.Outcome == "stopped-danger" && slices.ContainsFunc(a.Stops, c.theirs):
		put("Outcome", upperFirst(Outcome(a.End.Outcome)))
	default:
		put("Outcome", "The work was not completed. Your supplier can tell you more.")
	}
	if a.End != nil && !c.restricted() {
		put("Left", a.End.Left)
	}
	c.supply(put)
	c.switches(put)
	c.sheet.add(Section{ID: "end", Title: "How it was left", Note: "What stands otherwise than it does in everyday use is named.", Blocks: []Block{p}})
}

func (c *composer) consumerFound() {
	t := &Table{Heads: []string{"Found", "Who must mend it", "Scheme and category"}, Shares: []float64{0.5, 0.18, 0.32}}
	for _, s := range c.account.Stops {
		if c.theirs(s) {
			t.Rows = append(t.Rows, []string{sentence(s.Title), s.Owner, c.category(s.Scheme, s.Category)})
		}
	}
	for _, r := range c.account.Remarks {
		if forConsumer(r.Owner) {
			t.Rows = append(t.Rows, []string{sentence(upperFirst(r.Words)), r.Owner, c.category(r.Scheme, r.Category)})
		}
	}
	for _, d := range c.account.Defects {
		if !d.Restricted && forConsumer(d.Owner) {
			t.Rows = append(t.Rows, []string{sentence(upperFirst(d.Asset) + ": " + d.Words), d.Owner, c.category(d.Scheme, d.Category)})
		}
	}
	var blocks []Block
	if len(t.Rows) > 0 {
		blocks = append(blocks, t)
	} else {
		blocks = append(blocks, &Words{List: []string{"Nothing was found that is yours or the distributor's to mend. What was not tested is below."}})
	}
	var told []string
	for _, r := range c.account.Reports {
		if strings.Contains(strings.ToLower(r.To), "distributor") {
			words := "The distributor was told at " + r.At.Format(minute)
			if r.Reference != "" {
				words += ", reference " + r.Reference
			}
			told = append(told, words+".")
		}
	}
	if len(told) > 0 {
		blocks = append(blocks, &Words{List: told})
	}
	c.sheet.add(Section{ID: "found", Title: "Found", Blocks: blocks})
}

// notTestedPlain is the list of what was not tested without anybody's free words.
func (c *composer) notTestedPlain() {
	if !c.restricted() {
		c.notTested()
		return
	}
	c.sheet.add(Section{ID: "not-tested", Title: "Not tested, not done", Blocks: []Block{&Words{List: []string{
		"What was tested is not set down on this copy. Take it that nothing was tested beyond what this page names."}}}})
}

func (c *composer) consumerMeter() {
	if t := c.entryTable(with(method.FinalRegister, method.OpeningRegister, method.OldMeter, method.NewMeter, method.AdviceGiven)); t != nil {
		c.sheet.add(Section{ID: "entries", Title: "Meter and registers", Blocks: []Block{t}})
	}
}

// distributor says what the owner of the service needs to act.
func (c *composer) distributor() {
	c.what(false)
	own := &Table{Heads: []string{"Time", "Asset", "Found", "Scheme and category"}, Shares: []float64{0.11, 0.17, 0.4, 0.32}, Mono: []int{0}, Flag: map[int]bool{}}
	for _, s := range c.account.Stops {
		if s.Owner == string(site.Distributor) {
			own.Flag[len(own.Rows)] = true
			own.Rows = append(own.Rows, []string{s.At.Format(clock), "service position", sentence(s.Title), c.category(s.Scheme, s.Category)})
		}
	}
	for _, r := range c.account.Remarks {
		if r.Owner == string(site.Distributor) {
			own.Rows = append(own.Rows, []string{r.At.Format(clock), "service position", sentence(upperFirst(r.Words)), c.category(r.Scheme, r.Category)})
		}
	}
	for _, d := range c.account.Defects {
		if d.Owner == string(site.Distributor) {
			own.Rows = append(own.Rows, []string{d.At.Format(clock), d.Asset, sentence(d.Words), c.category(d.Scheme, d.Category)})
		}
	}
	var blocks []Block
	if len(own.Rows) > 0 {
		blocks = append(blocks, own)
	} else {
		blocks = append(blocks, &Words{List: []string{"Nothing was found that is the distributor's to mend. What was not tested is below."}})
	}
	c.sheet.add(Section{ID: "found", Title: "Found on the distributor's equipment", Blocks: blocks})
	told := c.told(func(r visit.ReportLine) bool { return strings.Contains(strings.ToLower(r.To), "distributor") })
	if told == nil {
		told = &Words{List: []string{"The record does not say that the distributor was rung."}, Strong: len(own.Rows) > 0}
	}
	c.sheet.add(Section{ID: "told", Title: "Rung", Blocks: []Block{told}})
	c.howItEnded(!c.restricted())
	c.access()
	c.answers(func(p *method.Phase) bool { return p.Role == method.LookPhase })
	c.readings("Readings as they stood on the instrument. A reading counts only within a closed bracket: proved before and proved again.", func(*visit.Reading) bool { return true })
	c.brackets()
	c.fuse()
	c.notTested()
	if !c.restricted() {
		c.pictures(true)
	} else {
		c.pictures(false)
	}
}

func (c *composer) access() {
	p := &Pairs{}
	if j := c.in.Job; j != nil {
		for _, h := range j.Hazards {
			p.List = append(p.List, Pair{Name: "Hazard named by the job", Value: h})
		}
		if j.Appointment != "" {
			p.List = append(p.List, Pair{Name: "Appointment", Value: j.Appointment})
		}
	}
	for _, x := range c.in.Case.Answers {
		if s, _ := c.method.Step(x.Step); s != nil && (s.Role == method.HazardQuestion || s.Role == method.AccessQuestion) {
			p.List = append(p.List, Pair{Name: x.Say, Value: upperFirst(x.Value)})
		}
	}
	if len(p.List) > 0 {
		c.sheet.add(Section{ID: "access", Title: "Access and hazards", Blocks: []Block{p}})
	}
}

func (c *composer) fuse() {
	if t := c.entryTable(with(method.FuseType, method.FuseRating, method.FaultCurrent, method.OldSeals, method.NewSeals)); t != nil {
		c.sheet.add(Section{ID: "entries", Title: "Fuse, fault current and seals", Blocks: []Block{t}})
	}
}

// supplier says what the owner of the metering needs, and keeps what is restricted on a sheet of
// its own.
func (c *composer) supplier() {
	c.what(false)
	c.howItEnded(!c.restricted())
	needs := with(method.Dependants, method.Credit)
	aside := with(method.Dependants, method.Credit, method.Told)
	if t := c.entryTable(func(f *method.Field) bool { return !aside(f) }); t != nil {
		c.sheet.add(Section{ID: "entries", Title: "Devices and registers", Blocks: []Block{t}})
	}
	var who []string
	for _, d := range c.account.Dependants {
		who = append(who, sentence(upperFirst(d.Words))+" Agreed: "+sentence(d.Agreed))
	}
	c.eachEntry(func(_ *visit.EntryLine, f *method.Field, value string) {
		if needs(f) && value != "" {
			who = append(who, upperFirst(f.Words)+": "+sentence(value))
		}
	})
	if len(who) > 0 {
		c.sheet.add(Section{ID: "dependants", Title: "Who depends on the supply", Blocks: []Block{&Words{List: who}}})
	}
	open, shut := c.supplierFound()
	if len(open.Rows) > 0 {
		c.sheet.add(Section{ID: "found", Title: "Found on the metering", Blocks: []Block{open}})
	} else {
		words := "Nothing was found that is the supplier's to mend. What was not tested is below."
		if len(shut.Rows) > 0 {
			words = "What was found stands on the restricted sheet."
		}
		c.sheet.add(Section{ID: "found", Title: "Found on the metering", Blocks: []Block{&Words{List: []string{words}}}})
	}
	if told := c.told(func(r visit.ReportLine) bool { return strings.Contains(strings.ToLower(r.To), "supplier") }); told != nil {
		c.sheet.add(Section{ID: "told", Title: "Told", Blocks: []Block{told}})
	}
	c.notTested()
	c.pictures(!c.restricted())
	if len(shut.Rows) > 0 {
		blocks := []Block{&Words{Strong: true, List: []string{"Keep this sheet apart from every copy that the consumer may see. It says what was seen, and accuses nobody."}}, shut}
		if e := c.account.End; e != nil {
			p := &Pairs{}
			for _, x := range []Pair{{Name: "Why it ended", Value: e.Why}, {Name: "Left", Value: e.Left}} {
				if x.Value != "" {
					p.List = append(p.List, x)
				}
			}
			if len(p.List) > 0 {
				blocks = append(blocks, p)
			}
		}
		c.sheet.add(Section{ID: "restricted", Title: "Restricted sheet", Alone: true, Blocks: blocks})
	}
}

// supplierFound parts what is the supplier's into what anybody may read and what is restricted.
func (c *composer) supplierFound() (open, shut *Table) {
	table := func() *Table {
		return &Table{Heads: []string{"Time", "Asset", "Found", "Scheme and category"}, Shares: []float64{0.11, 0.17, 0.4, 0.32}, Mono: []int{0}}
	}
	open, shut = table(), table()
	for _, s := range c.account.Stops {
		if s.Owner != string(site.Supplier) {
			continue
		}
		row := []string{s.At.Format(clock), "metering", sentence(s.Title), c.category(s.Scheme, s.Category)}
		if c.method.RestrictedStop(s.ID) {
			shut.Rows = append(shut.Rows, row)
		} else {
			open.Rows = append(open.Rows, row)
		}
	}
	for _, r := range c.account.Remarks {
		if r.Owner == string(site.Supplier) {
			open.Rows = append(open.Rows, []string{r.At.Format(clock), "metering", sentence(upperFirst(r.Words)), c.category(r.Scheme, r.Category)})
		}
	}
	for _, d := range c.account.Defects {
		row := []string{d.At.Format(clock), d.Asset, sentence(d.Words), c.category(d.Scheme, d.Category)}
		switch {
		case d.Restricted:
			shut.Rows = append(shut.Rows, row)
		case d.Owner == string(site.Supplier):
			open.Rows = append(open.Rows, row)
		}
	}
	return open, shut
}
