// Package written is the written language of methods: YAML files that a person
// can read, check and change.
//
// Package yamldoc reads the YAML and says where what is wrong; package method decodes it
// strictly.
//
// docs/method-language.md describes every key.
package written

import (
	"errors"
	"reflect"
	"regexp"

	"meterwright/internal/yamldoc"
	"meterwright/method"
)

// Problems is what is wrong with a file.
type Problems = yamldoc.Problems

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

// read returns the file as JSON. Limits are named, and their numbers come from the rules: no file
// holds bounds.
func read(name string, b []byte, t reflect.Type) (*yamldoc.Document, []byte, error) {
	d, err := yamldoc.Parse(name, b)
	if err != nil {
		return nil, nil, err
	}
	out, err := d.JSON(t, "bounds")
	return d, out, err
}

func parse[T any](name string, b []byte, decode func([]byte) (*T, error)) (*T, error) {
	d, out, err := read(name, b, reflect.TypeFor[T]())
	if err != nil {
		return nil, err
	}
	doc, err := decode(out)
	if err != nil {
		return nil, located(d, err)
	}
	return doc, nil
}

// Locate turns the method.Faults in err, which came up when the file was applied, into
// Problems of the file.
func Locate(name string, b []byte, err error) Problems {
	d, unread := yamldoc.Parse(name, b)
	if unread != nil {
		return Problems{{File: name, Line: 1, Column: 1, Problem: err.Error()}}
	}
	return located(d, err)
}

func located(d *yamldoc.Document, err error) Problems {
	var faults method.Faults
	if !errors.As(err, &faults) {
		return Problems{d.Problem("", err.Error(), "")}
	}
	var list Problems
	for _, f := range faults {
		list = append(list, d.Problem(f.Pointer, f.Problem, f.Mend))
	}
	return list.InOrder()
}
