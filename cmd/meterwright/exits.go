package main

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"meterwright/internal/terminal"
	"meterwright/internal/yamldoc"
	"meterwright/record"
)

// Exit codes, the same for every command.
const (
	exitGood      = 0  // done, and what was asked about is good
	exitBad       = 1  // what was asked about is not good, or makes no sense
	exitUnread    = 2  // a file could not be read or written
	exitUndecided = 3  // no fault, but not settled: not ended, doubtful, or rows left out
	exitUsage     = 80 // the command line is wrong
)

// exit is one exit code of a command with what it means there.
type exit struct {
	code  int
	means string
}

// exitsOf reads the exit codes of a command from its tag. A command line may be wrong
// wherever not every word is taken.
func exitsOf(leaf *kong.Node) []exit {
	var list []exit
	for _, part := range strings.Split(leaf.Tag.Get("exits"), "|") {
		number, means, _ := strings.Cut(part, " ")
		if code, err := strconv.Atoi(number); err == nil {
			list = append(list, exit{code, means})
		}
	}
	if leaf.Passthrough {
		return list
	}
	return append(list, exit{exitUsage, "the command line is wrong"})
}

func helpExits(list []exit) string {
	var parts []string
	for _, e := range list {
		parts = append(parts, fmt.Sprintf("%d %s", e.code, e.means))
	}
	return "Exit codes: " + strings.Join(parts, "; ") + "."
}

// worst returns the one of two exit codes that a reader should mind more.
func worst(a, b int) int {
	weight := map[int]int{exitGood: 0, exitUndecided: 1, exitUnread: 2, exitBad: 3, exitUsage: 4}
	if weight[b] > weight[a] {
		return b
	}
	return a
}

// coded is an error with the exit code that it leads to and how to mend it. Where err is nil,
// what there is to say stands on the output already. An error without a code leads to exitBad.
type coded struct {
	code int
	err  error
	hint string
}

func (c coded) Error() string {
	switch {
	case c.err == nil:
		return ""
	case c.hint == "":
		return c.err.Error()
	}
	return c.err.Error() + ": " + c.hint
}

func (c coded) Unwrap() error { return c.err }

func unread(err error) error             { return coded{code: exitUnread, err: err} }
func usage(err error, hint string) error { return coded{code: exitUsage, err: err, hint: hint} }
func notWritten(err error) error         { return unread(fmt.Errorf("write the output: %w", err)) }

// settled ends a command whose output says everything.
func settled(code int) error {
	if code == exitGood {
		return nil
	}
	return coded{code: code}
}

// fault is an error as JSON.
type fault struct {
	// Code is a word for programs, Exit the exit code.
	Code    string `json:"code"`
	Exit    int    `json:"exit"`
	Message string `json:"message"`
	File    string `json:"file,omitempty"`
	Line    int    `json:"line,omitzero"`
	Column  int    `json:"column,omitzero"`
	Hint    string `json:"hint,omitempty"`
}

// causes gives errors of the system a word of their own.
var causes = []struct {
	err  error
	code string
}{
	{fs.ErrNotExist, "no-such-file"}, {fs.ErrPermission, "not-permitted"}, {syscall.EISDIR, "is-a-folder"}, {fs.ErrExist, "there-already"}, {syscall.ENOSPC, "disk-full"},
}

// faultOf takes an error apart.
func faultOf(err error) fault {
	f := fault{Exit: exitBad, Message: err.Error()}
	var c coded
	if errors.As(err, &c) {
		f.Exit, f.Hint = c.code, c.hint
		if c.err != nil {
			f.Message = c.err.Error()
		}
	}
	f.Code = map[int]string{exitUnread: "unreadable", exitUndecided: "not-settled", exitUsage: "command-line"}[f.Exit]
	if f.Code == "" {
		f.Code = "not-good"
	}
	for _, cause := range causes {
		if errors.Is(err, cause.err) {
			f.Code = cause.code
		}
	}
	var (
		path    *fs.PathError
		written yamldoc.Problems
		line    *record.Fault
	)
	switch {
	case errors.As(err, &written) && len(written) > 0:
		p := written[0]
		f.File, f.Line, f.Column, f.Message, f.Hint = p.File, p.Line, p.Column, p.Problem, p.Mend
	case errors.As(err, &line):
		f.File, f.Line = line.Input, line.Line
	case errors.As(err, &path):
		f.File = path.Path
	}
	return f
}

// report writes an error, without the control characters that a file may have brought into it,
// and returns its exit code.
func (s *streams) report(err error) int {
	f := faultOf(err)
	text := err.Error()
	switch {
	case text == "":
		return f.Exit
	case s.json:
		err = json.MarshalWrite(s.err, struct {
			Error fault `json:"error"`
		}{f})
		if err == nil {
			_, err = io.WriteString(s.err, "\n")
		}
	default:
		t := terminal.New(s.err, s.words)
		t.Lines("meterwright: " + text)
		err = t.Err()
	}
	if err != nil {
		return exitUnread
	}
	return f.Exit
}

// asJSON is the flag that every command has.
type asJSON struct {
	JSON bool `help:"Write JSON: the result on standard output, an error on standard error."`
}

// conclude shows what a command found and ends it with an exit code.
func (s *streams) conclude(code int, result any, text func(*terminal.Text)) error {
	if err := s.show(result, text); err != nil {
		return err
	}
	return settled(code)
}

// show writes what a command found: as JSON, an object with the caution in it, or as text.
func (s *streams) show(result any, text func(*terminal.Text)) error {
	if !s.json {
		t := terminal.New(s.out, s.words)
		text(t)
		return wrote(t)
	}
	b, err := json.Marshal(result, json.Deterministic(true))
	if err == nil && b[0] == '{' && len(b) > 2 {
		var caution []byte
		caution, err = json.Marshal(s.words.Say("caution"))
		b = slices.Concat([]byte(`{"caution":`), caution, []byte(","), b[1:])
	}
	v := jsontext.Value(b)
	if err == nil {
		err = v.Indent()
	}
	if err != nil {
		return notWritten(err)
	}
	return s.document(append(v, '\n'))
}

// wrote returns the error of writing a text, if there was one.
func wrote(t *terminal.Text) error {
	if err := t.Err(); err != nil {
		return notWritten(err)
	}
	return nil
}

// leaving writes until its reader has left, and then throws away what comes.
type leaving struct {
	w    io.Writer
	left bool
}

func (l *leaving) Write(b []byte) (int, error) {
	if l.left {
		return len(b), nil
	}
	n, err := l.w.Write(b)
	if errors.Is(err, syscall.EPIPE) {
		l.left = true
		return len(b), nil
	}
	return n, err
}
