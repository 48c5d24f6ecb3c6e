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
	"strconv"
	"strings"

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
