package record

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Options say what a verification knows beforehand. The zero value knows nothing.
type Options struct {
	// Heads are hashes of last lines that somebody kept elsewhere. A record that has them
	// is complete up to them.
	Heads []Hash
	// Keys are the device keys that the reader knows. Lines of other keys are noted.
	Keys []NamedKey
	// RequireKeys makes a key that is not named a fault.
	RequireKeys bool
	// ClockTolerance is how far wall and monotonic clock may drift apart between two
	// lines before it is noted; 0 means two seconds.
	ClockTolerance time.Duration
	// Progress, if not nil, is called after every 256 genuine lines and at the end of each
	// input.
	Progress func(Progress)
}

// A NamedKey is a device key whose holder the reader knows.
type NamedKey struct {
	Key    Key
	Person string // as in the field "person"; empty if several people use the device
	Device string // free text
}

// Progress tells how far a verification has come.
type Progress struct {
	Input string
	Lines int   // genuine lines so far, over all inputs
	Bytes int64 // bytes of these lines, over all inputs
}

// An Input is one file of a visit.
type Input struct {
	Name string // for faults and notes
	R    io.Reader
}

// Verify checks one file. See [VerifyAll].
func Verify(r io.Reader, opts Options) (Report, error) {
	return VerifyAll([]Input{{R: r}}, opts)
}

// VerifyAll checks files that belong to one visit: each line's form, place and signature,
// then how the chains hang together. Each file holds one or more whole chains one after
// another. Of each input it reads up to the first fault. It keeps one line and 32 bytes for
// each line read. The error is nil exactly if the verdict is one of the genuine ones;
// otherwise it is the first *Fault, and the report has all of them.
func VerifyAll(inputs []Input, opts Options) (Report, error) {
	v := &verifier{opts: opts}
	if v.opts.ClockTolerance == 0 {
		v.opts.ClockTolerance = 2 * time.Second
	}
	for _, in := range inputs {
		if fault := v.input(in); fault != nil {
			v.report.Faults = append(v.report.Faults, fault)
		}
	}
	v.conclude()
	if len(v.report.Faults) > 0 {
		return v.report, v.report.Faults[0]
	}
	return v.report, nil
}

type verifier struct {
	opts   Options
	report Report
	chains []*found
	bytes  int64
	cut    bool // some input ends within a line
}

// found is one chain as one input has it.
type found struct {
	ChainReport
	hashes []Hash // of every line, by sequence number
	links  []link
	last   Event
}

// link is a line that names another chain.
type link struct {
	seq  int64
	kind string
	HandOver
}

// input reads one file to its end or first fault.
func (v *verifier) input(in Input) *Fault {
	lines := newLineReader(in.R)
	firstChain := len(v.chains)
	for number := 1; ; number++ {
		line, fault := lines.next()
		if fault == nil && line == nil {
			fault = &Fault{What: NotARecord, Got: "an empty file"}
			if number > 1 {
				v.progress(in.Name)
				return nil
			}
		}
		if fault == nil {
			fault = v.line(in.Name, number, firstChain, line)
		}
		if fault == nil {
			continue
		}
		if fault.What == LineCut && number > 1 {
			v.cut = true
			v.report.note(NoteLineCut, in.Name, number, Key{}, "the last line is cut short after %d bytes; the lines before it are whole", len(line))
			return nil
		}
		if number == 1 {
			fault = notARecord(fault, line)
		}
		return fault.at(in.Name, number)
	}
}

// notARecord turns a fault in the first line into NotARecord if the line does not even
// claim to be of this format.
func notARecord(f *Fault, line []byte) *Fault {
	switch {
	case f.What == NotReadable, f.What == NotARecord, f.What == LineCut:
		return f
	case f.What == BadValue && f.Field == fieldNames[fFormat], !bytes.Contains(line, []byte(Format)):
		return &Fault{What: NotARecord, Err: f}
	}
	return f
}

