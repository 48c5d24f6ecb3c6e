package record

import (
	"bytes"
	"fmt"
	"io"
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
			v.report.note(Note{Kind: NoteLineCut, Input: in.Name, Line: number, Text: fmt.Sprintf("the last line is cut short after %d bytes; the lines before it are whole", len(line))})
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
			v.report.note(Note{Kind: NoteKeyNotNamed, Input: input, Line: number, Key: e.Key, Text: "device key " + e.Key.String() + " is not a key you named"})
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
	note := func(kind NoteKind, text string) {
		v.report.note(Note{Kind: kind, Input: c.Input, Line: number, Key: c.Key, Text: text})
	}
	same := e.Boot == c.last.Boot
	if same && e.Mono < c.last.Mono {
		note(NoteMonotonicBack, fmt.Sprintf("the monotonic clock went back by %d ms within one boot", c.last.Mono-e.Mono))
		same = false
	}
	if wall < 0 {
		note(NoteClockBack, fmt.Sprintf("the wall clock went back by %v: order is by sequence, not by clock", -wall))
		return
	}
	if !same {
		return
	}
	// In seconds as floats: the two may be 2^53 ms apart, which a Duration cannot hold.
	apart := e.Wall.Sub(c.last.Wall).Seconds() - float64(e.Mono-c.last.Mono)/1000
	if apart > v.opts.ClockTolerance.Seconds() || -apart > v.opts.ClockTolerance.Seconds() {
		note(NoteClockSet, "the wall clock moved "+strconv.FormatFloat(apart, 'f', 3, 64)+" s against the monotonic clock")
	}
}

// persons notes lines by others than the person named for the key, once for each change.
func (v *verifier) persons(c *found, number int, e Event) {
	if c.Holder.Person == "" || e.Person == c.Holder.Person || c.Next > 0 && e.Person == c.last.Person {
		return
	}
	v.report.note(Note{Kind: NoteOtherPerson, Input: c.Input, Line: number, Key: c.Key, Text: "person " + e.Person + " used the key that you named as " + strings.TrimSpace(c.Holder.Person+" "+c.Holder.Device)})
}
