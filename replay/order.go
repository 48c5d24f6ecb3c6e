package replay

import (
	"bytes"
	"cmp"
	"slices"

	"meterwright/record"
)

// Chain is one device's chain of the visit.
type Chain struct {
	Key   record.Key
	Lines int
	Head  record.Hash
	Ended bool
	// Forked says that there is another version of this chain under the same key.
	Forked bool
}

// Fork is a place where two lines under one key claim the same place: somebody wrote with a copied
// key, or a backup was put back. Both versions are kept and folded.
type Fork struct {
	Key record.Key
	Seq int64
}

// line is an event with the lines that it names.
type line struct {
	record.Event
	after []record.Hash
}

func linked(e record.Event) *line {
	l := &line{Event: e}
	if e.Seq > 0 {
		l.after = append(l.after, e.Prev)
	}
	if over, ok := goesOnFrom(&e); ok {
		l.after = append(l.after, over)
	}
	return l
}

// goesOnFrom returns the line of another chain that a line names as the one that it goes on from.
func goesOnFrom(e *record.Event) (record.Hash, bool) {
	if e.Kind != record.KindTakenOver && (e.Kind != record.KindSupplement || e.Seq > 0) {
		return record.Hash{}, false
	}
	h, err := e.HandOver()
	return h.Head, err == nil
}

// order is the order rule of the package comment. waiting are the lines that name a line which is
// not there, or which waits itself, in the same order.
func order(events []record.Event) (ordered, waiting []record.Event) {
	lines := map[record.Hash]*line{}
	for _, e := range events {
		if lines[e.Hash] == nil {
			lines[e.Hash] = linked(e)
		}
	}
	owes := map[record.Hash]int{}
	next := map[record.Hash][]*line{}
	var ready []*line
	for h, l := range lines {
		for _, a := range l.after {
			owes[h]++
			next[a] = append(next[a], l)
		}
		if owes[h] == 0 {
			ready = append(ready, l)
		}
	}
	// Few chains mean few lines that are ready at once: a sorted list serves.
	slices.SortFunc(ready, first)
	for len(ready) > 0 {
		l := ready[0]
		ready = ready[1:]
		ordered = append(ordered, l.Event)
		for _, n := range next[l.Hash] {
			if owes[n.Hash]--; owes[n.Hash] == 0 {
				at, _ := slices.BinarySearchFunc(ready, n, first)
				ready = slices.Insert(ready, at, n)
			}
		}
		delete(lines, l.Hash)
	}
	for _, l := range lines {
		waiting = append(waiting, l.Event)
	}
	slices.SortFunc(waiting, func(a, b record.Event) int { return first(&line{Event: a}, &line{Event: b}) })
	return ordered, waiting
}

// first compares two lines of which neither was made after the other.
func first(a, b *line) int {
	return cmp.Or(a.Wall.Compare(b.Wall), bytes.Compare(a.Key[:], b.Key[:]), cmp.Compare(a.Seq, b.Seq), bytes.Compare(a.Hash[:], b.Hash[:]))
}

// chains says where each chain stands, in order of appearance, and where one is forked.
func chains(events []record.Event) (list []Chain, forks []Fork) {
	at := map[record.Key]int{}
	taken := map[Fork]bool{}
	for _, e := range events {
		i, known := at[e.Key]
		if !known {
			i = len(list)
			at[e.Key] = i
			list = append(list, Chain{Key: e.Key})
		}
		c, p := &list[i], Fork{e.Key, e.Seq}
		if taken[p] {
			c.Forked = true
			forks = append(forks, p)
		}
		taken[p] = true
		c.Lines++
		c.Head = e.Hash
		c.Ended = c.Ended || e.Kind == record.KindEnded
	}
	return list, forks
}
