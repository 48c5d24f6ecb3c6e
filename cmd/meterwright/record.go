package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"meterwright/internal/private"
	"meterwright/internal/progress"
	"meterwright/internal/recordfile"
	paper "meterwright/internal/report"
	"meterwright/internal/terminal"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
)

type recordCommands struct {
	Verify recordVerify `cmd:"" help:"Check that records are genuine: files, or what is attached to a PDF." exits:"0 genuine and ended, or complete up to the head given|1 not genuine, or in two versions; of several visits the worst counts|2 unreadable|3 genuine, not ended"`
	Show   recordShow   `cmd:"" help:"Show a record line by line, without verifying it." exits:"0 shown|1 a line is no line of a record|2 the file cannot be read"`
	Report recordReport `cmd:"" help:"Set a record down as a PDF, whole or as one reader's copy." exits:"0 written; the record is genuine and ended|1 written where it can be; the record is not genuine|2 a file cannot be read or written|3 written; the record is genuine, not ended"`
}

type recordVerify struct {
	Files []string `arg:"" help:"The files of one visit or of several." name:"file"`
	Head  []string `help:"The hash of a last line that somebody kept elsewhere." placeholder:"HASH"`
	Key   []string `help:"A device key that you know. Lines of any other are then a fault." placeholder:"KEY"`
	asJSON
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

func (c *recordVerify) Run(s *streams) error {
	opts := record.Options{RequireKeys: len(c.Key) > 0}
	for _, h := range c.Head {
		hash, err := record.ParseHash(h)
		if err != nil {
			return usage(fmt.Errorf("--head: %w", err), "")
		}
		opts.Heads = append(opts.Heads, hash)
	}
	for _, k := range c.Key {
		key, err := record.ParseKey(k)
		if err != nil {
			return usage(fmt.Errorf("--key: %w", err), "")
		}
		opts.Keys = append(opts.Keys, record.NamedKey{Key: key})
	}
	code := exitGood
	var given []source
	for _, path := range c.Files {
		list, err := s.sources(path)
		if err != nil {
			code = worst(code, s.report(err))
		}
		given = append(given, list...)
	}
	all := []verified{}
	for _, of := range byVisit(given) {
		v, err := s.verify(of, opts)
		if err != nil {
			return err
		}
		code = worst(code, verdictCode(v.report.Verdict))
		all = append(all, v)
	}
	if len(all) == 0 && !s.json {
		return settled(code)
	}
	return s.conclude(code, all, func(t *terminal.Text) {
		for i, v := range all {
			if i > 0 {
				t.Line("")
			}
			v.tell(t)
		}
	})
}

// verified is what was found of one visit.
type verified struct {
	of      []source
	report  record.Report
	Verdict string        `json:"verdict"`
	Visit   string        `json:"visit"`
	Nature  string        `json:"nature"`
	Lines   int           `json:"lines"`
	Chains  []chainOutput `json:"chains"`
	Faults  []string      `json:"faults"`
	Notes   []string      `json:"notes"`
	// Attached names the PDF and the file in it, of each record that came with one.
	Attached []string `json:"attached,omitempty"`
}

type chainOutput struct {
	Input string `json:"file"`
	Key   string `json:"key"`
	Lines int64  `json:"lines"`
	Head  string `json:"head"`
	Ended bool   `json:"ended"`
}

func (v *verified) tell(t *terminal.Text) {
	for _, o := range v.of {
		t.Line("%s", o.name)
		if o.among > 1 {
			t.Put(2, "terminal.record.among", "n", o.among, "pdf", o.pdf)
		}
	}
	t.Record(v.report)
	if len(v.Attached) > 0 {
		t.Put(2, "terminal.record.attached-only")
	}
}

// byVisit puts the records of one visit together, in the order in which they were given.
func byVisit(list []source) [][]source {
	var groups [][]source
	place := map[string]int{}
	for _, o := range list {
		if at, known := place[o.visit]; known && o.visit != "" {
			groups[at] = append(groups[at], o)
			continue
		}
		place[o.visit] = len(groups)
		groups = append(groups, []source{o})
	}
	return groups
}

// verify verifies the records of one visit. What is wrong with them stands in what it returns;
// the error is of the files alone.
func (s *streams) verify(of []source, opts record.Options) (verified, error) {
	v := verified{of: of}
	var inputs []record.Input
	var open []io.Closer
	for i := range of {
		f, err := of[i].open()
		if err != nil {
			return v, unread(err)
		}
		open = append(open, f)
		inputs = append(inputs, record.Input{Name: of[i].name, R: f})
		if of[i].pdf != "" {
			v.Attached = append(v.Attached, of[i].name)
		}
	}
	line := progress.New(os.Stderr, s.words.Say("terminal.progress.lines"))
	opts.Progress = func(p record.Progress) { line.Show(int64(p.Lines), 0) }
	r, _ := record.VerifyAll(inputs, opts) // Its faults stand in the report.
	line.Done()
	var err error
	for _, f := range open {
		err = errors.Join(err, f.Close())
	}
	v.report, v.Verdict, v.Visit, v.Nature, v.Lines = r, r.Verdict.String(), r.Visit, string(r.Nature), r.Lines
	v.Chains, v.Faults, v.Notes = []chainOutput{}, []string{}, []string{}
	for _, c := range r.Chains {
		v.Chains = append(v.Chains, chainOutput{c.Input, c.Key.String(), c.Next, c.Head.String(), c.EndSeq >= 0})
	}
	for _, f := range r.Faults {
		v.Faults = append(v.Faults, f.Error())
	}
	for _, n := range r.Notes {
		v.Notes = append(v.Notes, n.String())
	}
	return v, err
}

type recordShow struct {
	File string `arg:"" help:"The record."`
	JSON bool   `help:"Write the events as JSON, one a line, as they stand in the record; an error too, on standard error."`
}

func (c *recordShow) Run(s *streams) error {
	o, err := s.only(c.File)
	if err != nil {
		return err
	}
	f, err := o.open()
	if err != nil {
		return unread(err)
	}
	t := terminal.New(s.out, s.words)
	n := 0
	var broken error
	err = replay.EachLine(f, func(number int, line []byte) error {
		e, err := record.Decode(line)
		if err != nil {
			broken = fmt.Errorf("%s: line %d: %w", o.name, number, err)
			return broken
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
	switch {
	case broken != nil:
		return broken
	case t.Err() != nil:
		return wrote(t)
	case err != nil:
		return unread(fmt.Errorf("%s: %w", o.name, err))
	case n == 0:
		return unread(fmt.Errorf("%s holds no whole line of a record", o.name))
	}
	if !c.JSON {
		t.Head("terminal.record.shown")
		t.Caution()
	}
	return wrote(t)
}

type recordReport struct {
	Files []string `arg:"" help:"The files of one visit. Attachments are looked for in the folder beside each." name:"file"`
	Out   string   `short:"o" required:"" help:"The PDF file to write." placeholder:"OUT.pdf"`
	For   string   `help:"Whose copy: full, consumer, distributor or supplier." default:"full" enum:"full,consumer,distributor,supplier"`
	Job   string   `help:"The job file, for what it says of registers and hazards." placeholder:"FILE"`
	asJSON
}

type reportOutput struct {
	File    string `json:"file"`
	For     string `json:"for"`
	Bytes   int    `json:"bytes"`
	Verdict string `json:"verdict"`
	Head    string `json:"head"`
}

func (c *recordReport) Run(s *streams) error {
	if c.Out == standard && s.json {
		return usage(errors.New("--out - and --json both want standard output"), "leave one of them out")
	}
	var files []paper.File
	for _, path := range c.Files {
		list, err := s.sources(path)
		if err != nil {
			return err
		}
		for _, o := range list {
			b, err := o.read()
			if err != nil {
				return err
			}
			files = append(files, paper.File{Name: o.base(), Content: b})
		}
	}
	in, err := paper.Read(files...)
	if err != nil {
		code := exitBad
		if in.Verified.Verdict == record.Unreadable {
			code = exitUnread
		}
		return coded{code: code, err: err}
	}
	in.Copy, in.Language, in.Pack, in.Container = paper.Copy(c.For), s.words, rules.GB(), c.container
	if c.Job != "" {
		sh, err := openShelf()
		if err != nil {
			return err
		}
		if in.Job, err = sh.readJob(s, c.Job); err != nil {
			return err
		}
	}
	sheet, err := paper.Compose(in)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := paper.Write(&b, in); err != nil {
		return err
	}
	code := verdictCode(in.Verified.Verdict)
	if c.Out == standard {
		if err := s.document(b.Bytes()); err != nil {
			return err
		}
		return settled(code)
	}
	if err := replaceFile(c.Out, b.Bytes()); err != nil {
		return unread(fmt.Errorf("write the report: %w", err))
	}
	out := reportOutput{File: c.Out, For: c.For, Bytes: b.Len(), Verdict: in.Verified.Verdict.String(), Head: sheet.Head}
	return s.conclude(code, out, func(t *terminal.Text) {
		t.Put(0, "report.command", "file", out.File, "title", sheet.Title, "n", out.Bytes)
		t.Put(0, "report.command.verdict", "verdict", t.Genuine(in.Verified.Verdict), "head", out.Head)
		t.Caution()
	})
}

// container looks for an attachment in the folders beside the files.
func (c *recordReport) container(id string) ([]byte, error) {
	digits, ok := strings.CutPrefix(id, "sha256:")
	if !ok || strings.ContainsAny(digits, `/\.`) {
		return nil, errors.New("its name is no hash")
	}
	for _, name := range c.Files {
		b, err := os.ReadFile(filepath.Join(recordfile.AttachmentsOf(name), digits))
		if err == nil {
			return b, nil
		}
		if !errors.Is(err, os.ErrNotExist) {
			return nil, err
		}
	}
	return nil, errors.New("not in the folder beside the record")
}

// replaceFile writes a whole file beside the one that is there and puts it in its place, so that
// nobody finds half of one.
func replaceFile(path string, content []byte) error {
	f, err := private.Temporary(filepath.Dir(path), ".report-*", content)
	if err != nil {
		return err
	}
	if err := os.Rename(f, path); err != nil {
		return errors.Join(err, os.Remove(f))
	}
	return nil
}
