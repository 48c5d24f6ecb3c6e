// Package report sets a visit down on paper: the whole record, or the copy that one reader is
// owed.
//
// Compose decides what a copy says, and Write draws it as a PDF. The same input gives the same
// bytes on every run. Nothing here judges anything: every verdict comes from the engine.
package report

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"meterwright/internal/drawing"
	"meterwright/internal/jobs"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/say"
)

// Copy says for whom a report is made.
type Copy string

// The copies.
const (
	// Full is everything in the record, for whoever may see it.
	Full Copy = "full"
	// Consumer is what the person at the premises is owed, and nothing of anybody else.
	Consumer Copy = "consumer"
	// Distributor is what the owner of the service needs to act.
	Distributor Copy = "distributor"
	// Supplier is what the owner of the metering needs to act, with a restricted sheet.
	Supplier Copy = "supplier"
)

// Copies lists every copy in the order in which choices are shown.
func Copies() []Copy { return []Copy{Full, Consumer, Distributor, Supplier} }

// ParseCopy reads the name of a copy.
func ParseCopy(s string) (Copy, error) {
	if slices.Contains(Copies(), Copy(s)) {
		return Copy(s), nil
	}
	return "", fmt.Errorf("there is no copy %q: use full, consumer, distributor or supplier", s)
}

// File is one file of the record, as package record reads it.
type File struct {
	Name    string
	Content []byte
}

// Input is everything that a report is made from.
type Input struct {
	Copy Copy
	// Language words the copy.
	Language *say.Language
	// Case is the visit, read again from Files.
	Case *replay.Case
	// Verified is what the verification of Files found.
	Verified record.Report
	// Files is the record itself. It is attached to the full copy, and to no other.
	Files []File
	// Container returns an attachment; nil where there are none to hand. An error leaves the
	// picture out, and the report says so.
	Container func(id string) ([]byte, error)
	// Pack gives the categories their words.
	Pack *rules.Pack
	// Job is the job as it was given, or nil where it is not known.
	Job *jobs.Job
}

func (in *Input) check() error {
	if _, err := ParseCopy(string(in.Copy)); err != nil {
		return err
	}
	if in.Case == nil || in.Case.Visit == nil {
		return fmt.Errorf("report: the visit could not be read, so that there is nothing to set down")
	}
	if in.Pack == nil || in.Language == nil {
		return fmt.Errorf("report: the rules or the language are missing")
	}
	return nil
}

// head returns the hash of the last line of the chain that a reader should compare: the one that
// ended, or the last in order.
func (in *Input) head() string {
	head := ""
	for _, c := range in.Case.Chains {
		head = c.Head.String()
		if c.Ended {
			return head
		}
	}
	return head
}

// Compose decides what the copy says.
func Compose(in Input) (*Sheet, error) {
	if err := in.check(); err != nil {
		return nil, err
	}
	l := in.Language
	s := &Sheet{Copy: in.Copy, Title: l.Say("report.title." + string(in.Copy)), Job: in.Case.Opened.Job, Address: in.Case.Opened.Premises.Address,
		Practice: in.Case.Nature == record.Practice, Fictional: in.Case.Opened.Fictional, Head: in.head(), words: l}
	c := newComposer(&in, s)
	s.Cautions = c.cautions()
	for _, section := range sections[in.Copy] {
		section(c)
	}
	return s, nil
}

// cautions are what stands on every copy, first of all but a danger.
func (c *composer) cautions() []string {
	list := []string{}
	switch v := c.in.Verified.Verdict; v {
	case record.GenuineEnded, record.GenuineToHead:
	case record.GenuineNotEnded:
		list = append(list, c.w("caution.not-ended"))
	default:
		list = append(list, c.w("caution.not-genuine", "verdict", c.Genuine(v)))
	}
	if list = append(list, c.doubts()...); c.in.Case.Nature == record.Practice {
		list = append(list, c.w("caution.practice"))
	}
	list = append(list, c.Say("caution"), c.w("caution.found"))
	if c.in.Copy == Consumer {
		list = append(list, c.w("caution.consumer"))
	}
	return list
}

// Name is a file name for the copy, made of letters that every system takes.
func (s *Sheet) Name() string {
	clean := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, s.Job)
	if len(clean) > 40 {
		clean = clean[:40]
	}
	return fmt.Sprintf("%s-%s-%.8s.pdf", clean, s.Copy, s.Head)
}

