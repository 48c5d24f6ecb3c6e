package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"

	"meterwright/internal/jobs"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/yamldoc"
	"meterwright/method/lint"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/visit"
)

// standard is the name that stands for standard input and output.
const standard = "-"

// open opens a file, or standard input.
func (s *streams) open(path string) (io.ReadCloser, error) {
	if path == standard {
		if s.drained {
			return nil, usage(errors.New("standard input is named twice and can be read once"), "name a file for one of them")
		}
		s.drained = true
		return io.NopCloser(s.in), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, plain(path, err)
	}
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, errors.Join(plain(path, &fs.PathError{Op: "read", Path: path, Err: syscall.EISDIR}), f.Close())
	}
	return f, nil
}

// plain says of a file that cannot be opened what everybody understands.
func plain(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return coded{exitUnread, worded{err, path + ": there is no such file or folder"}, "check its name"}
	case errors.Is(err, fs.ErrPermission):
		return coded{exitUnread, worded{err, path + ": reading it is not permitted"}, "ask its owner, or copy it"}
	case errors.Is(err, syscall.EISDIR):
		return coded{exitUnread, worded{err, path + " is a folder"}, "name a file in it"}
	}
	return unread(err)
}

// worded is an error in other words.
type worded struct {
	error
	words string
}

func (w worded) Error() string { return w.words }
func (w worded) Unwrap() error { return w.error }

// readFile reads a file that people write, up to a bound.
func (s *streams) readFile(path string, most int64) ([]byte, error) {
	f, err := s.open(path)
	if err != nil {
		return nil, err
	}
	return readAll(f, f, inputName(path), most)
}

// readAll reads what is left of an open file, up to a bound, and closes it.
func readAll(r io.Reader, f io.Closer, name string, most int64) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(r, most+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, unread(err)
	}
	if int64(len(b)) > most {
		return nil, coded{exitUnread, fmt.Errorf("%s is too large", name), fmt.Sprintf("keep it under %d bytes", most)}
	}
	return b, nil
}

// parsed reads a file that people write.
func parsed[T any](s *streams, path string, parse func(string, []byte) (T, error)) (T, error) {
	b, err := s.readFile(path, yamldoc.MaxBytes)
	if err != nil {
		var none T
		return none, err
	}
	return parse(path, b)
}

// document writes what is JSON by its own form, whose bytes have a meaning: no envelope is put
// around it.
func (s *streams) document(b []byte) error {
	if _, err := s.out.Write(b); err != nil {
		return notWritten(err)
	}
	return nil
}

// shelf is the shipped methods with the rules that they take their limits from.
type shelf struct {
	*written.Ruled
	pack *rules.Pack
	// prove is nil where laws are not to be proved.
	prove lint.Prover
}

func openShelf() (*shelf, error) {
	pack := rules.GB()
	lib, err := written.Under(pack)
	return &shelf{Ruled: lib, pack: pack}, err
}

func (s *shelf) readJob(from *streams, path string) (*jobs.Job, error) {
	return parsed(from, path, func(path string, b []byte) (*jobs.Job, error) { return jobfile.ParseYAML(path, b, s.pack.MeterPoint) })
}

func (s *shelf) machine(path string, j *jobs.Job) (*visit.Machine, error) {
	if j.Method == "" {
		return nil, fmt.Errorf("%s: the job names no method: write method: with one of those that meterwright method list shows", path)
	}
	r, err := s.For(j.Method, j.Overlays, j.ForMethod())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	m, err := visit.New(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return m, nil
}
