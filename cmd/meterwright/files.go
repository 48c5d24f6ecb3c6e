package main

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"io"
	"os"

	"meterwright/internal/jobs"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/tell"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/visit"
)

// readFile reads a file that people write, up to a bound.
func readFile(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, unread(err)
	}
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, unread(err)
	}
	if int64(len(b)) > most {
		return nil, unread(fmt.Errorf("%s is too large: keep it under %d bytes", path, most))
	}
	return b, nil
}

// wrote returns the error of writing a text, if there was one.
func wrote(t *tell.Text) error {
	if err := t.Err(); err != nil {
		return unread(fmt.Errorf("write the output: %w", err))
	}
	return nil
}

func writeJSON(w io.Writer, v any) error {
	if err := json.MarshalWrite(w, v, json.Deterministic(true), jsontext.WithIndent("  ")); err != nil {
		return unread(fmt.Errorf("write the output: %w", err))
	}
	if _, err := io.WriteString(w, "\n"); err != nil {
		return unread(fmt.Errorf("write the output: %w", err))
	}
	return nil
}

// shelf is the shipped methods with the rules that they take their limits from.
type shelf struct {
	*written.Shelf
	pack   *rules.Pack
	limits method.Rules
}

func openShelf() (*shelf, error) {
	lib, err := written.Library()
	if err != nil {
		return nil, err
	}
	pack := rules.GB()
	limits, err := method.Limits(pack)
	if err != nil {
		return nil, err
	}
	return &shelf{lib, pack, limits}, nil
}

// resolve returns the method that a job's visit follows.
func (s *shelf) resolve(id string, overlays []string, job method.Job) (*method.Resolved, error) {
	return s.Resolve(id, overlays, job, s.limits)
}

func (s *shelf) readJob(path string) (*jobs.Job, error) {
	b, err := readFile(path, yamldoc.MaxBytes)
	if err != nil {
		return nil, err
	}
	j, err := jobfile.ParseYAML(path, b, s.pack.MeterPoint)
	if err != nil {
		return nil, bad(err)
	}
	return j, nil
}

func (s *shelf) machine(path string, j *jobs.Job) (*visit.Machine, error) {
	if j.Method == "" {
		return nil, bad(fmt.Errorf("%s: the job names no method: write method: with one of those that meterwright method list shows", path))
	}
	r, err := s.resolve(j.Method, j.Overlays, j.ForMethod())
	if err != nil {
		return nil, bad(fmt.Errorf("%s: %w", path, err))
	}
	m, err := visit.New(r)
	if err != nil {
		return nil, bad(fmt.Errorf("%s: %w", path, err))
	}
	return m, nil
}
