package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"meterwright/internal/jobs/intake"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/tell"
	"meterwright/rules"
)

type jobsCommands struct {
	Import jobsImport `cmd:"" help:"Take jobs over from a CSV file with a header. Good rows are kept, the others are named. Can be repeated. Exit 0 when every row was good, 3 when some were refused or left alone, 1 when the file makes no sense."`
}

type jobsImport struct {
	File   string `arg:"" help:"The CSV file, UTF-8. docs/commands.md lists the columns."`
	Data   string `help:"The office's folder. Without it the rows are checked by themselves and nothing is kept." placeholder:"DIR"`
	DryRun bool   `help:"Say what would become of each row, and keep nothing."`
	Hash   string `help:"Take the file only if this is its SHA-256, as --dry-run wrote it." placeholder:"HEX"`
	JSON   bool   `help:"Write JSON."`
}

type importOutput struct {
	File string `json:"file"`
	*intake.Result
}

func (c *jobsImport) Run(s *streams) error {
	b, err := readFile(c.File, jobfile.MaxCSV)
	if err != nil {
		return err
	}
	in, err := intake.For(rules.GB())
	if err != nil {
		return err
	}
	r, err := c.take(s, in, b)
	var whole *intake.FileError
	switch {
	case errors.As(err, &whole), errors.Is(err, intake.ErrOtherBytes):
		return bad(fmt.Errorf("%s: %w", c.File, err))
	case err != nil:
		return unread(err)
	}
	if err := c.show(s, r); err != nil {
		return err
	}
	if r.Count(intake.Refused)+r.Count(intake.Begun) > 0 {
		return coded{code: exitUndecided}
	}
	return nil
}

func (c *jobsImport) take(s *streams, in *intake.Intake, file []byte) (r *intake.Result, err error) {
	if c.Data == "" {
		return in.Preview(s.ctx, nil, file)
	}
	st, err := sqlite.Open(s.ctx, c.Data, store.Options{Projector: &summary.Projector{}})
	if err != nil {
		return nil, err
	}
	if c.DryRun {
		r, err = in.Preview(s.ctx, st, file)
	} else {
		r, err = in.Take(s.ctx, st, filepath.Base(c.File), file, strings.ToLower(c.Hash))
	}
	if closed := st.Close(); closed != nil {
		return nil, errors.Join(err, closed)
	}
	return r, err
}

func (c *jobsImport) show(s *streams, r *intake.Result) error {
	if c.JSON {
		return writeJSON(s.out, importOutput{c.File, r})
	}
	t := tell.New(s.out)
	for _, row := range r.Rows {
		where := fmt.Sprintf("%s: line %d", c.File, row.Line)
		switch {
		case row.Fate == intake.Refused:
			for _, part := range []string{row.Column, row.Problem, row.Mend} {
				if part != "" {
					where += ": " + part
				}
			}
			t.Line("%s", where)
		case row.Fate == intake.Begun:
			t.Line("%s: %s is left alone since its visit has begun; the row differs in %s", where, row.Job, strings.Join(row.Differs, ", "))
		case row.Fate == intake.Changed && !r.Kept:
			t.Line("%s: %s would change in %s", where, row.Job, strings.Join(row.Differs, ", "))
		}
	}
	if c.Data == "" {
		t.Line("%d rows good, %d refused", r.Count(intake.Good), r.Count(intake.Refused))
		t.Line("Checked by themselves: give --data to look for the jobs and people that are known, and to keep them.")
		return wrote(t)
	}
	words := "%d new, %d changed, %d as they were, %d left alone, %d refused"
	if !r.Kept {
		words = "would be: " + words
	}
	t.Line(words, r.Count(intake.New), r.Count(intake.Changed), r.Count(intake.Same), r.Count(intake.Begun), r.Count(intake.Refused))
	if !r.Kept {
		t.Line("Nothing was kept. To keep this very file: leave --dry-run out and add --hash %s", r.Hash)
	}
	return wrote(t)
}
