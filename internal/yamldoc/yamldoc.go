// Package yamldoc reads every YAML file that people write by hand: methods and overlays, jobs,
// scripts, service positions, readings.
//
// A file is UTF-8 of at most 1 MiB and 10,000 keys and list entries, holds one document, is at
// most 20 levels deep, and has no tabs, anchors, aliases, merge keys, tags, directives or keys
// given twice, since they make a file hard to read and easy to misread. A plain scalar is read by
// what is wanted in its place: where text is wanted, 0.30 and 04127 keep their digits and [yes, no]
// are two words.
//
// Reading goes one way: the file becomes a tree with positions ([Parse]), and the tree becomes
// JSON guided by a Go type ([Document.JSON], [Document.Decode]). Every fault comes back with its
// file, line, column, an excerpt with a caret, and the way to mend it.
package yamldoc

import (
	"bytes"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
)

// Bounds of a file.
const (
	MaxBytes = 1 << 20
	MaxDepth = 20
	// MaxKeys bounds the keys and list entries: the parser takes time that grows with the
	// square of the keys of a mapping.
	MaxKeys = 10_000
)

// Place is a line and a column, both from 1.
type Place struct{ Line, Column int }

// Document is a file that has been parsed.
type Document struct {
	File   string
	src    *source
	values map[string]ast.Node
	keys   map[string]Place
}

// Parse reads one document. The error is a Problems.
func Parse(file string, b []byte) (*Document, error) {
	d := &Document{File: file, src: newSource(file, b), values: map[string]ast.Node{}, keys: map[string]Place{}}
	if list := d.src.checkBytes(); len(list) > 0 {
		return nil, list
	}
	root, list := d.src.tree()
	if len(list) > 0 {
		return nil, list
	}
	d.index("", root, 1)
	return d, nil
}

// index keeps the node of every value under its RFC 6901 pointer, down to the bound of depth: what
// is deeper is refused when it is decoded.
func (d *Document) index(pointer string, n ast.Node, depth int) {
	d.values[pointer] = n
	if depth > MaxDepth {
		return
	}
	if list, ok := n.(*ast.SequenceNode); ok {
		for i, v := range list.Values {
			d.index(pointer+"/"+strconv.Itoa(i), v, depth+1)
		}
	}
	pairs, _ := pairsOf(n)
	for _, p := range pairs {
		if key, ok := text(p.Key); ok {
			here := string(jsontext.Pointer(pointer).AppendToken(key))
			d.keys[here] = place(p.Key)
			d.index(here, p.Value, depth+1)
		}
	}
}

// At returns the place of the value that an RFC 6901 pointer names, or of the nearest value
// around it.
func (d *Document) At(pointer string) Place {
	for {
		if n, ok := d.values[pointer]; ok {
			return place(n)
		}
		i := strings.LastIndexByte(pointer, '/')
		if i < 0 {
			return Place{1, 1}
		}
		pointer = pointer[:i]
	}
}

// Errorf returns a Problems with one problem at the value that a pointer names.
func (d *Document) Errorf(pointer, mend, format string, args ...any) error {
	return Problems{d.src.problem(d.At(pointer), fmt.Sprintf(format, args...), mend)}
}

// KeyErrorf returns a Problems with one problem at the key of the value that a pointer names.
func (d *Document) KeyErrorf(pointer, mend, format string, args ...any) error {
	at, ok := d.keys[pointer]
	if !ok {
		at = d.At(pointer)
	}
	return Problems{d.src.problem(at, fmt.Sprintf(format, args...), mend)}
}

// Problem returns a problem at the value that a pointer names.
func (d *Document) Problem(pointer, problem, mend string) Problem {
	return d.src.problem(d.At(pointer), problem, mend)
}

// JSON returns the document as a value of type t, as JSON. Keys that t does not have are refused,
// and hidden ones too. The error is a Problems.
func (d *Document) JSON(t reflect.Type, hidden ...string) ([]byte, error) {
	return d.json("", t, hidden)
}

func (d *Document) json(pointer string, t reflect.Type, hidden []string) ([]byte, error) {
	w := &walker{src: d.src, hidden: hidden}
	w.out = jsontext.NewEncoder(&w.buf)
	w.value(d.values[pointer], t, 1+strings.Count(pointer, "/"))
	if len(w.list) > 0 {
		return nil, w.list.InOrder()
	}
	return bytes.TrimSpace(w.buf.Bytes()), nil
}

// Decode reads the document into what a pointer of Go's points to. Keys that it does not have are
// refused. The error is a Problems.
func (d *Document) Decode(into any) error { return d.DecodePart("", into) }

// DecodePart reads the part of the document that an RFC 6901 pointer names.
func (d *Document) DecodePart(pointer string, into any) error {
	b, err := d.json(pointer, reflect.TypeOf(into).Elem(), nil)
	if err != nil {
		return err
	}
	if err = json.Unmarshal(b, into, json.RejectUnknownMembers(true)); err == nil {
		return nil
	}
	var sem *json.SemanticError
	if errors.As(err, &sem) {
		pointer += string(sem.JSONPointer)
		if sem.Err != nil {
			err = sem.Err
		}
	}
	first, _, _ := strings.Cut(err.Error(), "\n")
	return d.Errorf(pointer, "", "%s", first)
}

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
