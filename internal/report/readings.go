package report

import (
	"fmt"

	"meterwright/visit"
)

// readings lists readings with their limits and verdicts, and lays their brackets out in lanes.
func (c *composer) readings(note string, want func(*visit.Reading) bool) {
	block := &Readings{}
	var brackets []int
	for i := range c.account.Readings {
		r := &c.account.Readings[i]
		if !want(r) {
			continue
		}
		block.Rows = append(block.Rows, c.readingRow(i+1, r))
		brackets = append(brackets, r.Bracket)
	}
	if len(block.Rows) == 0 {
		return
	}
	states := make([]string, len(c.account.Brackets))
	for i, b := range c.account.Brackets {
		states[i] = b.State
	}
	lanes := Lanes(brackets, states)
	for i := range block.Rows {
		block.Rows[i].Lines = lanes[i]
		block.Lanes = len(lanes[i])
	}
	c.sheet.add(Section{ID: "readings", Title: "Readings", Note: note + " Marks: S published source, P common practice in the trade, M from memory and to be confirmed.", Blocks: []Block{block}})
}

func (c *composer) readingRow(n int, r *visit.Reading) ReadingRow {
	row := ReadingRow{Number: n, Time: r.At.Format(clock), Where: c.between(r.Point, r.Against), Shows: r.Shows.String(),
		Limit: Limit(r.Bounds), Verdict: Verdict(r), Instrument: Kind(r.Kind) + " " + r.Instrument, Withdrawn: r.Withdrawn, Unexpected: r.Judged.Found != "expected"}
	row.Event = r.Event
	if b := r.Bounds; b != nil {
		row.LimitWords, row.LimitName, row.Mark, row.Source = LimitWords(b), b.Words, b.Mark, b.Source
	}
	if v, unit, ok := r.Shows.Reading(); ok {
		row.Shows = readable(v.String(), unit)
	}
	if r.Bracket < 0 {
		row.Notes = append(row.Notes, "not proved before")
	}
	if r.Withdrawn {
		row.Notes = append(row.Notes, "withdrawn")
	}
	if e := entered(r.Happened); e != "" {
		row.Notes = append(row.Notes, e)
	}
	if r.Note != "" {
		row.Notes = append(row.Notes, r.Note)
	}
	return row
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

func readable(value, unit string) string {
	words := map[string]string{"ohm": "Ω", "Mohm": "MΩ", "1": ""}
	if w, ok := words[unit]; ok {
		unit = w
	}
	if unit == "" {
		return value
	}
	return fmt.Sprintf("%s %s", value, unit)
}
