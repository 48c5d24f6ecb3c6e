package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"meterwright/internal/jobs/intake"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/progress"
	"meterwright/internal/serve"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/terminal"
	"meterwright/rules"
)

type jobsCommands struct {
	Import jobsImport `cmd:"" help:"Take jobs over from a CSV file with a header. Good rows are kept, the others are named. Can be repeated." exits:"0 every row is good|1 the file makes no sense|2 the file or the folder cannot be used|3 rows were refused or left alone"`
}

type jobsImport struct {
	File   string `arg:"" help:"The CSV file, UTF-8. docs/commands.md lists the columns."`
	Data   string `help:"The office's folder. Without it the rows are checked by themselves and nothing is kept." placeholder:"DIR"`
	DryRun bool   `help:"Say what would become of each row, and keep nothing."`
	Hash   string `help:"Take the file only if this is its SHA-256, as --dry-run wrote it." placeholder:"HEX"`
	asJSON
}

type importOutput struct {
	File string `json:"file"`
	*intake.Result
}

func (c *jobsImport) Run(s *streams) error {
	b, err := s.readFile(c.File, jobfile.MaxCSV)
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
		return fmt.Errorf("%s: %w", c.File, err)
	case err != nil:
		return unread(err)
	}
	code := exitGood
	if r.Count(intake.Refused)+r.Count(intake.Begun) > 0 {
		code = exitUndecided
	}
	return s.conclude(code, importOutput{c.File, r}, func(t *terminal.Text) { c.tell(t, r) })
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

// tell says what became of each row that is not simply taken, and how many there are.
func (c *jobsImport) tell(t *terminal.Text, r *intake.Result) {
	for _, row := range r.Rows {
		args := []any{"file", c.File, "line", row.Line, "job", row.Job, "differs", strings.Join(row.Differs, ", ")}
		switch {
		case row.Fate == intake.Refused:
			parts := []string{t.Say("terminal.jobs.row", args...)}
			for _, part := range []string{row.Column, row.Problem, row.Mend} {
				if part != "" {
					parts = append(parts, part)
				}
			}
			t.Line("%s", strings.Join(parts, ": "))
		case row.Fate == intake.Begun:
			t.Put(0, "terminal.jobs.begun", args...)
		case row.Fate == intake.Changed && !r.Kept:
			t.Put(0, "terminal.jobs.would-change", args...)
		}
	}
	counts := []any{"good", r.Count(intake.Good), "new", r.Count(intake.New), "changed", r.Count(intake.Changed), "same", r.Count(intake.Same), "begun", r.Count(intake.Begun), "refused", r.Count(intake.Refused), "hash", r.Hash}
	switch {
	case c.Data == "":
		t.Put(0, "terminal.jobs.checked", counts...)
	case r.Kept:
		t.Put(0, "terminal.jobs.kept", counts...)
	default:
		t.Put(0, "terminal.jobs.would-be", counts...)
	}
}

type projectionsCommands struct {
	Rebuild projectionsRebuild `cmd:"" help:"Make every summary anew from the records. May be broken off and begun again." exits:"0 made anew|2 the folder cannot be used"`
}

type projectionsRebuild struct {
	Data string `help:"The office's folder." required:"" placeholder:"DIR"`
	asJSON
}

func (c *projectionsRebuild) Run(s *streams) error {
	// Opening a store makes one where there is none, and a mistyped name is likelier here.
	if _, err := os.Stat(c.Data); err != nil {
		return plain(c.Data, err)
	}
	st, err := sqlite.Open(s.ctx, c.Data, store.Options{Projector: &summary.Projector{}})
	if err != nil {
		return unread(err)
	}
	line := progress.New(os.Stderr, s.words.Say("terminal.progress.visits"))
	var last store.RebuildProgress
	err = st.Rebuild(s.ctx, func(p store.RebuildProgress) {
		last = p
		line.Show(p.Done, p.Visits)
	})
	line.Done()
	if err = errors.Join(err, st.Close()); err != nil {
		return unread(err)
	}
	return s.show(struct {
		Visits int64 `json:"visits"`
	}{last.Done}, func(t *terminal.Text) { t.Put(0, "terminal.rebuilt", "n", int(last.Done)) })
}

type serveCommand struct {
	Data   string   `help:"The folder of the store and of the devices' keys; made if it is missing." default:"meterwright-data" placeholder:"DIR"`
	Listen string   `help:"The address to listen on. Only this machine is served until sign-in exists: any other address is refused." default:"127.0.0.1:8080" placeholder:"ADDR"`
	Demo   bool     `help:"Load an invented day once: a dozen jobs, people, instruments in and out of calibration, visits in every state. Everything in it is practice."`
	Person []string `help:"Somebody who works with this machine, as ID=NAME; may be given several times." placeholder:"ID=NAME"`
	asJSON
}

func (c *serveCommand) Run(s *streams) error {
	if err := serve.CheckAddress(c.Listen); err != nil {
		return err
	}
	if err := serve.Run(s.ctx, serve.Config{Data: c.Data, Listen: c.Listen, Demo: c.Demo, People: c.Person, Out: s.out, JSON: s.json}); err != nil {
		return unread(err)
	}
	return nil
}