// Sheet is what one copy of a visit says, before it is drawn.
type Sheet struct {
	Copy     Copy
	Title    string
	Job      string
	Address  string
	Practice bool
	// Fictional says that premises, people and numbers are invented.
	Fictional bool
	// Head is the hash of the record's last line, in hex.
	Head     string
	Cautions []string
	Sections []Section

	words *say.Language
}

// Section is one part of a sheet.
type Section struct {
	ID    string
	Title string
	// Note explains the part in a sentence.
	Note string
	// Alone begins the part on a page of its own; First stands before the cautions.
	Alone  bool
	First  bool
	Blocks []Block
}

// Block is one thing in a section: *Pairs, *Table, *Words, *Readings, *Drawing or *Pictures.
type Block interface{ empty() bool }

// Pair is a name with its value.
type Pair struct {
	Name, Value string
	// Mono asks for the monospaced face.
	Mono bool
}

// Pairs is a list of names with their values.
type Pairs struct{ List []Pair }

// Words is a list of sentences.
type Words struct {
	List []string
	// Strong sets them in bold with a bar at the side.
	Strong bool
}

// Table is a table with its columns' shares of the width.
type Table struct {
	Heads  []string
	Shares []float64
	Rows   [][]string
	// Mono lists the columns in the monospaced face.
	Mono []int
	// Flag marks rows that a reader must not overlook, by their index.
	Flag map[int]bool
}

// Readings is the table of readings with the brackets drawn down its edge.
type Readings struct {
	Heads []string
	Rows  []ReadingRow
	// Lanes is the number of brackets that run side by side.
	Lanes int
}

// ReadingRow is one reading.
type ReadingRow struct {
	Number int
	Time   string
	Where  string
	Shows  string
	Limit  string
	// LimitWords is the limit without where it comes from, LimitName what it is, and Mark and
	// Source where it comes from.
	LimitWords, LimitName, Mark, Source string
	// Event names the reading's event.
	Event   string
	Verdict string
	// Judged is the limit and the verdict in a sentence.
	Judged     string
	Instrument string
	Notes      []string
	// Withdrawn strikes the row through.
	Withdrawn bool
	// Unexpected marks what was not as the method expects.
	Unexpected bool
	// Lines says what is drawn of each bracket beside the row, by lane.
	Lines []BracketPart
}

// BracketPart is the part of one bracket beside one row.
type BracketPart struct {
	// State is closed, open, void, or empty where no bracket runs here.
	State string
	// Top and Bottom say that the bracket begins or ends at this row; Own that the row's
	// reading rests on it.
	Top, Bottom, Own bool
}

// Drawing is the service position.
type Drawing struct{ Picture drawing.Picture }

// Pictures are photographs, in order.
type Pictures struct{ List []Photo }

// Photo is one photograph.
type Photo struct {
	// Of says what it is of; a time goes with what was photographed for an entry.
	Of, Time, ID string
	Media        string
	Content      []byte
	// Missing says why there is no picture.
	Missing string
}

func (p *Pairs) empty() bool    { return len(p.List) == 0 }
func (w *Words) empty() bool    { return len(w.List) == 0 }
func (t *Table) empty() bool    { return len(t.Rows) == 0 }
func (r *Readings) empty() bool { return len(r.Rows) == 0 }
func (d *Drawing) empty() bool  { return false }
func (p *Pictures) empty() bool { return len(p.List) == 0 }

// Read verifies the files of one visit and reads the visit again from them. What was found stands
// in the input's Verified. A record that is not genuine is refused where a line cannot be read at
// all; where lines are readable, it is read and the verdict says what is wrong.
func Read(files ...File) (Input, error) {
	in := Input{Copy: Full, Files: files}
	var inputs []record.Input
	for _, f := range files {
		inputs = append(inputs, record.Input{Name: f.Name, R: bytes.NewReader(f.Content)})
	}
	var err error
	if in.Verified, err = record.VerifyAll(inputs, record.Options{}); err != nil && in.Verified.Verdict == record.Unreadable {
		return in, err
	}
	var events []record.Event
	for _, f := range files {
		err := replay.EachLine(bytes.NewReader(f.Content), func(n int, line []byte) error {
			e, err := record.Decode(line)
			if err != nil {
				return fmt.Errorf("%s: line %d: %w", f.Name, n, err)
			}
			events = append(events, e)
			return nil
		})
		if err != nil {
			return in, err
		}
	}
	var r replay.Reader
	if in.Case, err = r.Read(events); err != nil {
		return in, fmt.Errorf("%s: %w", names(files), err)
	}
	return in, nil
}

func names(files []File) string {
	var list []string
	for _, f := range files {
		list = append(list, f.Name)
	}
	return strings.Join(list, ", ")
}
