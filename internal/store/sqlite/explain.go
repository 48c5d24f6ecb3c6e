package sqlite

import (
	"errors"
	"os"
	"path/filepath"

	driver "modernc.org/sqlite"

	"meterwright/internal/private"
	"meterwright/internal/store"
)

// Primary result codes of SQLite (https://www.sqlite.org/rescode.html).
const (
	busy     = 5
	readOnly = 8
	ioError  = 10
	corrupt  = 11
	full     = 13
	cantOpen = 14
	protocol = 15
	notADB   = 26
)

// codeOf returns the primary result code of an error, 0 if it is none of SQLite's.
func codeOf(err error) int {
	if e, ok := errors.AsType[*driver.Error](err); ok {
		return e.Code() & 0xff
	}
	return 0
}

// explained is an error with advice.
type explained struct {
	advice string
	kind   error // an error of package store that callers branch on, or nil
	err    error
}

func (e *explained) Error() string { return e.advice + ": " + e.err.Error() }

func (e *explained) Unwrap() []error {
	if e.kind == nil {
		return []error{e.err}
	}
	return []error{e.kind, e.err}
}

// explainer says what can be done about errors of the database file.
func explainer(file string) func(error) error {
	return func(err error) error {
		if _, done := errors.AsType[*explained](err); done {
			return err
		}
		code := codeOf(err)
		if (code == ioError || code == cantOpen) && noRoom(filepath.Dir(file)) {
			code = full // SQLite has no word for a used-up quota, or for no room for a new file.
		}
		switch code {
		case corrupt, notADB:
			return &explained{file + " is damaged or no database: stop the program, keep the file and those beside it aside, and bring back a backup; devices then hand in again what is missing", store.ErrDamaged, err}
		case full:
			return &explained{"the disk of " + file + " is full and nothing was kept: make room and try again", store.ErrFull, err}
		case ioError:
			return &explained{"the disk of " + file + " failed and nothing was kept: look at the disk and try again", nil, err}
		case readOnly, cantOpen:
			return &explained{file + " cannot be opened for writing: give this user the right to write it and its folder", nil, err}
		case protocol:
			return &explained{"a lock on " + file + " was not given back: start the program again, and keep the folder on a local disk", nil, err}
		case busy:
			return &explained{file + " stayed locked: close the other program that has it open", nil, err}
		}
		return err
	}
}

// noRoom tries whether a little more can be written in a folder.
func noRoom(dir string) bool {
	f, err := os.CreateTemp(dir, ".room-*")
	if err != nil {
		return private.NoRoom(err)
	}
	_, err = f.WriteAt(make([]byte, 64<<10), 0)
	return private.NoRoom(errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name())))
}
