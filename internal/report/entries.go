package report

import (
	"maps"
	"slices"

	"meterwright/internal/jobs"
	"meterwright/method"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

func (c *composer) everyAnswer() { c.answers(func(string) bool { return true }) }

// look lists what was answered when the position was looked at, but nothing that only the supplier may know.
func (c *composer) look() {
	c.answers(func(step string) bool {
		s, _ := c.Method().Step(step)
		p := c.Method().Phase(s.Phase)
		return p != nil && p.Role == method.LookPhase && !c.suppliers(s)
	})
}

// answers lists what was answered to the steps that are wanted.
func (c *composer) answers(want func(step string) bool) {
	t := c.table(column{"time", 0.11}, column{"asked", 0.57}, column{"answer", 0.32})
	for _, x := range c.in.Case.Answers() {
		if want(x.Step) {
			t.row(len(x.Corrected) > 0, second(x.At), c.Step(x.Step), c.answer(&x))
		}
	}
	c.add("answers", t)
}

// answer is an answer as it was given, with each correction beside it.
func (c *composer) answer(x *replay.Answer) string {
	c.shown[x.Event] = true
	words := with(c.w("sentence", "words", c.Answer(x.Value)), c.w("sentence", "words", c.typed(x.Note)))
	for i := range x.Corrected {
		words = with(words, c.corrected(&x.Corrected[i]))
	}
	return words
}

// corrected says what a correction put in the place of something, which stands all the same.
func (c *composer) corrected(x *visit.Correction) string {
	_, now := c.Correction(c.account, x)
	return c.w("corrected", "at", second(x.At), "now", now)
}

// correctionsOf lists the corrections of an event.
func (c *composer) correctionsOf(event string) []string {
	c.shown[event] = true
	var list []string
	for i := range c.account.Corrections {
		if x := &c.account.Corrections[i]; x.Of == event {
			list = append(list, c.corrected(x))
		}
	}
	return list
}

// suppliers reports whether a question can lead to something that is the supplier's to follow up: neither it nor
// its answer belongs on anybody else's copy.
func (c *composer) suppliers(s *method.Step) bool {
	return slices.ContainsFunc(s.Outcomes(), func(u *method.Unexpected) bool {
		stop := c.Method().Stop(u.Stop)
		return u.Owner == site.Supplier || stop != nil && (stop.Owner == site.Supplier || stop.Restricted)
	})
}

// having wants the fields that have one of the roles.
func having(roles ...method.FieldRole) func(*method.Field) bool {
	return func(f *method.Field) bool { return slices.Contains(roles, f.Role) }
}

func (c *composer) everyEntry() {
	c.add("entries", c.entryTable(func(*method.Field) bool { return true }))
}

func (c *composer) fuse() {
	c.add("fuse", c.entryTable(having(method.FuseType, method.FuseRating, method.FaultCurrent, method.LoopLineEarth, method.LoopLineNeutral,
		method.OldSeals, method.NewSeals, method.OffTime, method.OnTime)))
}

func (c *composer) devices() {
	aside := having(method.Dependants, method.Credit, method.Told)
	c.add("devices", c.entryTable(func(f *method.Field) bool { return !aside(f) }))
}

// eachEntry calls f for each value that was entered, in the order of the record and of its fields.
func (c *composer) eachEntry(f func(*visit.EntryLine, *method.Field, string)) {
	for i := range c.account.Entries {
		e := &c.account.Entries[i]
		s, _ := c.Method().Step(e.Step)
		if s == nil || s.Record == nil {
			continue
		}
		for j := range s.Record.Fields {
			if v, ok := e.Entries[s.Record.Fields[j].ID]; ok {
				f(e, &s.Record.Fields[j], c.Value(&s.Record.Fields[j], v))
			}
		}
	}
}

// entryTable lists the entries of the fields that are wanted; what was corrected stands, with what corrects it.
func (c *composer) entryTable(want func(*method.Field) bool) *Table {
	t := c.table(column{"time", 0.11}, column{"entry", 0.3}, column{"value", 0.31}, column{"note", 0.28})
	c.eachEntry(func(e *visit.EntryLine, f *method.Field, value string) {
		if !want(f) {
			return
		}
		c.shown[e.Event], c.shown[e.Corrects] = true, true
		note := c.register(f)
		if e.Corrects != "" {
			note = with(note, c.w("corrects", "at", second(c.lines[e.Corrects].At)))
		}
		for _, x := range c.account.Entries {
			if now, ok := x.Entries[f.ID]; ok && x.Corrects == e.Event {
				note = with(note, c.w("corrected", "at", second(x.At), "now", c.Say("correction.now", "now", c.Value(f, now))))
			}
		}
		for i := range c.account.Corrections {
			if x := &c.account.Corrections[i]; e.Withdrawn && x.Of == e.Event {
				note = with(note, c.corrected(x))
			}
		}
		t.row(note != "" && e.Corrects != "" || e.Withdrawn, second(e.At), c.w("field", "field", f.Words), value, note)
	})
	return t
}

// register says what the job knows of the register that is read in a field.
func (c *composer) register(f *method.Field) string {
	if c.in.Job == nil {
		return ""
	}
	i := slices.IndexFunc(c.in.Job.Registers, func(r jobs.Register) bool { return r.Entry == f.ID })
	if i < 0 {
		return ""
	}
	r := &c.in.Job.Registers[i]
	m, err := r.Metering()
	if err != nil {
		return ""
	}
	words := c.w("register", "digits", r.Digits, "decimals", r.Decimals, "multiplier", m.Multiplier, "direction", c.Say("direction."+string(m.Direction)))
	if r.Rate != "" {
		words = with(words, c.w("rate", "rate", r.Rate))
	}
	return words
}

func (c *composer) instruments() {
	t := c.table(column{"instrument", 0.34}, column{"number", 0.22}, column{"due", 0.22}, column{"leads", 0.22})
	for _, i := range c.account.Instruments {
		t.row(false, c.w("field", "field", c.Kind(i.Kind)), i.ID, i.Due, i.Leads)
	}
	c.add("instruments", t)
}

// corrections lists what was corrected of what stands on the copy, both as it was and as it is, and counts the others. A
// slip stands on every copy, but where its question is the supplier's alone.
func (c *composer) corrections() {
	t := c.table(column{"time", 0.11}, column{"was", 0.27}, column{"now", 0.27}, column{"why", 0.35})
	others := 0
	for i := range c.account.Corrections {
		x := &c.account.Corrections[i]
		step, _ := c.Method().Step(x.Step)
		slip := x.Reason == visit.Slip && step != nil && !c.suppliers(step)
		if c.in.Copy != Full && !c.shown[x.Of] && !slip {
			others++
			continue
		}
		was, now := c.Correction(c.account, x)
		t.row(false, second(x.At), was, now, c.typed(x.Why))
	}
	rest := &Words{}
	if others > 0 {
		rest.List = append(rest.List, c.w("corrections.others", "n", others))
	}
	c.add("corrections", t, rest)
}

// pictures sets the photographs out, each with what it is of. Where something is restricted they stay with the
// full record: nobody can tell by machine what a picture gives away.
func (c *composer) pictures() {
	if c.in.Copy != Full && c.restricted() {
		return
	}
	p := &Pictures{}
	for _, e := range c.account.Entries {
		for _, id := range slices.Sorted(maps.Keys(e.Photographs)) {
			words := id
			if f := c.Method().Field(e.Step, id); f != nil {
				words = f.Words
			}
			p.List = append(p.List, c.photo(words, second(e.At), e.Photographs[id]))
		}
	}
	if !c.quiet() {
		for _, x := range c.account.Photographs {
			p.List = append(p.List, c.photo(x.Of, "", x.Attachment))
		}
	}
	c.add("photographs", p)
}

func (c *composer) photo(of, at string, ref visit.Attachment) Photo {
	p := Photo{Of: c.w("field", "field", of), Time: at, ID: ref.ID, Media: ref.Media}
	if c.in.Container == nil {
		p.Missing = c.w("picture.none", "why", c.w("picture.not-given"))
		return p
	}
	b, err := c.in.Container(ref.ID)
	if err == nil {
		var got record.Attachment
		if got, err = (record.Reference{ID: record.AttachmentID(ref.ID), Media: ref.Media, Bytes: ref.Bytes}).Open(b); err == nil {
			p.Content = got.Content
			return p
		}
	}
	p.Missing = c.w("picture.none", "why", err)
	return p
}

// genuine says what a verification of the record found.
func (c *composer) genuine() {
	v := &c.in.Verified
	p := &Pairs{}
	c.pair(p, "verdict", c.Genuine(v.Verdict))
	c.mono(p, "lines", c.w("number", "n", v.Lines))
	for _, ch := range c.in.Case.Chains {
		c.mono(p, "head", ch.Head.String())
	}
	for _, f := range v.Faults {
		c.pair(p, "fault", f.Error())
	}
	for _, n := range v.Notes {
		if n.Kind != record.NoteKeyNotNamed { // No key was named to a report.
			c.pair(p, "note", n.String())
		}
	}
	if v.NotesLeftOut > 0 {
		c.pair(p, "notes", c.w("number", "n", v.NotesLeftOut))
	}
	for _, f := range c.in.Files {
		c.pair(p, "attached", c.w("attached", "name", f.Name, "n", len(f.Content)))
	}
	c.add("genuine", p)
}
