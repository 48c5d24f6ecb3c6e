package yamldoc

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// source is a file with its lines, for excerpts.
type source struct {
	name  string
	text  []byte
	lines []string
}

func newSource(name string, b []byte) *source {
	if len(b) > MaxBytes {
		return &source{name: name, text: b}
	}
	text := bytes.ReplaceAll(b, []byte("\r\n"), []byte("\n"))
	return &source{name: name, text: text, lines: strings.Split(string(text), "\n")}
}

// widest is the longest excerpt, in characters.
const widest = 100

func (s *source) problem(at Place, what, mend string) Problem {
	p := Problem{File: s.name, Line: at.Line, Column: at.Column, Problem: what, Mend: mend}
	if at.Line < 1 || at.Line > len(s.lines) {
		return p
	}
	line := []rune(strings.ToValidUTF8(s.lines[at.Line-1], "\uFFFD"))
	column := min(max(at.Column, 1), len(line)+1)
	from := 0
	if column > widest {
		from = column - widest/2
	}
	to := min(len(line), from+widest)
	for i, r := range line {
		if r < ' ' || r == 0x7f || r == '\uFEFF' {
			line[i] = ' '
		}
	}
	p.Column = column
	p.Excerpt = string(line[from:to]) + "\n" + strings.Repeat(" ", column-1-from) + "^"
	return p
}

// checkBytes reports what makes the file unfit to be read at all.
func (s *source) checkBytes() Problems {
	if len(s.text) > MaxBytes {
		return Problems{s.problem(Place{1, 1}, fmt.Sprintf("the file has %d bytes", len(s.text)), fmt.Sprintf("keep it under %d", MaxBytes))}
	}
	var list Problems
	line, column := 1, 1
	for rest := s.text; len(rest) > 0 && len(list) < 10; {
		r, n := utf8.DecodeRune(rest)
		at := Place{line, column}
		switch {
		case r == utf8.RuneError && n == 1:
			return append(list, s.problem(at, "this is not UTF-8", "save the file as UTF-8"))
		case r == '\uFEFF':
			list = append(list, s.problem(at, "there is a byte-order mark", "save the file as UTF-8 without one"))
		case r == '\t':
			list = append(list, s.problem(at, "there is a tab", "use spaces"))
		case r == '\n':
			line, column = line+1, 0
		case r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u2028' || r == '\u2029':
			list = append(list, s.problem(at, fmt.Sprintf("there is a control character (%U)", r), "delete it"))
		}
		column++
		rest = rest[n:]
	}
	return list
}
