package report

import (
	"meterwright/instrument"
	"meterwright/visit"
)

func (c *composer) everyReading() { c.readings(func(*visit.Reading) bool { return true }) }

// tellingReadings are the readings that have a limit or were not as expected, for whoever lives there; they name
// no person.
func (c *composer) tellingReadings() {
	if !c.restricted() {
		c.readings(func(r *visit.Reading) bool { return r.Bounds != nil || r.Judged.Found == visit.FoundUnexpected })
	}
}

// readings lists readings with their limits and verdicts, and lays their brackets out in lanes.
func (c *composer) readings(want func(*visit.Reading) bool) {
	block := &Readings{}
	for _, h := range []string{"number", "time", "where", "shows", "judged", "instrument"} {
		block.Heads = append(block.Heads, c.w("head."+h))
	}
	var brackets []int
	for i := range c.account.Readings {
		if r := &c.account.Readings[i]; want(r) {
			block.Rows = append(block.Rows, c.readingRow(i+1, r))
			brackets = append(brackets, r.Bracket)
		}
	}
	states := make([]string, len(c.account.Brackets))
	for i := range c.account.Brackets {
		states[i] = string(c.account.Brackets[i].State)
	}
	lanes := Lanes(brackets, states)
	for i := range block.Rows {
		block.Rows[i].Lines = lanes[i]
		block.Lanes = len(lanes[i])
	}
	c.add("readings", block, c.unfit())
}

// unfit says, on the full copy, which readings and entries do not fit the rest of the visit.
func (c *composer) unfit() *Words {
	w := &Words{}
	if c.in.Copy != Full {
		return w
	}
	for _, x := range c.in.Case.Findings() {
		w.List = append(w.List, c.w("unfit", "time", second(x.At), "step", c.Step(x.Step), "words", c.Finding(&x)))
	}
	return w
}

func (c *composer) readingRow(n int, r *visit.Reading) ReadingRow {
	row := ReadingRow{Number: n, Time: second(r.At), Where: c.Between(r.Point, r.Against), Shows: c.Shows(r.Shows), Limit: c.LimitSource(r.Bounds),
		Verdict: c.Verdict(r), Instrument: c.tool(r.Kind, r.Instrument), Withdrawn: r.Withdrawn, Unexpected: r.Judged.Found != visit.FoundExpected, Event: r.Event}
	if b := r.Bounds; b != nil {
		row.LimitWords, row.LimitName, row.Mark, row.Source = c.Limit(b), c.LimitName(r), b.Mark, b.Source
		row.Judged = c.w("judged", "limit", row.Limit, "verdict", row.Verdict)
	} else {
		row.Judged = c.w("sentence", "words", row.Verdict)
	}
	if r.Bracket < 0 {
		row.Notes = append(row.Notes, c.w("sentence", "words", c.Counts(nil)))
	}
	row.Notes = append(row.Notes, c.correctionsOf(r.Event)...)
	if r.Withdrawn && len(row.Notes) == 0 {
		row.Notes = append(row.Notes, c.w("sentence", "words", c.Say("found.withdrawn")))
	}
	for _, words := range []string{c.after(r.Happened), c.w("sentence", "words", c.typed(r.Note))} {
		if words != "" {
			row.Notes = append(row.Notes, words)
		}
	}
	return row
}

// tool is an instrument with its number.
func (c *composer) tool(k instrument.Kind, id string) string {
	return c.w("tool", "kind", c.Kind(k), "id", id)
}

// Lanes says what is drawn of each bracket beside each reading: brackets are given by the index
// of each reading's own, -1 for none, with the state of every bracket. A bracket runs from its
// first reading to its last, in the first lane that is free.
func Lanes(brackets []int, states []string) [][]BracketPart {
	first, last := map[int]int{}, map[int]int{}
	var order []int
	for i, b := range brackets {
		if b < 0 {
			continue
		}
		if _, ok := first[b]; !ok {
			first[b] = i
			order = append(order, b)
		}
		last[b] = i
	}
	lane := map[int]int{}
	var until []int
	for _, b := range order {
		at := -1
		for l, u := range until {
			if u < first[b] {
				at = l
				break
			}
		}
		if at < 0 {
			at = len(until)
			until = append(until, 0)
		}
		until[at] = last[b]
		lane[b] = at
	}
	rows := make([][]BracketPart, len(brackets))
	for i := range rows {
		rows[i] = make([]BracketPart, len(until))
	}
	for _, b := range order {
		for i := first[b]; i <= last[b]; i++ {
			rows[i][lane[b]] = BracketPart{State: states[b], Top: i == first[b], Bottom: i == last[b], Own: brackets[i] == b}
		}
	}
	return rows
}