// line checks one line of an input whose chains begin at index firstChain.
func (v *verifier) line(input string, number, firstChain int, line []byte) *Fault {
	e, err := Decode(line)
	if err != nil {
		return asFault(err)
	}
	var cur *found
	if len(v.chains) > firstChain {
		cur = v.chains[len(v.chains)-1]
	}
	if cur == nil || e.Seq == 0 && e.Key != cur.Key {
		if cur, err = v.begin(input, number, firstChain, e); err != nil {
			return asFault(err)
		}
	}
	next, err := cur.follow(e)
	if err != nil {
		return cur.explain(asFault(err), e)
	}
	if cur.Next == 0 { // only now is it known to be genuine
		v.chains = append(v.chains, cur)
		v.report.Visit, v.report.Nature = e.Visit, e.Nature
		if !cur.Named {
			v.report.note(NoteKeyNotNamed, input, number, e.Key, "device key %s is not a key you named", e.Key)
		}
	}
	v.clocks(cur, number, e)
	v.persons(cur, number, e)
	cur.add(next, e)
	v.report.Lines++
	v.bytes += int64(len(line)) + 1
	if v.report.Lines%256 == 0 {
		v.progress(input)
	}
	return nil
}

// begin prepares the chain that the event seems to begin.
func (v *verifier) begin(input string, number, firstChain int, e Event) (*found, error) {
	if len(v.chains) >= MaxChains {
		return nil, &Fault{What: TooMany, Want: fmt.Sprintf("at most %d chains", MaxChains)}
	}
	for _, other := range v.chains[firstChain:] {
		if other.Key == e.Key {
			return nil, &Fault{What: ChainTwice, Field: "key", Got: e.Key.String()}
		}
	}
	c := &found{ChainReport: ChainReport{Input: input, Line: number, Begins: e.Kind, EndSeq: -1, TakenAt: -1, First: e.Wall}}
	c.Chain = Chain{Visit: e.Visit, Nature: e.Nature, Key: e.Key}
	if v.report.Visit != "" {
		c.Visit, c.Nature = v.report.Visit, v.report.Nature
	}
	for _, k := range v.opts.Keys {
		if k.Key == e.Key {
			c.Named, c.Holder = true, k
		}
	}
	if !c.Named && v.opts.RequireKeys {
		return nil, &Fault{What: KeyNotNamed, Field: "key", Got: e.Key.String()}
	}
	return c, nil
}

// add makes a genuine line part of the chain.
func (c *found) add(next Chain, e Event) {
	if e.Kind == KindTakenOver || e.Kind == KindSupplement && e.Seq == 0 {
		h, _ := e.HandOver() // follow has checked it
		c.links = append(c.links, link{e.Seq, e.Kind, h})
	}
	if e.Kind == KindEnded {
		c.EndSeq = e.Seq
	}
	if e.Seq == 0 || e.Boot != c.last.Boot {
		c.Boots++
	}
	c.Chain, c.Last = next, e.Wall
	c.hashes = append(c.hashes, e.Hash)
	c.last = e
	c.last.Body = nil // up to MaxLine bytes that nobody needs again
}

// explain looks closer at a line that is out of place.
func (c *found) explain(f *Fault, e Event) *Fault {
	if f.What != BadSequence || e.Seq >= c.Next {
		return f
	}
	there := c.hashes[e.Seq]
	if there == e.Hash {
		return &Fault{What: LineTwice, Field: f.Field, Want: f.Want, Got: f.Got}
	}
	follows := e.Seq == 0 || c.hashes[e.Seq-1] == e.Prev
	if follows && e.CheckSignature() == nil {
		return &Fault{What: Forked, Field: f.Field, Want: there.String(), Got: e.Hash.String()}
	}
	return f
}

func asFault(err error) *Fault {
	f, ok := err.(*Fault)
	if !ok {
		return &Fault{What: NotReadable, Err: err}
	}
	return f
}

func (v *verifier) progress(input string) {
	if v.opts.Progress != nil {
		v.opts.Progress(Progress{Input: input, Lines: v.report.Lines, Bytes: v.bytes})
	}
}

