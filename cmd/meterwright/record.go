package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"meterwright/internal/progress"
	"meterwright/internal/replay"
	"meterwright/internal/tell"
	"meterwright/record"
)

type recordCommands struct {
	Verify recordVerify `cmd:"" help:"Check that records are genuine. Exit 0 genuine and ended, or complete up to the head given; 3 genuine but not ended; 1 not genuine or in two versions; 2 unreadable."`
	Show   recordShow   `cmd:"" help:"Show a record line by line."`
	Report recordReport `cmd:"" help:"Set a record down as a PDF, whole or as one reader's copy. Exit codes as for verify."`
}

type recordVerify struct {
	Files []string `arg:"" help:"The files of one visit or of several." name:"file"`
	Head  []string `help:"The hash of a last line that somebody kept elsewhere." placeholder:"HASH"`
	Key   []string `help:"A device key that you know. Lines of any other are then a fault." placeholder:"KEY"`
	JSON  bool     `help:"Write JSON."`
}

func verdictCode(v record.Verdict) int {
	switch v {
	case record.GenuineEnded, record.GenuineToHead:
		return exitGood
	case record.GenuineNotEnded:
		return exitUndecided
	case record.Unreadable:
		return exitUnread
	}
	return exitBad
}

// worse orders exit codes by how much a reader should mind.
var worse = map[int]int{exitGood: 0, exitUndecided: 1, exitUnread: 2, exitBad: 3}

func (c *recordVerify) Run(s *streams) error {
	var heads []record.Hash
	for _, h := range c.Head {
		hash, err := record.ParseHash(h)
		if err != nil {
			return coded{exitUsage, fmt.Errorf("--head: %w", err)}
		}
		heads = append(heads, hash)
	}
	var keys []record.NamedKey
	for _, k := range c.Key {
		key, err := record.ParseKey(k)
		if err != nil {
			return coded{exitUsage, fmt.Errorf("--key: %w", err)}
		}
		keys = append(keys, record.NamedKey{Key: key})
	}
	code := exitGood
	var reports []record.Report
	for _, files := range byVisit(c.Files) {
		report, _, err := verifyFiles(s, files, heads, keys)
		if err != nil && report.Lines == 0 && len(report.Faults) == 0 {
			return err
		}
		if v := verdictCode(report.Verdict); worse[v] > worse[code] {
			code = v
		}
		reports = append(reports, report)
		if c.JSON {
			continue
		}
		if len(reports) > 1 {
			if _, err := io.WriteString(s.out, "\n"); err != nil {
				return unread(err)
			}
		}
		if err := showReport(s.out, files, report); err != nil {
			return err
		}
	}
	if c.JSON {
		var all []verifyOutput
		for _, r := range reports {
			all = append(all, verifyJSON(r))
		}
		if err := writeJSON(s.out, all); err != nil {
			return err
		}
	}
	if code != exitGood {
		return coded{code: code}
	}
	return nil
}

type verifyOutput struct {
	Verdict string        `json:"verdict"`
	Visit   string        `json:"visit"`
	Nature  string        `json:"nature"`
	Lines   int           `json:"lines"`
	Chains  []chainOutput `json:"chains"`
	Faults  []string      `json:"faults"`
	Notes   []string      `json:"notes"`
}

type chainOutput struct {
	Input string `json:"file"`
	Key   string `json:"key"`
	Lines int64  `json:"lines"`
	Head  string `json:"head"`
	Ended bool   `json:"ended"`
}

func verifyJSON(r record.Report) verifyOutput {
	out := verifyOutput{Verdict: r.Verdict.String(), Visit: r.Visit, Nature: string(r.Nature), Lines: r.Lines, Chains: []chainOutput{}, Faults: []string{}, Notes: []string{}}
	for _, c := range r.Chains {
		out.Chains = append(out.Chains, chainOutput{c.Input, c.Key.String(), c.Next, c.Head.String(), c.EndSeq >= 0})
	}
	for _, f := range r.Faults {
		out.Faults = append(out.Faults, f.Error())
	}
	for _, n := range r.Notes {
		out.Notes = append(out.Notes, n.String())
	}
	return out
}

func showReport(w io.Writer, files []string, r record.Report) error {
	t := tell.New(w)
	for _, f := range files {
		t.Line("%s", f)
	}
	t.Record(r)
	return wrote(t)
}

// byVisit puts the files of one visit together, in the order in which they were given.
func byVisit(files []string) [][]string {
	var groups [][]string
	place := map[string]int{}
	for _, f := range files {
		id := visitOf(f)
		if at, known := place[id]; known && id != "" {
			groups[at] = append(groups[at], f)
			continue
		}
		place[id] = len(groups)
		groups = append(groups, []string{f})
	}
	return groups
}

// visitOf reads the visit of a file's first line, or "" where there is none.
func visitOf(path string) string {
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer func() { _ = f.Close() }() // It was only read.
	id := ""
	stop := errors.New("one line is enough")
	_ = replay.EachLine(f, func(_ int, line []byte) error {
		if e, err := record.Decode(line); err == nil {
			id = e.Visit
		}
		return stop
	})
	return id
}

// failed is a file that could not be opened, for the report to say so.
type failed struct{ err error }

func (f failed) Read([]byte) (int, error) { return 0, f.err }

// verifyFiles verifies the files of one visit.
func verifyFiles(s *streams, files []string, heads []record.Hash, keys []record.NamedKey) (record.Report, int, error) {
	var inputs []record.Input
	var open []*os.File
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			inputs = append(inputs, record.Input{Name: name, R: failed{err}})
			continue
		}
		open = append(open, f)
		inputs = append(inputs, record.Input{Name: name, R: f})
	}
	line := progress.New(os.Stderr, "lines verified")
	report, err := record.VerifyAll(inputs, record.Options{Heads: heads, Keys: keys, RequireKeys: len(keys) > 0,
		Progress: func(p record.Progress) { line.Show(int64(p.Lines), 0) }})
	line.Done()
	for _, f := range open {
		err = errors.Join(err, f.Close())
	}
	return report, len(inputs), err
}

type recordShow struct {
	File string `arg:"" help:"The record."`
	JSON bool   `help:"Write the events as JSON, one a line."`
}

func (c *recordShow) Run(s *streams) error {
	f, err := os.Open(c.File)
	if err != nil {
		return unread(err)
	}
	t := tell.New(s.out)
	n := 0
	err = replay.EachLine(f, func(number int, line []byte) error {
		e, err := record.Decode(line)
		if err != nil {
			return bad(fmt.Errorf("%s: line %d: %w", c.File, number, err))
		}
		n = number
		if c.JSON {
			t.Raw(bytes.Clone(line))
		} else {
			t.Event(number, e)
		}
		return t.Err()
	})
	err = errors.Join(err, f.Close())
	var c2 coded
	switch {
	case err != nil && !errors.As(err, &c2):
		return unread(fmt.Errorf("%s: %w", c.File, err))
	case err != nil:
		return err
	case n == 0:
		return unread(fmt.Errorf("%s holds no whole line of a record", c.File))
	}
	if !c.JSON {
		t.Line("")
		t.Line("Shown, not verified: meterwright record verify checks signatures and order.")
		t.Caution()
	}
	return wrote(t)
}
