package yamldoc

import (
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing wrong with a file.
type Problem struct {
	File string
	// Line and Column count from 1; the column counts characters.
	Line, Column int
	// Excerpt is the line with a caret under the place, on two lines.
	Excerpt string
	// Problem says what is wrong, Mend how to mend it.
	Problem, Mend string
}

func (p Problem) Error() string {
	text := fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Problem)
	if p.Mend != "" {
		text += ": " + p.Mend
	}
	for line := range strings.Lines(p.Excerpt) {
		text += "\n  " + strings.TrimSuffix(line, "\n")
	}
	return text
}

// Problems is everything found wrong with a file, in the file's order.
type Problems []Problem

func (ps Problems) Error() string {
	parts := make([]string, len(ps))
	for i, p := range ps {
		parts[i] = p.Error()
	}
	return strings.Join(parts, "\n")
}

// InOrder sorts the problems by place and returns them.
func (ps Problems) InOrder() Problems {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return ps
}
