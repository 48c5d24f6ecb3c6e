package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"meterwright/internal/drawing"
	"meterwright/internal/tell"
	"meterwright/method"
	"meterwright/record"
	"meterwright/site"
	"meterwright/visit"
)

// composer gathers what the copies say; each method adds one section.
type composer struct {
	in      *Input
	sheet   *Sheet
	account *visit.Account
	method  *method.Resolved
}

func (c *composer) full() {
	c.what(true)
	c.howItEnded(true)
	c.findings(func(visit.StopLine) bool { return true })
	c.notTested()
	c.position()
	c.story()
	c.readings("The bracket at the edge joins the readings that rest on it: closed where the instrument was proved before and after, open and dashed where it was not proved again, hatched where it came to nothing. A reading counts only within a closed bracket.", func(*visit.Reading) bool { return true })
	c.brackets()
	c.proofs()
	c.acts()
	c.refusals()
	c.answers(nil)
	c.entries()
	c.instruments()
	c.corrections()
	c.leads()
	c.pictures(true)
	c.genuine()
}

// what says which visit it was.
func (c *composer) what(devices bool) {
	o := &c.in.Case.Opened
	p := &Pairs{}
	put := func(name, value string, mono bool) {
		if value != "" {
			p.List = append(p.List, Pair{name, value, mono})
		}
	}
	put("Job", o.Job, true)
	if c.in.Job != nil {
		put("Employer", c.in.Job.Employer, false)
	}
	put("Premises", o.Premises.Address, false)
	put("Meter point", o.Premises.MeterPoint, true)
	put("Meter expected", o.Premises.Meter, true)
	put("Begun", c.account.Begun.Format(day+" "+clock+" -07:00"), true)
	put("Last entry", c.account.Last.Format(day+" "+clock+" -07:00"), true)
	put("Method", fmt.Sprintf("%s, edition %s", c.method.Title, c.method.Edition), false)
	p.List = append(p.List, c.overlays()...)
	if devices {
		put("Method's hash", c.in.Case.Visit.Machine().Hash, true)
		put("Rules", c.method.Rules, false)
		put("Program", o.Engine, false)
		put("Person", strings.Join(c.in.Case.People, ", "), true)
		for _, ch := range c.in.Case.Chains {
			put("Device key", ch.Key.String(), true)
		}
		put("Visit", c.in.Case.ID, true)
		put("Clock offset", offset(o.ClockOffset), false)
	}
	c.sheet.add(Section{ID: "visit", Title: "The visit", Blocks: []Block{p}})
}

// overlays names the employer's changes to the method, and what they take away, for every copy.
func (c *composer) overlays() []Pair {
	var list []Pair
	for _, l := range c.method.Overlays {
		list = append(list, Pair{Name: "Employer's overlay", Value: l.ID + ", edition " + l.Edition})
	}
	for _, a := range c.method.TakesAway {
		list = append(list, Pair{Name: "Taken away by it", Value: a.String()})
	}
	return list
}

func offset(s string) string {
	if s == "" {
		return ""
	}
	return s + " s"
}

// howItEnded says in what state things were left.
func (c *composer) howItEnded(words bool) {
	p := &Pairs{}
	put := func(name, value string) {
		if value != "" {
			p.List = append(p.List, Pair{Name: name, Value: value})
		}
	}
	a := c.account
	if a.End == nil {
		put("Outcome", "The visit has not ended in this record.")
	} else {
		put("Outcome", upperFirst(Outcome(a.End.Outcome)))
		if words {
			put("Why", a.End.Why)
			put("Left", a.End.Left)
			put("Guarded by", a.End.Guarded)
		}
	}
	c.supply(put)
	c.switches(put)
	c.sheet.add(Section{ID: "end", Title: "How it was left", Blocks: []Block{p}})
}

