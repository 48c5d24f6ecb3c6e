package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"meterwright/internal/recordfile"
	"meterwright/record"
	"meterwright/replay"
)

// maxRecord bounds a record that is kept in memory, and a PDF that carries one.
const maxRecord = 1 << 30

// source is one record: a file, standard input, or what is attached to a PDF.
type source struct {
	name string
	// pdf is the PDF that carries it, if one does, and among the number of records that it carries.
	pdf   string
	among int
	// visit is the visit of its first line, or "" where that is no line of a record.
	visit string
	// content is the record, unless path is to be read.
	content []byte
	path    string
}

func (o *source) open() (io.ReadCloser, error) {
	if o.path == "" {
		return io.NopCloser(bytes.NewReader(o.content)), nil
	}
	return os.Open(o.path)
}

// read reads it whole.
func (o *source) read() ([]byte, error) {
	f, err := o.open()
	if err != nil {
		return nil, unread(err)
	}
	return readAll(f, f, o.name, maxRecord)
}

// base is the name that an attachment made from it has.
func (o *source) base() string {
	name := filepath.Base(strings.TrimPrefix(o.name, o.pdf+": "))
	if o.path == "" && o.pdf == "" {
		name = "record.jsonl"
	}
	return name
}

// sources lists the records that a file holds. A file of a record is not read here but for its
// first line.
func (s *streams) sources(path string) ([]source, error) {
	f, err := s.open(path)
	if err != nil {
		return nil, err
	}
	in := bufio.NewReader(f)
	head, err := in.Peek(5)
	switch {
	case err != nil && !errors.Is(err, io.EOF):
		return nil, errors.Join(unread(err), f.Close())
	case path != standard && !recordfile.IsPDF(head):
		o := source{name: path, path: path, visit: visitOf(in)}
		return []source{o}, f.Close()
	}
	b, err := readAll(in, f, inputName(path), maxRecord)
	if err != nil {
		return nil, err
	}
	if !recordfile.IsPDF(b) {
		return []source{{name: inputName(path), content: b, visit: visitOf(bytes.NewReader(b))}}, nil
	}
	return attached(inputName(path), b)
}

// attached lists the records that a PDF carries; other files that it carries are passed over.
func attached(pdf string, b []byte) ([]source, error) {
	files, err := recordfile.AttachedTo(b)
	if err != nil {
		return nil, unread(fmt.Errorf("%s: %w", pdf, err))
	}
	var list []source
	for i, a := range files {
		if visit := visitOf(bytes.NewReader(a.Content)); visit != "" {
			if a.Name == "" {
				a.Name = fmt.Sprintf("attachment %d", i+1)
			}
			list = append(list, source{name: pdf + ": " + a.Name, pdf: pdf, content: a.Content, visit: visit})
		}
	}
	for i := range list {
		list[i].among = len(list)
	}
	if len(list) == 0 {
		return nil, coded{exitUnread, fmt.Errorf("%s is a PDF that no record is attached to, so that nothing in it can be verified", pdf),
			"name the record itself, or the full copy: the other copies carry no record"}
	}
	return list, nil
}

// only returns the one record of a file.
func (s *streams) only(path string) (source, error) {
	list, err := s.sources(path)
	if err != nil {
		return source{}, err
	}
	if len(list) > 1 {
		return source{}, coded{exitBad, fmt.Errorf("%d records are attached to %s", len(list), path), "take the one that is meant out of the PDF and name it"}
	}
	return list[0], nil
}

func inputName(path string) string {
	if path == standard {
		return "standard input"
	}
	return path
}

// visitOf reads the visit of a record's first line, or "" where there is none.
func visitOf(r io.Reader) string {
	id := ""
	stop := errors.New("one line is enough")
	_ = replay.EachLine(r, func(_ int, line []byte) error {
		if e, err := record.Decode(line); err == nil {
			id = e.Visit
		}
		return stop
	})
	return id
}
