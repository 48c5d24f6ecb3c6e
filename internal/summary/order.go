package summary

import (
	"meterwright/record"
)

// course is one chain's lines with how many of them have been placed.
type course struct {
	lines  []record.Event
	placed int
}

// order puts the events of several chains into an order in which they can have happened: a
// take-over comes after the line that it names. Of a forked chain it follows the version whose
// lines come first; the lines of others are counted aside.
//
// A hash stands in the line that names it and is part of that line's own hash, so that lines
// can never name each other in a circle: whatever a line names is placed, or comes before it.
func order(events []record.Event) (ordered []record.Event, chains []Chain, aside int) {
	var keys []record.Key
	courses := map[record.Key]*course{}
	for _, e := range events {
		c := courses[e.Key]
		if c == nil {
			c = &course{}
			courses[e.Key] = c
			keys = append(keys, e.Key)
		}
		if e.Seq >= 0 && e.Seq < int64(len(c.lines)) && c.lines[e.Seq].Hash == e.Hash {
			continue // The versions of a forked chain share their beginning.
		}
		if n := len(c.lines); e.Seq != int64(n) || n > 0 && e.Prev != c.lines[n-1].Hash {
			aside++
			continue
		}
		c.lines = append(c.lines, e)
	}
	ordered = make([]record.Event, 0, len(events))
	var place func(c *course, until int)
	place = func(c *course, until int) {
		for c.placed < until {
			e := c.lines[c.placed]
			if e.Kind == record.KindTakenOver || e.Kind == record.KindSupplement && e.Seq == 0 {
				if h, err := e.HandOver(); err == nil {
					if other := courses[h.Chain]; other != nil && other != c {
						place(other, after(other, h.Head))
					}
				}
			}
			ordered = append(ordered, e)
			c.placed++
		}
	}
	// The chain that opens the visit comes first, whatever came in first.
	for _, opens := range []bool{true, false} {
		for _, k := range keys {
			if c := courses[k]; len(c.lines) > 0 && (c.lines[0].Kind == record.KindOpened) == opens {
				place(c, len(c.lines))
			}
		}
	}
	for _, k := range keys {
		c := courses[k]
		if len(c.lines) == 0 {
			continue
		}
		last := c.lines[len(c.lines)-1]
		ended := false
		for _, e := range c.lines {
			ended = ended || e.Kind == record.KindEnded
		}
		chains = append(chains, Chain{Key: k, Lines: len(c.lines), Head: last.Hash, Ended: ended})
	}
	return ordered, chains, aside
}

// after returns the number of lines up to and with the one that has the hash, or 0.
func after(c *course, head record.Hash) int {
	for i := range c.lines {
		if c.lines[i].Hash == head {
			return i + 1
		}
	}
	return 0
}
