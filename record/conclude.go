package record

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
)

// conclude looks at how the chains hang together and sets the verdict.
func (v *verifier) conclude() {
	byKey := v.longest()
	v.openedOnce()
	handed, whole := v.handOvers(byKey)
	heads := v.heads(byKey)
	whole = whole && !v.cut && heads != nil

	ended, open, toHead := false, false, true
	for _, c := range v.chains {
		if byKey[c.Key] != c {
			continue
		}
		ended = ended || c.EndSeq >= 0
		if c.Ended || handed[c.Key] {
			continue
		}
		open = true
		toHead = toHead && heads[c.Key]
		v.report.note(Note{Kind: NoteNotEnded, Input: c.Input, Key: c.Key, Text: fmt.Sprintf("the chain of device key %s has no end: after its %d lines others may be missing", c.Key, c.Next)})
	}
	for _, c := range v.chains {
		v.report.Chains = append(v.report.Chains, c.ChainReport)
	}
	v.report.Verdict = v.verdict(whole && ended && !open, whole && open && toHead)
}

func (v *verifier) verdict(ended, toHead bool) Verdict {
	unreadable := v.report.Lines == 0
	for _, f := range v.report.Faults {
		switch f.What {
		case NotReadable, NotARecord, LineCut:
			unreadable = true
		case Forked:
			if len(v.report.Forks) == 0 { // within one input: no record has that form
				return NotGenuine
			}
		default:
			return NotGenuine
		}
	}
	switch {
	case len(v.report.Forks) > 0:
		return InTwoVersions
	case unreadable:
		return Unreadable
	case ended:
		return GenuineEnded
	case toHead:
		return GenuineToHead
	}
	return GenuineNotEnded
}

// longest returns the longest copy of each chain and reports the places where another copy
// departs from it. As every line holds the hash of the one before, two copies that agree at
// one place agree at all places before it.
func (v *verifier) longest() map[Key]*found {
	byKey := map[Key]*found{}
	for _, c := range v.chains {
		if best := byKey[c.Key]; best == nil || c.Next > best.Next {
			byKey[c.Key] = c
		}
	}
	for _, c := range v.chains {
		best := byKey[c.Key]
		n := len(c.hashes)
		if c == best || c.hashes[n-1] == best.hashes[n-1] {
			continue
		}
		at := sort.Search(n, func(i int) bool { return c.hashes[i] != best.hashes[i] })
		one, other := best.branch(at), c.branch(at)
		v.report.Forks = append(v.report.Forks, Fork{Key: c.Key, Seq: int64(at), One: one, Other: other})
		fault := &Fault{What: Forked, Want: one.Hash.String(), Got: other.Hash.String(), Err: fmt.Errorf("the other version is line %d of %q", one.Line, one.Input)}
		v.report.Faults = append(v.report.Faults, fault.at(other.Input, other.Line))
	}
	return byKey
}

func (c *found) branch(seq int) Branch {
	return Branch{Input: c.Input, Line: c.Line + seq, Hash: c.hashes[seq]}
}

// openedOnce refuses two different chains that both open the visit.
func (v *verifier) openedOnce() {
	var first *found
	for _, c := range v.chains {
		if c.Begins != KindOpened {
			continue
		}
		if first == nil {
			first = c
		}
		if c.Key != first.Key {
			fault := &Fault{What: OpenedAgain, Field: "key", Want: first.Key.String(), Got: c.Key.String()}
			v.report.Faults = append(v.report.Faults, fault.at(c.Input, c.Line))
		}
	}
}

// handOvers follows every line that names another chain. It returns the chains whose last
// line another chain has taken over, and whether all that is named was given.
func (v *verifier) handOvers(byKey map[Key]*found) (handed map[Key]bool, whole bool) {
	handed, whole = map[Key]bool{}, true
	index := map[Key]map[Hash]int64{} // for each chain that is named, where each line is
	for _, c := range v.chains {
		if byKey[c.Key] != c {
			continue
		}
		for _, l := range c.links {
			note := func(kind NoteKind, text string) {
				v.report.note(Note{Kind: kind, Input: c.Input, Line: c.Line + int(l.seq), Key: l.Chain, Text: text})
			}
			target := byKey[l.Chain]
			if target == nil {
				whole = false
				note(NoteChainMissing, "the chain of device key "+l.Chain.String()+", which this line names, was not given")
				continue
			}
			if index[l.Chain] == nil {
				index[l.Chain] = target.index()
			}
			seq, ok := index[l.Chain][l.Head]
			if !ok {
				whole = false
				note(NoteHeadMissing, "the chain of device key "+l.Chain.String()+" lacks the line "+l.Head.String()+", which this line names: lines are missing at its end or it is another version")
				continue
			}
			if fault := target.linkFault(l, seq); fault != nil {
				v.report.Faults = append(v.report.Faults, fault.at(c.Input, c.Line+int(l.seq)))
				continue
			}
			if l.kind != KindTakenOver {
				continue
			}
			target.TakenAt = max(target.TakenAt, seq)
			after := target.Next - 1 - seq
			handed[l.Chain] = handed[l.Chain] || after == 0
			if after > 0 && !target.takesBack(seq+1) {
				note(NoteWentOn, fmt.Sprintf("the chain of device key %s goes on for %d lines after it was taken over here", l.Chain, after))
			}
		}
	}
	return handed, whole
}

// index returns the sequence number of every line of a chain by its hash.
func (c *found) index() map[Hash]int64 {
	m := make(map[Hash]int64, len(c.hashes))
	for seq, h := range c.hashes {
		m[h] = int64(seq)
	}
	return m
}

// linkFault refuses a take-over at or after the end of the visit, and a supplement in a chain
// of its own that names a line before the end.
func (c *found) linkFault(l link, seq int64) *Fault {
	over := c.Ended && (c.EndSeq < 0 || seq >= c.EndSeq)
	switch {
	case over && l.kind == KindTakenOver:
		return &Fault{What: AfterEnd, Field: "kind", Want: strconv.Quote(KindSupplement), Got: strconv.Quote(l.kind)}
	case !over && l.kind == KindSupplement:
		return &Fault{What: SupplementSoon, Field: "body", Err: fmt.Errorf("line %s of the chain of device key %s is not after an end", l.Head, c.Key)}
	}
	return nil
}

// takesBack reports whether the chain's line seq takes another chain over.
func (c *found) takesBack(seq int64) bool {
	i := sort.Search(len(c.links), func(i int) bool { return c.links[i].seq >= seq })
	return i < len(c.links) && c.links[i].seq == seq
}

// heads returns the chains that have one of the heads given. It is nil if a head was given
// that no chain has.
func (v *verifier) heads(byKey map[Key]*found) map[Key]bool {
	have, all := map[Key]bool{}, true
	for _, head := range v.opts.Heads {
		there := false
		for _, c := range v.chains {
			seq := slices.Index(c.hashes, head)
			if byKey[c.Key] != c || seq < 0 {
				continue
			}
			there, have[c.Key] = true, true
			if after := len(c.hashes) - 1 - seq; after > 0 {
				v.report.note(Note{Kind: NoteGoesPastHead, Input: c.Input, Line: c.Line + seq, Key: c.Key, Text: fmt.Sprintf("this line is the head given; %d lines follow it", after)})
			}
		}
		if !there {
			all = false
			v.report.note(Note{Kind: NoteHeadNotFound, Text: "no chain has the head given, " + head.String() + ": lines are missing at the end or this is another version"})
		}
	}
	if !all {
		return nil
	}
	return have
}
