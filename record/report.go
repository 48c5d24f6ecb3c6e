package record

import (
	"fmt"
	"time"
)

// A Verdict is what a verification found, as a whole.
type Verdict int

// The verdicts. None of them says who held a key: see [NamedKey].
const (
	// Unreadable: an input gave an error, is empty, or is no record of this format.
	Unreadable Verdict = iota
	// NotGenuine: at least one line is altered, missing, added or out of place.
	NotGenuine
	// InTwoVersions: every line is genuine, but one chain was continued in two ways under
	// one key, which means tampering or a restored backup.
	InTwoVersions
	// GenuineNotEnded: every whole line is genuine, but lines may be missing after the
	// last ones. The notes say which.
	GenuineNotEnded
	// GenuineToHead: every line is genuine and the record is complete up to the head given.
	GenuineToHead
	// GenuineEnded: every line is genuine, the visit has ended, and no chain that the lines
	// name is missing or open.
	GenuineEnded
)

var verdictWords = [...]string{
	"unreadable", "not genuine", "in two versions", "genuine, not ended", "genuine and complete up to the head given", "genuine and ended",
}

// String returns the verdict in plain words.
func (v Verdict) String() string {
	if v < 0 || int(v) >= len(verdictWords) {
		return fmt.Sprintf("verdict %d", int(v))
	}
	return verdictWords[v]
}

// Genuine reports whether every whole line was found genuine and no chain is forked.
func (v Verdict) Genuine() bool { return v >= GenuineNotEnded }

// A Report is the outcome of a verification. After a fault it still tells what was found
// before it.
type Report struct {
	Verdict Verdict
	Visit   string
	Nature  Nature
	Lines   int // genuine lines in all inputs
	Chains  []ChainReport
	Forks   []Fork
	Faults  []*Fault // the first fault of each input, and those between inputs
	Notes   []Note   // at most maxNotes, in the order in which they were found
	// NotesLeftOut counts the notes beyond maxNotes.
	NotesLeftOut int
}

// maxNotes is the greatest number of notes kept in a report.
const maxNotes = 256

// A ChainReport describes one chain as it stands in one input.
type ChainReport struct {
	Chain             // state after the last genuine line
	Input   string    // name of the input
	Line    int       // line number of the chain's first line in the input
	Begins  string    // kind of its first line
	EndSeq  int64     // sequence number of its "ended", or -1
	First   time.Time // wall clock of its first line
	Last    time.Time // wall clock of its last line
	Boots   int       // how often the boot id changed, plus one
	Named   bool      // the key is one of those named
	Holder  NamedKey  // as named, if it was
	TakenAt int64     // sequence number of its last line that another chain took over, or -1
}

// A Fork is one place of one chain with two different genuine lines.
type Fork struct {
	Key Key
	Seq int64
	// One and Other are the two versions, each where it stands.
	One, Other Branch
}

// A Branch is one of the two lines at a fork.
type Branch struct {
	Input string
	Line  int
	Hash  Hash
}

// NoteKind says what sort of thing a note tells.
type NoteKind string

// The kinds of note. Those that make a verdict GenuineNotEnded are marked so.
const (
	NoteNotEnded      NoteKind = "not-ended"      // a chain is open (not ended)
	NoteLineCut       NoteKind = "line-cut"       // the last line lacks its LF (not ended)
	NoteChainMissing  NoteKind = "chain-missing"  // a chain that a line names was not given (not ended)
	NoteHeadMissing   NoteKind = "head-missing"   // a chain lacks the line at which it was taken over (not ended)
	NoteHeadNotFound  NoteKind = "head-not-found" // no chain has a head that was given (not ended)
	NoteWentOn        NoteKind = "went-on"        // a chain goes on after it was taken over
	NoteGoesPastHead  NoteKind = "goes-past-head" // a chain goes on after the head given
	NoteKeyNotNamed   NoteKind = "key-not-named"  // not a key you named
	NoteOtherPerson   NoteKind = "other-person"   // another person than the one named for the key
	NoteClockBack     NoteKind = "clock-back"     // the wall clock went backwards
	NoteClockSet      NoteKind = "clock-set"      // the wall clock moved otherwise than the monotonic one
	NoteMonotonicBack NoteKind = "monotonic-back" // the monotonic clock went backwards within one boot
)

// A Note tells something that is no fault by itself but that a reader should know.
type Note struct {
	Kind  NoteKind
	Input string
	Line  int // 0 where the note is about a whole chain or input
	Key   Key // zero where no chain is concerned
	Text  string
}

// String returns place and text.
func (n Note) String() string {
	switch {
	case n.Input != "" && n.Line > 0:
		return fmt.Sprintf("%s: line %d: %s", n.Input, n.Line, n.Text)
	case n.Line > 0:
		return fmt.Sprintf("line %d: %s", n.Line, n.Text)
	case n.Input != "":
		return n.Input + ": " + n.Text
	}
	return n.Text
}

func (r *Report) note(n Note) {
	if len(r.Notes) >= maxNotes {
		r.NotesLeftOut++
		return
	}
	r.Notes = append(r.Notes, n)
}
