// Package replay folds a record again, as whoever doubts it would.
//
// The record carries the method that the visit followed, so that nothing but the file is
// needed. What this edition of the engine does not accept is kept beside the visit and shown.
package replay

import (
	"errors"
	"fmt"
	"io"

	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
)

// Unread is a line whose body this edition does not read. It changes nothing in the visit.
type Unread struct {
	Line int
	Kind string
	Err  error
}

// Result is a record folded again.
type Result struct {
	Visit  *visit.Visit
	Unread []Unread
	// Lines is the number of lines that were read.
	Lines int
}

// ErrNoMethod is wrapped where a record does not hold the method that the visit followed.
var ErrNoMethod = errors.New("the record does not hold the method that the visit followed")

// Fold reads the lines of one file in their order. The record must have been verified; a line
// that cannot be decoded ends the reading with an error. given is the method to follow where
// the record holds none, or to compare with the one it names; it may be nil.
func Fold(r io.Reader, given *method.Resolved) (*Result, error) {
	out := &Result{}
	var kept []visit.Event
	var resolved *method.Resolved
	hash := ""
	err := lines(r, func(number int, e record.Event) error {
		out.Lines = number
		body, err := visit.DecodeBody(visit.Kind(e.Kind), e.Body)
		if err != nil {
			out.Unread = append(out.Unread, Unread{number, e.Kind, err})
			return nil
		}
		switch b := body.(type) {
		case visit.Opened:
			if hash == "" {
				hash = b.MethodHash
			}
		case visit.Method:
			if resolved == nil {
				if resolved, err = method.DecodeResolved(b.Resolved); err != nil {
					return fmt.Errorf("line %d: %w", number, err)
				}
			}
		}
		kept = append(kept, visit.Event{Hash: e.Hash.String(), Body: body, Wall: e.Wall, Mono: e.Mono, Boot: e.Boot, Person: e.Person})
		return nil
	})
	if err != nil {
		return out, err
	}
	if given != nil {
		resolved = given
	}
	if resolved == nil {
		return out, fmt.Errorf("%w: give it with --method", ErrNoMethod)
	}
	m, err := visit.New(resolved)
	if err != nil {
		return out, err
	}
	if hash != "" && m.Hash != hash {
		return out, fmt.Errorf("the visit names the method %.12s…, and this one is %.12s…: give the method that it names", hash, m.Hash)
	}
	out.Visit = visit.Fold(m, kept)
	return out, nil
}

// lines gives every whole line of a record. A last line that is cut short is left out, as
// verification says.
func lines(r io.Reader, each func(int, record.Event) error) error {
	return EachLine(r, func(number int, line []byte) error {
		e, err := record.Decode(line)
		if err != nil {
			return fmt.Errorf("line %d: %w", number, err)
		}
		return each(number, e)
	})
}
