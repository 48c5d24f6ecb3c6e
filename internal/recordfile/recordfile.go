// Package recordfile keeps one visit in files: the record, one line after another, and its
// attachments in a folder beside it.
//
// What a method returns from without error is on the disk. A line is written whole or, where
// the machine stops in between, is the last line of the file without its line feed, which
// every reader of records notices.
package recordfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

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