func (c *composer) supply(put func(name, value string)) {
	for _, o := range c.account.Supply {
		if o.On.IsZero() {
			put("Supply", fmt.Sprintf("off at %s, and not on again in this record", o.Off.Format(clock)))
			continue
		}
		put("Supply", fmt.Sprintf("off at %s, on at %s, for %s", o.Off.Format(clock), o.On.Format(clock), span(o.On.Sub(o.Off))))
	}
	if len(c.account.Supply) == 0 {
		put("Supply", "not taken off")
	}
}

// switches names everything that does not stand as a healthy service does.
func (c *composer) switches(put func(name, value string)) {
	now := c.in.Case.Visit.Switches()
	for _, w := range c.method.Switches {
		if is := now[string(w.ID)]; is != string(w.Home) {
			put(upperFirst(w.Words), is)
		}
	}
	if worn := c.in.Case.Visit.Worn(); c.account.End == nil && len(worn) > 0 {
		put("Worn", c.worn(worn))
	}
}

func (c *composer) story() {
	t := &Table{Heads: []string{"Time", "What happened"}, Shares: []float64{0.11, 0.89}, Mono: []int{0}, Flag: map[int]bool{}}
	for _, l := range c.account.Story {
		if l.Kind == visit.KindAdvised {
			continue // Leads have a section of their own, with their caution.
		}
		words := l.Words
		if e := entered(l.Happened); e != "" {
			words += " (" + e + ".)"
		}
		if l.Kind == visit.KindRefused || l.Kind == visit.KindStopped {
			t.Flag[len(t.Rows)] = true
		}
		t.Rows = append(t.Rows, []string{l.At.Format(clock), words})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "story", Title: "What happened", Blocks: []Block{t}})
	}
}

func (c *composer) position() {
	seen := map[string]int{}
	for _, r := range c.account.Readings {
		seen[r.Point]++
	}
	c.sheet.add(Section{ID: "position", Title: "The service position", Note: "As the job claims it, with the meter's terminals in the order that the job names. The figure beside a point is the number of readings taken there.",
		Blocks: []Block{&Drawing{Picture: drawing.Draw(drawing.Position{Claims: c.method.Claims, Readings: seen})}}})
}

// brackets lists the provings in words.
func (c *composer) brackets() {
	t := &Table{Heads: []string{"Instrument", "Proved", "Proved again", "State", "Readings"}, Shares: []float64{0.24, 0.22, 0.22, 0.22, 0.10}, Mono: nil, Flag: map[int]bool{}}
	numbers := map[int][]int{}
	for i, r := range c.account.Readings {
		if r.Bracket >= 0 {
			numbers[r.Bracket] = append(numbers[r.Bracket], i+1)
		}
	}
	for i, b := range c.account.Brackets {
		if len(numbers[i]) == 0 {
			continue
		}
		again := "not proved again"
		if b.State == "closed" && b.ClosedOn != nil {
			again = b.ClosedAt.Format(clock) + " on the " + Source(*b.ClosedOn)
		}
		state := b.State
		if b.Why != "" {
			state += ": " + b.Why
		}
		if b.State != "closed" {
			t.Flag[len(t.Rows)] = true
		}
		t.Rows = append(t.Rows, []string{Kind(b.Kind) + " " + b.Instrument, b.OpenedAt.Format(clock) + " on the " + Source(b.Source), again, state, ranges(numbers[i])})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "brackets", Title: "Provings", Note: "Each line is the time between two provings of one instrument, with the readings that stand in it.", Blocks: []Block{t}})
	}
}

