package record

import (
	"fmt"
	"strings"
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

func (r *Report) note(kind NoteKind, input string, line int, key Key, format string, args ...any) {
	if len(r.Notes) >= maxNotes {
		r.NotesLeftOut++
		return
	}
	r.Notes = append(r.Notes, Note{Kind: kind, Input: input, Line: line, Key: key, Text: fmt.Sprintf(format, args...)})
}

// What names the rule that a line, a file or a set of files breaks.
type What string

// The rules that can be broken, in the order in which they are looked at.
const (
	NotReadable    What = "not-readable"    // the input gave an error
	NotARecord     What = "not-a-record"    // empty, or its first line is of another format
	LineCut        What = "line-cut"        // the last line has no LF
	LineTooLong    What = "line-too-long"   // over MaxLine bytes
	NotUTF8        What = "not-utf-8"       // bytes that are no UTF-8 text
	NotJSON        What = "not-json"        // no JSON object, or something after it
	TooDeep        What = "too-deep"        // nested deeper than maxDepth
	BadNumber      What = "bad-number"      // a number that is no integer within maxInteger
	FieldTwice     What = "field-twice"     // one name twice in one object
	FieldUnknown   What = "field-unknown"   // a field that the format does not have
	FieldMissing   What = "field-missing"   // a field that every line must have
	NotCanonical   What = "not-canonical"   // not the RFC 8785 form
	BadValue       What = "bad-value"       // a field's value is not of its form
	OtherVisit     What = "other-visit"     // the visit is not the one of the lines before
	OtherNature    What = "other-nature"    // real among practice or the reverse
	OtherKey       What = "other-key"       // the device key changes within a chain
	ChainTwice     What = "chain-twice"     // one device's chain twice in one input
	LineTwice      What = "line-twice"      // the same line again
	Forked         What = "fork"            // two different lines at one place of a chain
	BadSequence    What = "bad-sequence"    // lines are missing or out of order
	BadPrevious    What = "bad-previous"    // prev is not the hash of the line before
	BadBeginning   What = "bad-beginning"   // a chain begins with another kind than it may
	OpenedAgain    What = "opened-again"    // "opened" where a visit has begun already
	AfterEnd       What = "after-end"       // a line after the end that is no supplement
	SupplementSoon What = "supplement-soon" // a supplement before the end
	BadHandOver    What = "bad-hand-over"   // a line that names another chain in no valid way
	TooMany        What = "too-many"        // over MaxLines or MaxChains
	BadSignature   What = "bad-signature"   // the signature does not fit line and key
	KeyNotNamed    What = "key-not-named"   // a key that was not named, where that is required
)

// A Fault is the error for bytes that are no genuine record. It keeps the evidence.
type Fault struct {
	Input string // name of the input, empty if there is only one
	Line  int    // line number from 1 within the input; 0 where no file is involved
	What  What   // the rule that is broken
	Field string // the field concerned, if one is
	Want  string // what the rule asks for, as text or lower-case hex, if that can be said
	Got   string // what stands there instead
	Err   error  // the cause beneath, if any
}

// Error gives place, rule, evidence and cause in one line of plain words.
func (f *Fault) Error() string {
	var b strings.Builder
	if f.Input != "" {
		fmt.Fprintf(&b, "%s: ", f.Input)
	}
	if f.Line > 0 {
		fmt.Fprintf(&b, "line %d: ", f.Line)
	}
	b.WriteString(f.What.sentence())
	if f.Field != "" {
		fmt.Fprintf(&b, ": field %q", f.Field)
	}
	if f.Want != "" {
		fmt.Fprintf(&b, ": expected %s", f.Want)
	}
	if f.Got != "" {
		fmt.Fprintf(&b, ", got %s", f.Got)
	}
	if f.Err != nil {
		fmt.Fprintf(&b, ": %v", f.Err)
	}
	return b.String()
}

// Unwrap returns the cause beneath.
func (f *Fault) Unwrap() error { return f.Err }

// at returns the fault with its place filled in.
func (f *Fault) at(input string, line int) *Fault {
	placed := *f
	placed.Input, placed.Line = input, line
	return &placed
}

// sentence says in plain words what is broken, without the evidence.
func (w What) sentence() string {
	if s, ok := sentences[w]; ok {
		return s
	}
	return string(w)
}

var sentences = map[What]string{
	NotReadable:    "the file cannot be read",
	NotARecord:     "this is not a record that this program reads (" + Format + ")",
	LineCut:        "the last line is cut short: it has no line feed",
	LineTooLong:    "the line is too long",
	NotUTF8:        "the line is not UTF-8 text",
	NotJSON:        "the line is not one JSON object",
	TooDeep:        "the line is nested too deeply",
	BadNumber:      "a number is not an integer that every reader holds exactly",
	FieldTwice:     "a field stands twice in one object",
	FieldUnknown:   "the line has a field that the format does not know",
	FieldMissing:   "the line lacks a field",
	NotCanonical:   "the line is not in its one agreed form (RFC 8785)",
	BadValue:       "a field has a value that it cannot have",
	OtherVisit:     "the line belongs to another visit",
	OtherNature:    "real work and practice are mixed",
	OtherKey:       "the line is of another device than the lines before it",
	ChainTwice:     "one device's chain stands twice in this file",
	LineTwice:      "the line stands here a second time",
	Forked:         "two different lines claim one place: somebody altered the record or a backup was restored",
	BadSequence:    "lines are missing, added or out of order",
	BadPrevious:    "the line does not follow the line before it: one of them was altered or replaced",
	BadBeginning:   "a chain must begin with \"opened\", \"taken-over\" or \"supplement\"",
	OpenedAgain:    "the visit is opened a second time",
	AfterEnd:       "the visit has ended: only a supplement may follow",
	SupplementSoon: "a supplement stands before the end",
	BadHandOver:    "the line does not name another device's chain and its head",
	TooMany:        "there are more lines or chains than the format allows",
	BadSignature:   "the signature does not fit: the line was altered or another key signed it",
	KeyNotNamed:    "the device key is not a key you named",
}
