// Package written is the written language of methods: YAML files that a person
// can read, check and change.
//
// Reading goes one way: the file becomes a tree with positions, the tree becomes
// JSON, and package method decodes that strictly. Every fault comes back with
// its file, line, column, an excerpt with a caret, and the way to mend it.
//
// The language is a small part of YAML. A file is UTF-8 of at most 1 MiB, holds
// one document, is at most 20 levels deep, and has no tabs, anchors, aliases,
// merge keys, tags, directives or keys given twice. A plain scalar is read by
// what is wanted in its place: where text is wanted, edition: 1 is the text "1"
// and [yes, no] are two words.
//
// docs/method-language.md describes every key.
package written

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"meterwright/method"
)

// Bounds of a file.
const (
	MaxBytes = 1 << 20
	MaxDepth = 20
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

// Parse reads a method. The name stands in errors only. The error is a Problems.
func Parse(name string, b []byte) (*method.Document, error) {
	return parse(name, b, method.DecodeDocument)
}

// ParseOverlay reads an overlay. The name stands in errors only. The error is a Problems.
func ParseOverlay(name string, b []byte) (*method.Overlay, error) {
	return parse(name, b, method.DecodeOverlay)
}

// JSON returns the file of a method as the JSON that package method decodes, for
// checks against the schema. The error is a Problems.
func JSON(name string, b []byte) ([]byte, error) {
	out, _, err := convert(newSource(name, b), reflect.TypeFor[method.Document]())
	return out, err
}

// OverlayJSON is JSON for an overlay.
func OverlayJSON(name string, b []byte) ([]byte, error) {
	out, _, err := convert(newSource(name, b), reflect.TypeFor[method.Overlay]())
	return out, err
}

func parse[T any](name string, b []byte, decode func([]byte) (*T, error)) (*T, error) {
	src := newSource(name, b)
	out, places, err := convert(src, reflect.TypeFor[T]())
	if err != nil {
		return nil, err
	}
	doc, err := decode(out)
	if err == nil {
		return doc, nil
	}
	return nil, Locate(name, b, places, err)
}

// Places gives the position of each value of a file by its RFC 6901 pointer.
type Places map[string]Place

// Place is a line and a column, both from 1.
type Place struct{ Line, Column int }

// Where returns the place of the pointer, or of the nearest value around it.
func (p Places) Where(pointer string) Place {
	for {
		if at, ok := p[pointer]; ok {
			return at
		}
		i := strings.LastIndexByte(pointer, '/')
		if i < 0 {
			return Place{1, 1}
		}
		pointer = pointer[:i]
	}
}

// PlacesOf returns the positions of the values of an overlay that ParseOverlay
// accepts, so that a fault found when it is applied can be located.
func PlacesOf(name string, b []byte) (Places, error) {
	_, places, err := convert(newSource(name, b), reflect.TypeFor[method.Overlay]())
	return places, err
}

// Locate turns the method.Faults in err into Problems of the file.
func Locate(name string, b []byte, places Places, err error) Problems {
	src := newSource(name, b)
	var faults method.Faults
	if !errors.As(err, &faults) {
		return Problems{src.problem(Place{1, 1}, err.Error(), "")}
	}
	var list Problems
	for _, f := range faults {
		list = append(list, src.problem(places.Where(f.Pointer), f.Problem, f.Mend))
	}
	return list.inOrder()
}

func (ps Problems) inOrder() Problems {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return ps
}
