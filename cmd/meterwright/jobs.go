package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"meterwright/internal/jobs"
	"meterwright/internal/progress"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/terminal"
	"meterwright/rules"
)

type jobsCommands struct {
	Import jobsImport `cmd:"" help:"Take jobs over from a CSV file with a header. Good rows are kept, bad rows are named. Can be repeated." exits:"0 every row is good|1 the file makes no sense|2 the file or the folder cannot be used|3 rows were left out"`
}

type jobsImport struct {
	File string `arg:"" help:"The CSV file, UTF-8. docs/commands.md lists the columns."`
	Data string `help:"The office's folder. Without it the file is checked and nothing is kept." placeholder:"DIR"`
	asJSON
}

type importOutput struct {
	File    string          `json:"file"`
	Good    int             `json:"good"`
	Kept    bool            `json:"kept"`
	New     int             `json:"new"`
	Changed int             `json:"changed"`
	Same    int             `json:"same"`
	LeftOut []jobs.RowFault `json:"left_out"`
}

func (c *jobsImport) Run(s *streams) error {
	b, err := s.readFile(c.File, jobs.MaxCSV)
	if err != nil {
		return err
	}
	line := progress.New(os.Stderr, "rows read")
	table, err := jobs.ParseCSV(b, rules.GB().MeterPoint, func(done int64) { line.Show(done, 0) })
	line.Done()
	if err != nil {
		return bad(fmt.Errorf("%s: %w", c.File, err))
	}
	out := importOutput{File: c.File, Good: len(table.Jobs), LeftOut: append([]jobs.RowFault{}, table.Faults...)}
	if c.Data != "" {
		count, err := c.keep(s, b, table)
		if err != nil {
			return err
		}
		out.Kept, out.New, out.Changed, out.Same = true, count.New, count.Changed, count.Same
	}
	if err := s.show(out, out.tell); err != nil {
		return err
	}
	if len(out.LeftOut) > 0 {
		return settled(exitUndecided)
	}
	return nil
}

func (c *jobsImport) keep(s *streams, file []byte, table *jobs.Table) (store.ImportCount, error) {
	var rows []store.Job
	for _, j := range table.Jobs {
		body, err := j.Body()
		if err != nil {
			return store.ImportCount{}, bad(err)
		}
		rows = append(rows, store.Job{Reference: j.Reference, Body: body})
	}
	st, err := sqlite.Open(s.ctx, c.Data, store.Options{})
	if err != nil {
		return store.ImportCount{}, unread(err)
	}
	batch := fmt.Sprintf("%s %x", filepath.Base(c.File), sha256.Sum256(file))
	count, err := st.ImportJobs(s.ctx, batch, rows)
	if err = errors.Join(err, st.Close()); err != nil {
		return count, unread(err)
	}
	return count, nil
}

func (out *importOutput) tell(t *terminal.Text) {
	for _, f := range out.LeftOut {
		t.Line("%s: left out: %s", out.File, f)
	}
	t.Line("%d rows good, %d left out", out.Good, len(out.LeftOut))
	if out.Kept {
		t.Line("%d new, %d changed, %d as they were", out.New, out.Changed, out.Same)
	} else {
		t.Line("Checked only: give --data to keep them.")
	}
}
