// Package recordfile keeps one visit in files: the record, one line after another, and its
// attachments in a folder beside it.
//
// What a method returns from without error is on the disk. A line is written whole or, where
// the machine stops in between, is the last line of the file without its line feed, which
// every reader of records notices.
package recordfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/ledongthuc/pdf"

	"meterwright/internal/private"
	"meterwright/record"
)

// File is a record that is being written. It belongs to one visit and one goroutine.
type File struct {
	path string
	f    *os.File
	// folder holds the attachments, once there is one.
	folder string
}

// Create begins a record. It never touches a file that is there already.
func Create(path string) (*File, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s is there already, and a record is never overwritten: give --out another name", path)
	}
	if err != nil {
		return nil, fmt.Errorf("begin the record: %w", err)
	}
	if err := private.Sync(filepath.Dir(path)); err != nil {
		return nil, errors.Join(fmt.Errorf("begin the record %s: %w", path, err), f.Close())
	}
	return &File{path: path, f: f, folder: AttachmentsOf(path)}, nil
}

// AttachmentsOf is the folder of the attachments that belong to a record.
func AttachmentsOf(path string) string {
	return strings.TrimSuffix(path, filepath.Ext(path)) + ".attachments"
}

// Line appends one line, which comes without its line feed.
func (f *File) Line(line []byte) error {
	if _, err := f.f.Write(append(line[:len(line):len(line)], '\n')); err != nil {
		return fmt.Errorf("write the record: %w", err)
	}
	if err := f.f.Sync(); err != nil {
		return fmt.Errorf("write the record: %w", err)
	}
	return nil
}

// Attachment keeps a container under the digits of its id.
func (f *File) Attachment(container []byte, ref record.Reference) error {
	err := private.Folder(f.folder)
	if err == nil {
		err = private.Write(filepath.Join(f.folder, strings.TrimPrefix(string(ref.ID), "sha256:")), container)
	}
	if err != nil && !errors.Is(err, fs.ErrExist) { // The name is the hash of the content.
		return fmt.Errorf("keep an attachment: %w", err)
	}
	return nil
}

// Close closes the record.
func (f *File) Close() error { return f.f.Close() }

// Attached is a file that a PDF carries.
type Attached struct {
	// Name is as the PDF gives it; it may be "".
	Name    string
	Content []byte
}

// Bounds of what is read from a PDF.
const (
	// MaxAttached is the greatest size of all files attached to one PDF, unpacked.
	MaxAttached = 256 << 20
	// mostAttached is the greatest number of nodes of the tree that lists them.
	mostAttached = 256
)

// IsPDF reports whether a file begins as a PDF does, ISO 32000-1 7.5.2.
func IsPDF(head []byte) bool { return bytes.HasPrefix(head, []byte("%PDF-")) }

// AttachedTo lists the files that a PDF carries, ISO 32000-1 7.11.4, in the order of its own list.
func AttachedTo(b []byte) (list []Attached, err error) {
	// The library panics where an object is broken.
	defer func() {
		if x := recover(); x != nil {
			list, err = nil, fmt.Errorf("the PDF cannot be read: %v", x)
		}
	}()
	r, err := pdf.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return nil, fmt.Errorf("the PDF cannot be read: %w", err)
	}
	room := int64(MaxAttached)
	nodes := []pdf.Value{r.Trailer().Key("Root").Key("Names").Key("EmbeddedFiles")}
	for i := 0; i < len(nodes); i++ {
		kids, names := nodes[i].Key("Kids"), nodes[i].Key("Names")
		if len(nodes)+kids.Len()+names.Len()/2 > mostAttached {
			return nil, errors.New("the PDF carries too many files: take out those that are no records")
		}
		for k := range kids.Len() {
			nodes = append(nodes, kids.Index(k))
		}
		for n := 1; n < names.Len(); n += 2 {
			spec := names.Index(n)
			content, err := io.ReadAll(io.LimitReader(spec.Key("EF").Key("F").Reader(), room+1))
			if err != nil {
				return nil, fmt.Errorf("attached file %d cannot be unpacked: %w", len(list)+1, err)
			}
			if room -= int64(len(content)); room < 0 {
				return nil, fmt.Errorf("the attached files have more than %d bytes", MaxAttached)
			}
			name := spec.Key("UF").Text()
			if name == "" {
				name = spec.Key("F").Text()
			}
			list = append(list, Attached{name, content})
		}
	}
	return list, nil
}
