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
	"regexp"
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

// ParseTranslation reads a translation. The name stands in errors only. The error is a Problems.
func ParseTranslation(name string, b []byte) (*method.Translation, error) {
	return parse(name, b, method.DecodeTranslation)
}

// Kind says what a file holds.
type Kind string

// The kinds.
const (
	Method      Kind = "method"
	Overlay     Kind = "overlay"
	Translation Kind = "translation"
)

var firstKey = regexp.MustCompile(`(?m)^(overlay|translation):`)

// KindOf returns the kind that the file says it is: a method, unless it names an overlay
// or what it translates.
func KindOf(b []byte) Kind {
	if m := firstKey.FindSubmatch(b); m != nil {
		return Kind(m[1])
	}
	return Method
}

func (k Kind) typ() reflect.Type {
	switch k {
	case Overlay:
		return reflect.TypeFor[method.Overlay]()
	case Translation:
		return reflect.TypeFor[method.Translation]()
	}
	return reflect.TypeFor[method.Document]()
}

// JSON returns a file as the JSON that package method decodes, for checks against the
// schema. The error is a Problems.
func JSON(name string, b []byte, k Kind) ([]byte, error) {
	out, _, err := convert(newSource(name, b), k.typ())
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
	return nil, locate(src, places, err)
}

// places gives the position of each value of a file by its RFC 6901 pointer.
type places map[string]Place

// Place is a line and a column, both from 1.
type Place struct{ Line, Column int }

// where returns the place of the pointer, or of the nearest value around it.
func (p places) where(pointer string) Place {
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

// Locate turns the method.Faults in err, which came up when the file was applied, into
// Problems of the file.
func Locate(name string, b []byte, k Kind, err error) Problems {
	_, places, bad := convert(newSource(name, b), k.typ())
	if bad != nil {
		return Problems{newSource(name, b).problem(Place{1, 1}, bad.Error(), "")}
	}
	return locate(newSource(name, b), places, err)
}

func locate(src *source, at places, err error) Problems {
	var faults method.Faults
	if !errors.As(err, &faults) {
		return Problems{src.problem(Place{1, 1}, err.Error(), "")}
	}
	var list Problems
	for _, f := range faults {
		list = append(list, src.problem(at.where(f.Pointer), f.Problem, f.Mend))
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