// ranges writes numbers in order, runs of them as one.
func ranges(n []int) string {
	var parts []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		if i == j {
			parts = append(parts, fmt.Sprint(n[i]))
		} else {
			parts = append(parts, fmt.Sprintf("%d–%d", n[i], n[j]))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}

func (c *composer) proofs() {
	t := &Table{Heads: []string{"What was to be shown", "How it stands", "What undid it"}, Shares: []float64{0.40, 0.20, 0.40}, Flag: map[int]bool{}}
	for _, p := range c.account.Proofs {
		state := p.State
		if !p.Since.IsZero() {
			state += " since " + p.Since.Format(clock)
		}
		var undone []string
		for _, u := range p.Undone {
			what := "begun, and came to nothing at "
			if u.Held {
				what = "held, and was undone at "
			}
			undone = append(undone, what+u.At.Format(clock)+": "+u.Why)
		}
		t.Rows = append(t.Rows, []string{upperFirst(p.Words), state, strings.Join(undone, "; ")})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "proofs", Title: "Proofs", Note: "How each stood at the end of the record. Nothing is stored as passed: this follows from the readings alone.", Blocks: []Block{t}})
	}
}

func (c *composer) acts() {
	t := &Table{Heads: []string{"Time", "Act", "Worn", "Rested on readings", "To note"}, Shares: []float64{0.11, 0.27, 0.22, 0.16, 0.24}, Mono: []int{0}, Flag: map[int]bool{}}
	number := map[string]int{}
	for i, r := range c.account.Readings {
		number[r.Event] = i + 1
	}
	for _, x := range c.account.Acts {
		var on []int
		other := 0
		for _, h := range x.Rests {
			if n, ok := number[h]; ok {
				on = append(on, n)
			} else {
				other++
			}
		}
		slices.Sort(on)
		rests := ranges(slices.Compact(on))
		if other > 0 {
			rests = strings.TrimPrefix(rests+", and "+answersCount(other), ", and ")
		}
		var notes []string
		if x.InSpite {
			notes = append(notes, "done in spite of a refusal: "+sentence(x.Why))
		}
		if x.Withdrawn {
			notes = append(notes, "rested on an observation that was withdrawn later")
		}
		if e := entered(x.Happened); e != "" {
			notes = append(notes, e)
		}
		if x.InSpite || x.Withdrawn {
			t.Flag[len(t.Rows)] = true
		}
		t.Rows = append(t.Rows, []string{x.At.Format(clock), upperFirst(x.Words), c.worn(x.Worn), rests, upperFirst(strings.Join(notes, "; "))})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "acts", Title: "Acts", Blocks: []Block{t}})
	}
}

func answersCount(n int) string {
	if n == 1 {
		return "1 answer"
	}
	return fmt.Sprintf("%d answers", n)
}

func (c *composer) refusals() {
	t := &Table{Heads: []string{"Time", "What could not be done", "What undid it", "The way on"}, Shares: []float64{0.11, 0.28, 0.33, 0.28}, Mono: []int{0}}
	for _, r := range c.account.Refusals {
		t.Rows = append(t.Rows, []string{r.At.Format(clock), r.What, strings.Join(r.Undid, " "), strings.Join(r.Way, " ")})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "refusals", Title: "Refused", Blocks: []Block{t}})
	}
}

// findings says what was found, and who was told.
func (c *composer) findings(stops func(visit.StopLine) bool) {
	var blocks []Block
	t := &Table{Heads: []string{"Time", "Found", "Whose", "Scheme and category"}, Shares: []float64{0.11, 0.43, 0.14, 0.32}, Mono: []int{0}, Flag: map[int]bool{}}
	for _, s := range c.account.Stops {
		if !stops(s) {
			continue
		}
		words := "Stop: " + sentence(s.Title)
		if !s.LeftAt.IsZero() {
			words += " Left at " + s.LeftAt.Format(clock) + ". " + sentence(s.Why)
		}
		t.Flag[len(t.Rows)] = true
		t.Rows = append(t.Rows, []string{s.At.Format(clock), words, s.Owner, c.category(s.Scheme, s.Category)})
	}
	for _, r := range c.account.Remarks {
		t.Rows = append(t.Rows, []string{r.At.Format(clock), sentence(upperFirst(r.Words)), r.Owner, c.category(r.Scheme, r.Category)})
	}
	for _, d := range c.account.Defects {
		words := sentence(upperFirst(d.Asset) + ": " + d.Words)
		if d.Restricted {
			words += " Restricted: not for the consumer's copy."
		}
		if e := entered(d.Happened); e != "" {
			words += " " + upperFirst(e) + "."
		}
		t.Rows = append(t.Rows, []string{d.At.Format(clock), words, d.Owner, c.category(d.Scheme, d.Category)})
	}
	if len(t.Rows) > 0 {
		blocks = append(blocks, t)
	} else {
		blocks = append(blocks, &Words{List: []string{"Nothing found. See what was not tested."}})
	}
	if b := c.told(func(visit.ReportLine) bool { return true }); b != nil {
		blocks = append(blocks, b)
	}
	for _, d := range c.account.Dependants {
		blocks = append(blocks, &Words{List: []string{"Depends on the supply: " + sentence(d.Words) + " Agreed: " + sentence(d.Agreed)}})
	}
	c.sheet.add(Section{ID: "found", Title: "Found and told", Blocks: blocks})
}

