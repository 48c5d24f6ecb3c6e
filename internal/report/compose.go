package report

import (
	"slices"
	"time"

	"meterwright/method"
	"meterwright/replay"
	"meterwright/say"
	"meterwright/site"
	"meterwright/visit"
)

// composer gathers what the copies say; each method adds one section. Its words come from package say and from
// the method.
type composer struct {
	*say.Speaker
	in      *Input
	sheet   *Sheet
	account *visit.Account
	lines   map[string]*visit.Line
	// number is the number of each reading, by its event.
	number map[string]int
	// shown holds the events that stand on the copy, each with what may have been corrected.
	shown map[string]bool
}

func newComposer(in *Input, s *Sheet) *composer {
	c := &composer{Speaker: in.Language.Of(in.Case.Visit.Machine().Method), in: in, sheet: s, account: in.Case.Visit.Account(),
		lines: map[string]*visit.Line{}, number: map[string]int{}, shown: map[string]bool{}}
	for i := range c.account.Story {
		c.lines[c.account.Story[i].Event] = &c.account.Story[i]
	}
	for i := range c.account.Readings {
		c.number[c.account.Readings[i].Event] = i + 1
	}
	return c
}

// sections is what each copy says, in order.
var sections = map[Copy][]func(*composer){
	Full: {(*composer).what, (*composer).end, (*composer).inSpite, (*composer).found, (*composer).notTested, (*composer).position, (*composer).story,
		(*composer).everyReading, (*composer).brackets, (*composer).proofs, (*composer).acts, (*composer).refusals, (*composer).everyAnswer,
		(*composer).everyEntry, (*composer).instruments, (*composer).corrections, (*composer).notAccepted, (*composer).means, (*composer).pictures, (*composer).genuine},
	Consumer: {(*composer).danger, (*composer).found, (*composer).isolated, (*composer).comes, (*composer).inSpite, (*composer).notTested, (*composer).what,
		(*composer).theirMeter, (*composer).tellingReadings, (*composer).corrections},
	Distributor: {(*composer).what, (*composer).found, (*composer).rung, (*composer).end, (*composer).inSpite, (*composer).access, (*composer).look,
		(*composer).everyReading, (*composer).brackets, (*composer).fuse, (*composer).notTested, (*composer).corrections, (*composer).pictures},
	Supplier: {(*composer).what, (*composer).end, (*composer).inSpite, (*composer).devices, (*composer).dependants, (*composer).found, (*composer).rung,
		(*composer).notTested, (*composer).corrections, (*composer).pictures, (*composer).restrictedSheet},
}

// add puts a section on the sheet, under the title and the note that the language has for its id.
func (c *composer) add(id string, blocks ...Block) *Section {
	s := Section{ID: id, Title: c.w("title." + id)}
	for _, b := range blocks {
		if !b.empty() {
			s.Blocks = append(s.Blocks, b)
		}
	}
	if len(s.Blocks) == 0 {
		return &s
	}
	for _, key := range []string{"note." + id + "." + string(c.in.Copy), "note." + id} {
		if c.Has("report." + key) {
			s.Note = c.w(key)
			break
		}
	}
	c.sheet.Sections = append(c.sheet.Sections, s)
	return &c.sheet.Sections[len(c.sheet.Sections)-1]
}

// w words something of the report's own.
func (c *composer) w(key string, args ...any) string { return c.Say("report."+key, args...) }

// pair puts a name with its value into a list, unless there is none.
func (c *composer) pair(p *Pairs, name, value string) {
	if value != "" {
		p.List = append(p.List, Pair{Name: c.w("name." + name), Value: value})
	}
}

// mono is pair in the monospaced face.
func (c *composer) mono(p *Pairs, name, value string) {
	c.pair(p, name, value)
	if value != "" {
		p.List[len(p.List)-1].Mono = true
	}
}

// column is a column of a table: the key of its head and its share of the width.
type column struct {
	head  string
	share float64
}

// table begins a table; a column that is headed time, number or due is monospaced.
func (c *composer) table(columns ...column) *Table {
	t := &Table{Flag: map[int]bool{}}
	for i, x := range columns {
		t.Heads, t.Shares = append(t.Heads, c.w("head."+x.head)), append(t.Shares, x.share)
		if x.head == "time" || x.head == "number" || x.head == "due" {
			t.Mono = append(t.Mono, i)
		}
	}
	return t
}

// row adds a row; a flagged one must not be overlooked.
func (t *Table) row(flag bool, cells ...string) {
	if flag {
		t.Flag[len(t.Rows)] = true
	}
	t.Rows = append(t.Rows, cells)
}

// restricted reports whether the visit holds something that must not reach the consumer.
func (c *composer) restricted() bool {
	return slices.ContainsFunc(c.in.Case.Defects(), func(d replay.Defect) bool { return d.Restricted })
}

// quiet reports whether no words of a person may stand on the copy, since nobody can tell by machine what a
// sentence gives away: where something is restricted, or a person declared a stop in words of their own.
func (c *composer) quiet() bool {
	return c.in.Copy != Full && (c.restricted() ||
		slices.ContainsFunc(c.account.Stops, func(s visit.StopLine) bool { return s.ID == visit.Declared }))
}

// typed is what a person wrote, or nothing on a copy on which it may not stand.
func (c *composer) typed(words string) string {
	if c.quiet() {
		return ""
	}
	return words
}

// owned reports whether something is the distributor's or the consumer's to mend.
func theirs(o method.Owner) bool { return o == site.Consumer || o == site.Distributor }

// with joins sentences that are there.
func with(list ...string) string {
	out := ""
	for _, s := range list {
		if s != "" && out != "" {
			out += " "
		}
		out += s
	}
	return out
}

func second(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return say.Second(t)
}
