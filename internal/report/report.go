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
	"meterwright/internal/summary"
	"meterwright/record"
	"meterwright/rules"
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

// Title is the heading of the copy.
func (c Copy) Title() string {
	switch c {
	case Consumer:
		return "Copy for the consumer"
	case Distributor:
		return "Report to the distributor"
	case Supplier:
		return "Report to the supplier"
	}
	return "Record of a visit"
}

// File is one file of the record, as package record reads it.
type File struct {
	Name    string
	Content []byte
}

// Input is everything that a report is made from.
type Input struct {
	Copy Copy
	// Case is the visit, read again from Files.
	Case *summary.Case
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
	if in.Pack == nil {
		return fmt.Errorf("report: the rules are missing")
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
	s := &Sheet{Copy: in.Copy, Title: in.Copy.Title(), Job: in.Case.Opened.Job, Address: in.Case.Opened.Premises.Address,
		Practice: in.Case.Nature == record.Practice, Fictional: in.Case.Opened.Fictional, Head: in.head(), Cautions: cautions(in)}
	c := &composer{in: &in, sheet: s, account: in.Case.Visit.Account(), method: in.Case.Visit.Machine().Method}
	switch in.Copy {
	case Consumer:
		c.consumer()
	case Distributor:
		c.distributor()
	case Supplier:
		c.supplier()
	default:
		c.full()
	}
	return s, nil
}

// cautions are what stands on every copy, first.
func cautions(in Input) []string {
	list := []string{}
	switch v := in.Verified.Verdict; v {
	case record.GenuineEnded, record.GenuineToHead:
	case record.GenuineNotEnded:
		list = append(list, "The record is genuine and has not ended: lines may be missing at its end.")
	default:
		list = append(list, "The record is "+v.String()+". Nothing below can be relied on without the reason, which stands in the last part of the full copy.")
	}
	if in.Case.Nature == record.Practice {
		list = append(list, "This is a record of practice or of a demonstration. Nothing in it happened at a real service position.")
	}
	list = append(list, "This guides and records; it authorises nobody. Only trained, authorised people work on service equipment, under their employer's rules, the distributor's consent and local law, which come first.",
		"It says what was found, at which points, by which proved instrument, and when. It does not say that anything is without danger, then or now.")
	if in.Copy == Consumer {
		list = append(list, "What was not tested is listed. Do not open the cut-out, the meter or their covers: ring the number given below.")
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