// clocks compares the device's two clocks between the chain's last line and this one.
func (v *verifier) clocks(c *found, number int, e Event) {
	if c.Next == 0 {
		return
	}
	wall := e.Wall.Sub(c.last.Wall)
	same := e.Boot == c.last.Boot
	if same && e.Mono < c.last.Mono {
		v.report.note(NoteMonotonicBack, c.Input, number, c.Key, "the monotonic clock went back by %d ms within one boot", c.last.Mono-e.Mono)
		same = false
	}
	if wall < 0 {
		v.report.note(NoteClockBack, c.Input, number, c.Key, "the wall clock went back by %v: order is by sequence, not by clock", -wall)
		return
	}
	if !same {
		return
	}
	// In seconds as floats: the two may be 2^53 ms apart, which a Duration cannot hold.
	apart := e.Wall.Sub(c.last.Wall).Seconds() - float64(e.Mono-c.last.Mono)/1000
	if apart > v.opts.ClockTolerance.Seconds() || -apart > v.opts.ClockTolerance.Seconds() {
		v.report.note(NoteClockSet, c.Input, number, c.Key, "the wall clock moved %.3f s against the monotonic clock", apart)
	}
}

// persons notes lines by others than the person named for the key, once for each change.
func (v *verifier) persons(c *found, number int, e Event) {
	if c.Holder.Person == "" || e.Person == c.Holder.Person || c.Next > 0 && e.Person == c.last.Person {
		return
	}
	v.report.note(NoteOtherPerson, c.Input, number, c.Key, "person %s used the key that you named as %s", e.Person, strings.TrimSpace(c.Holder.Person+" "+c.Holder.Device))
}

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
		v.report.note(NoteNotEnded, c.Input, 0, c.Key, "the chain of device key %s has no end: after its %d lines others may be missing", c.Key, c.Next)
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
		v.report.Faults = append(v.report.Faults, &Fault{Input: other.Input, Line: other.Line, What: Forked, Want: one.Hash.String(), Got: other.Hash.String(),
			Err: fmt.Errorf("the other version is line %d of %q", one.Line, one.Input)})
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
			v.report.Faults = append(v.report.Faults, &Fault{Input: c.Input, Line: c.Line, What: OpenedAgain, Field: "key", Want: first.Key.String(), Got: c.Key.String()})
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
			line := c.Line + int(l.seq)
			target := byKey[l.Chain]
			if target == nil {
				whole = false
				v.report.note(NoteChainMissing, c.Input, line, l.Chain, "the chain of device key %s, which this line names, was not given", l.Chain)
				continue
			}
			if index[l.Chain] == nil {
				index[l.Chain] = target.index()
			}
			seq, ok := index[l.Chain][l.Head]
			if !ok {
				whole = false
				v.report.note(NoteHeadMissing, c.Input, line, l.Chain, "the chain of device key %s lacks the line %s, which this line names: lines are missing at its end or it is another version", l.Chain, l.Head)
				continue
			}
			if fault := target.linkFault(l, seq); fault != nil {
				v.report.Faults = append(v.report.Faults, fault.at(c.Input, line))
				continue
			}
			if l.kind != KindTakenOver {
				continue
			}
			target.TakenAt = max(target.TakenAt, seq)
			after := target.Next - 1 - seq
			handed[l.Chain] = handed[l.Chain] || after == 0
			if after > 0 && !target.takesBack(seq+1) {
				v.report.note(NoteWentOn, c.Input, line, l.Chain, "the chain of device key %s goes on for %d lines after it was taken over here", l.Chain, after)
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
				v.report.note(NoteGoesPastHead, c.Input, c.Line+seq, c.Key, "this line is the head given; %d lines follow it", after)
			}
		}
		if !there {
			all = false
			v.report.note(NoteHeadNotFound, "", 0, Key{}, "no chain has the head given, %s: lines are missing at the end or this is another version", head)
		}
	}
	if !all {
		return nil
	}
	return have
}
