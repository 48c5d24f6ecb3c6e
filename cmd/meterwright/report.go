package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"meterwright/internal/private"
	"meterwright/internal/recordfile"
	paper "meterwright/internal/report"
	"meterwright/internal/terminal"
	"meterwright/record"
	"meterwright/rules"
)

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
