// Package report sets a visit down on paper: the whole record, or the copy that one reader is
// owed.
//
// Compose decides what a copy says, and Write draws it as a PDF. The same input gives the same
// bytes on every run. Nothing here judges anything: every verdict comes from the engine.
package report

import (
	"fmt"
	"slices"
	"strings"

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
