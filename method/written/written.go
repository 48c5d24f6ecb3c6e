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

	"meterwright/internal/yamldoc"
	"meterwright/method"
)

// Problem and Problems are what is wrong with a file.
type (
	Problem  = yamldoc.Problem
	Problems = yamldoc.Problems
)

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
	_, out, err := read[method.Document](name, b)
	return out, err
}

// OverlayJSON is JSON for an overlay.
func OverlayJSON(name string, b []byte) ([]byte, error) {
	_, out, err := read[method.Overlay](name, b)
	return out, err
}

// read returns the file as JSON. Limits are named, and their numbers come from the rules: no file
// holds bounds.
func read[T any](name string, b []byte) (*yamldoc.Document, []byte, error) {
	d, err := yamldoc.Parse(name, b)
	if err != nil {
		return nil, nil, err
	}
	out, err := d.JSON(reflect.TypeFor[T](), "bounds")
	return d, out, err
}

func parse[T any](name string, b []byte, decode func([]byte) (*T, error)) (*T, error) {
	d, out, err := read[T](name, b)
	if err != nil {
		return nil, err
	}
	doc, err := decode(out)
	if err != nil {
		return nil, located(d, err)
	}
	return doc, nil
}

// Locate turns the method.Faults in err, which show when a method or overlay that was read is
// resolved, into Problems of its file.
func Locate(name string, b []byte, err error) error {
	d, unread := yamldoc.Parse(name, b)
	if unread != nil {
		return err
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
