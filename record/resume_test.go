package record

import (
	"errors"
	"fmt"
	"io"
)

// Resume reads one chain again from its beginning, checks every line, gives each event to
// each (which may be nil), and returns the chain's state and the number of bytes that whole
// lines take up. Bytes after them are a line that was being written when the device stopped:
// cut the file there before appending. An empty input gives the zero Chain. Errors are
// Faults with the line number, or those of each; the state is then the one before that line.
func Resume(r io.Reader, each func(Event) error) (Chain, int64, error) {
	var c Chain
	var whole int64
	lines := newLineReader(r)
	for number := 1; ; number++ {
		line, fault := lines.next()
		switch {
		case fault != nil && fault.What == LineCut, fault == nil && line == nil:
			return c, whole, nil
		case fault != nil:
			return c, whole, fault.at("", number)
		}
		next, e, err := c.Accept(line)
		if err != nil {
			return c, whole, place(err, "", number)
		}
		if each != nil {
			if err := each(e); err != nil {
				return c, whole, fmt.Errorf("line %d: %w", number, err)
			}
		}
		c, whole = next, whole+int64(len(line))+1
	}
}

// place fills in where a Fault was found and leaves other errors as they are.
func place(err error, input string, line int) error {
	if f, ok := errors.AsType[*Fault](err); ok {
		return f.at(input, line)
	}
	return err
}
