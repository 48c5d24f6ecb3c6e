package report

import (
	"bytes"
	"fmt"
	"strings"

	"meterwright/record"
	"meterwright/replay"
)

// Read verifies the files of one visit and reads the visit again from them. What was found stands
// in the input's Verified. A record that is not genuine is refused where a line cannot be read at
// all; where lines are readable, it is read and the verdict says what is wrong.
func Read(files ...File) (Input, error) {
	in := Input{Copy: Full, Files: files}
	var inputs []record.Input
	for _, f := range files {
		inputs = append(inputs, record.Input{Name: f.Name, R: bytes.NewReader(f.Content)})
	}
	var err error
	if in.Verified, err = record.VerifyAll(inputs, record.Options{}); err != nil && in.Verified.Verdict == record.Unreadable {
		return in, err
	}
	var events []record.Event
	for _, f := range files {
		err := replay.EachLine(bytes.NewReader(f.Content), func(n int, line []byte) error {
			e, err := record.Decode(line)
			if err != nil {
				return fmt.Errorf("%s: line %d: %w", f.Name, n, err)
			}
			events = append(events, e)
			return nil
		})
		if err != nil {
			return in, err
		}
	}
	var r replay.Reader
	if in.Case, err = r.Read(events); err != nil {
		return in, fmt.Errorf("%s: %w", names(files), err)
	}
	return in, nil
}

func names(files []File) string {
	var list []string
	for _, f := range files {
		list = append(list, f.Name)
	}
	return strings.Join(list, ", ")
}
