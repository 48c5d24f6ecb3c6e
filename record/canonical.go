package record

import (
	"bytes"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"io"
	"strconv"
)

// canonical returns the RFC 8785 form of a JSON value in new memory. It refuses invalid
// UTF-8 and names that occur twice in one object.
func canonical(value []byte) ([]byte, error) {
	v := jsontext.Value(bytes.Clone(value))
	if err := v.Canonicalize(); err != nil {
		return nil, err
	}
	return v, nil
}

// scan walks through one JSON object and gives each of its members, with the raw value, to
// each. It refuses nesting below maxDepth and every number that is not an integer within
// maxInteger written in plain digits. Its errors are Faults.
func scan(object []byte, each func(name string, value []byte) error) error {
	d := jsontext.NewDecoder(bytes.NewBuffer(object))
	if d.PeekKind() != '{' {
		if _, err := d.ReadToken(); err != nil {
			return syntaxFault(err)
		}
		return &Fault{What: NotJSON, Want: "an object", Got: fmt.Sprintf("%.24q", object)}
	}
	var name string
	var from int64
	for {
		tok, err := d.ReadToken()
		if err == io.EOF && d.StackDepth() == 0 {
			return nil
		}
		if err != nil {
			return syntaxFault(err)
		}
		depth := d.StackDepth()
		if depth > maxDepth {
			return &Fault{What: TooDeep, Want: fmt.Sprintf("at most %d levels", maxDepth)}
		}
		if tok.Kind() == '0' {
			if err := checkNumber(tok.String()); err != nil {
				return err
			}
		}
		if depth != 1 {
			continue
		}
		_, members := d.StackIndex(1)
		switch {
		case members%2 == 1: // a name was read
			name, from = tok.String(), d.InputOffset()
		case members > 0: // a whole value was read
			value := bytes.TrimLeft(object[from:d.InputOffset()], ": \t\r\n")
			if err := each(name, value); err != nil {
				return err
			}
		}
	}
}

func syntaxFault(err error) *Fault {
	if errors.Is(err, jsontext.ErrDuplicateName) {
		return &Fault{What: FieldTwice, Err: err}
	}
	return &Fault{What: NotJSON, Err: err}
}

func checkNumber(s string) error {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n > maxInteger || n < -maxInteger || strconv.FormatInt(n, 10) != s {
		return &Fault{What: BadNumber, Want: "an integer within ±9007199254740991 (values that people enter are strings)", Got: fmt.Sprintf("%.40s", s)}
	}
	return nil
}
