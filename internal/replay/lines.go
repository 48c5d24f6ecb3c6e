package replay

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"meterwright/record"
)

// EachLine gives every whole line of a file without its line feed, from number 1 on. The line
// is valid until each returns. A last line without a line feed is left out.
func EachLine(r io.Reader, each func(number int, line []byte) error) error {
	in := bufio.NewReaderSize(r, record.MaxLine+1)
	for number := 1; ; number++ {
		line, err := in.ReadSlice('\n')
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.Is(err, bufio.ErrBufferFull):
			return fmt.Errorf("line %d: the line is longer than %d bytes", number, record.MaxLine)
		case err != nil:
			return fmt.Errorf("line %d: %w", number, err)
		}
		if err := each(number, line[:len(line)-1]); err != nil {
			return err
		}
	}
}