// told lists who was told, or is nil.
func (c *composer) told(of func(visit.ReportLine) bool) Block {
	t := &Table{Heads: []string{"Time", "Told", "Name", "Reference", "What was said"}, Shares: []float64{0.11, 0.22, 0.2, 0.17, 0.3}, Mono: []int{0, 3}}
	for _, r := range c.account.Reports {
		if of(r) {
			t.Rows = append(t.Rows, []string{r.At.Format(clock), upperFirst(r.To), r.Name, r.Reference, r.Words})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

// notTested says what was left out, and what was not come to.
func (c *composer) notTested() {
	var rows []string
	for _, l := range c.account.LeftOut {
		rows = append(rows, fmt.Sprintf("%s: %s %s", upperFirst(strings.ReplaceAll(l.How, "-", " ")), l.Say, sentence(l.Why)))
	}
	steps := map[string][2]int{}
	for _, s := range tell.Remaining(c.in.Case.Visit) {
		n := steps[s.Phase]
		n[0]++
		if s.Observe != nil {
			n[1]++
		}
		steps[s.Phase] = n
	}
	for _, p := range c.method.Phases {
		if n := steps[p.ID]; n[0] > 0 {
			rows = append(rows, fmt.Sprintf("%s: %s not carried out, %s.", p.Words, plural(n[0], "step"), tests(n[1])))
		}
	}
	open := 0
	for _, r := range c.account.Readings {
		if r.Bracket < 0 || c.account.Brackets[r.Bracket].State != "closed" {
			open++
		}
	}
	if open > 0 {
		rows = append(rows, fmt.Sprintf("%s taken but not between two good provings, so that nothing rests on them.", plural(open, "reading")))
	}
	if len(rows) == 0 {
		rows = []string{"Every step of the method that applied was carried out."}
	}
	c.sheet.add(Section{ID: "not-tested", Title: "Not tested, not done", Blocks: []Block{&Words{List: rows}}})
}

func tests(n int) string {
	switch n {
	case 0:
		return "none of them a test"
	case 1:
		return "1 of them a test"
	}
	return fmt.Sprintf("%d of them tests", n)
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// answers lists what was answered, in the phases that are wanted, or in all.
func (c *composer) answers(want func(*method.Phase) bool) {
	t := &Table{Heads: []string{"Time", "Asked", "Answer"}, Shares: []float64{0.11, 0.57, 0.32}, Mono: []int{0}}
	for _, x := range c.in.Case.Answers {
		if p := c.method.Phase(x.Phase); want != nil && (p == nil || !want(p) || c.suppliers(x.Step)) {
			continue
		}
		value := upperFirst(x.Value)
		if x.Withdrawn {
			value = "withdrawn"
		}
		if x.Note != "" {
			value += ". " + sentence(x.Note)
		}
		t.Rows = append(t.Rows, []string{x.At.Format(clock), x.Say, value})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "answers", Title: "Answers", Blocks: []Block{t}})
	}
}

// suppliers reports whether a question can lead to a stop that is the supplier's to follow up:
// neither it nor its answer belongs on anybody else's copy.
func (c *composer) suppliers(step string) bool {
	s, _ := c.method.Step(step)
	if s == nil || s.Unexpected == nil {
		return false
	}
	stop := c.method.Stop(s.Unexpected.Stop)
	return s.Unexpected.Owner == site.Supplier || stop != nil && (stop.Owner == site.Supplier || stop.Restricted)
}

func (c *composer) entries() {
	t := c.entryTable(func(*method.Field) bool { return true })
	if t != nil {
		c.sheet.add(Section{ID: "entries", Title: "Entries", Note: "Registers, seals, torque and the rest, as they were entered.", Blocks: []Block{t}})
	}
}

// eachEntry calls f for each value that was entered, in the order of the record and of its fields.
func (c *composer) eachEntry(f func(*visit.EntryLine, *method.Field, string)) {
	for i := range c.account.Entries {
		e := &c.account.Entries[i]
		s, _ := c.method.Step(e.Step)
		if s == nil || s.Record == nil {
			continue
		}
		for j := range s.Record.Fields {
			if v, ok := e.Entries[s.Record.Fields[j].ID]; ok {
				f(e, &s.Record.Fields[j], v)
			}
		}
	}
}

// entryTable lists the entries of the fields that are wanted, or is nil.
func (c *composer) entryTable(want func(*method.Field) bool) Block {
	t := &Table{Heads: []string{"Time", "Entry", "Value", ""}, Shares: []float64{0.11, 0.33, 0.31, 0.25}, Mono: []int{0}}
	c.eachEntry(func(e *visit.EntryLine, f *method.Field, v string) {
		if !want(f) {
			return
		}
		if f.Type != "text" && f.Unit != "" {
			v += " " + f.Unit
		}
		t.Rows = append(t.Rows, []string{e.At.Format(clock), upperFirst(f.Words), v, c.register(f.ID)})
	})
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

// register says what the job knows of the register that is read in a field.
func (c *composer) register(field string) string {
	if c.in.Job == nil {
		return ""
	}
	for _, r := range c.in.Job.Registers {
		if r.Entry != field {
			continue
		}
		m, err := r.Metering()
		if err != nil {
			return ""
		}
		words := fmt.Sprintf("%d digits, %d decimals, multiplier %s, %s", r.Digits, r.Decimals, m.Multiplier, m.Direction)
		if r.Rate != "" {
			words += ", rate " + r.Rate
		}
		return words
	}
	return ""
}

func (c *composer) instruments() {
	t := &Table{Heads: []string{"Instrument", "Number", "Calibration due", "Leads"}, Shares: []float64{0.34, 0.22, 0.22, 0.22}, Mono: []int{1, 2}}
	for _, i := range c.account.Instruments {
		t.Rows = append(t.Rows, []string{upperFirst(Kind(i.Kind)), i.ID, i.Due, i.Leads})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "instruments", Title: "Instruments taken up", Blocks: []Block{t}})
	}
}

func (c *composer) corrections() {
	t := &Table{Heads: []string{"Time", "Was", "Now", "Why"}, Shares: []float64{0.11, 0.27, 0.27, 0.35}, Mono: []int{0}}
	for _, x := range c.account.Corrections {
		now := x.Now
		if now == "" {
			now = "withdrawn"
		}
		t.Rows = append(t.Rows, []string{x.At.Format(clock), x.Was, now, x.Why})
	}
	if len(t.Rows) > 0 {
		c.sheet.add(Section{ID: "corrections", Title: "Corrected afterwards", Blocks: []Block{t}})
	}
	d := &Table{Heads: []string{"Time", "Entry", "Why the engine does not accept it"}, Shares: []float64{0.11, 0.2, 0.69}, Mono: []int{0}, Flag: map[int]bool{}}
	for _, x := range c.account.Discrepancies {
		d.Flag[len(d.Rows)] = true
		d.Rows = append(d.Rows, []string{x.At.Format(clock), string(x.Kind), x.Why})
	}
	for _, u := range c.in.Case.Unread {
		d.Flag[len(d.Rows)] = true
		d.Rows = append(d.Rows, []string{"", u.Kind, "not read by this edition: " + u.Why})
	}
	if len(d.Rows) > 0 {
		c.sheet.add(Section{ID: "discrepancies", Title: "Not accepted", Note: "These entries stand in the record, and the engine that made this report would not have taken them.", Blocks: []Block{d}})
	}
}

// pictures sets the photographs out, each with what it is of. Free ones may show anything.
func (c *composer) pictures(free bool) {
	p := &Pictures{}
	add := func(of string, at time.Time, ref visit.Attachment) {
		when := ""
		if !at.IsZero() {
			when = at.Format(clock)
		}
		p.List = append(p.List, c.photo(of, when, ref))
	}
	for _, e := range c.account.Entries {
		for _, field := range slices.Sorted(maps.Keys(e.Photographs)) {
			words := field
			if f := c.method.Field(e.Step, field); f != nil {
				words = f.Words
			}
			add(upperFirst(words), e.At, e.Photographs[field])
		}
	}
	if free {
		for _, x := range c.account.Photographs {
			add(upperFirst(x.Of), time.Time{}, x.Attachment)
		}
	}
	if len(p.List) > 0 {
		c.sheet.add(Section{ID: "photographs", Title: "Photographs", Note: "Where a photograph was made is taken out of it before it is kept.", Blocks: []Block{p}})
	}
}

func (c *composer) photo(of, when string, ref visit.Attachment) Photo {
	p := Photo{Of: of, Time: when, ID: ref.ID, Media: ref.Media}
	if c.in.Container == nil {
		p.Missing = "not given to this report"
		return p
	}
	b, err := c.in.Container(ref.ID)
	if err != nil {
		p.Missing = err.Error()
		return p
	}
	got, err := (record.Reference{ID: record.AttachmentID(ref.ID), Media: ref.Media, Bytes: ref.Bytes}).Open(b)
	if err != nil {
		p.Missing = err.Error()
		return p
	}
	p.Content = got.Content
	return p
}

// genuine says what a verification of the record found.
func (c *composer) genuine() {
	v := &c.in.Verified
	p := &Pairs{List: []Pair{{Name: "Verification", Value: upperFirst(v.Verdict.String())}, {Name: "Lines", Value: fmt.Sprint(v.Lines), Mono: true}}}
	for _, ch := range c.in.Case.Chains {
		p.List = append(p.List, Pair{Name: "Last line's hash", Value: ch.Head.String(), Mono: true})
	}
	for _, f := range v.Faults {
		p.List = append(p.List, Pair{Name: "Fault", Value: f.Error()})
	}
	for _, f := range v.Forks {
		p.List = append(p.List, Pair{Name: "In two versions", Value: fmt.Sprintf("line %d of the chain of %.16s…", f.Seq, f.Key)})
	}
	for _, n := range v.Notes {
		if n.Kind == record.NoteKeyNotNamed {
			continue // No key was named to a report.
		}
		p.List = append(p.List, Pair{Name: "Note", Value: n.String()})
	}
	if v.NotesLeftOut > 0 {
		p.List = append(p.List, Pair{Name: "Further notes", Value: fmt.Sprint(v.NotesLeftOut)})
	}
	for _, f := range c.in.Files {
		p.List = append(p.List, Pair{Name: "Attached", Value: fmt.Sprintf("%s, %d bytes", f.Name, len(f.Content))})
	}
	c.sheet.add(Section{ID: "genuine", Title: "The record", Note: "Whoever holds the record can verify it again without this program's owner. In the PDF file the record is attached, and the square code on its first page holds the hash of the last line.", Blocks: []Block{p}})
}
