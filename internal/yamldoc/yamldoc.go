// Package yamldoc reads YAML that people write by hand, and keeps the place of every value.
//
// It takes a small part of YAML: mappings with plain keys, lists, and scalars. Anchors,
// aliases, tags and merge keys are refused, since they make a file hard to read and easy to
// misread. A scalar is its text exactly as written, so that "0.30" and 04127 keep their
// digits; only true and false are more than text. Every error names file, line and column.
package yamldoc

import (
	"bytes"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds of a file. What is beyond them is refused before it is parsed.
const (
	// MaxBytes is the greatest size of a file.
	MaxBytes = 1 << 20
	// maxDepth bounds how deeply brackets and dashes may nest, and maxIndent how far a
	// line may be indented, which bounds every other nesting.
	maxDepth  = 40
	maxIndent = 120
)

// Error is one thing wrong with a file, at a place.
type Error struct {
	File         string
	Line, Column int // from 1; 0 where the whole file is concerned
	Problem      string
	Mend         string
}

// Error gives the place, what is wrong, and how to mend it.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, e.Column)
	}
	b.WriteString(": " + e.Problem)
	if e.Mend != "" {
		b.WriteString(": " + e.Mend)
	}
	return b.String()
}

// Place is where a value begins in its file, both numbers from 1.
type Place struct{ Line, Column int }

// Document is a file that has been parsed.
type Document struct {
	File string
	// JSON is the content: every scalar is a string but true and false.
	JSON   jsontext.Value
	values map[string]Place
	keys   map[string]Place
}

// Parse reads one document. The error is an *Error.
func Parse(file string, b []byte) (*Document, error) {
	d := &Document{File: file, values: map[string]Place{}, keys: map[string]Place{}}
	if err := d.sane(b); err != nil {
		return nil, err
	}
	f, err := parse(b)
	if err != nil {
		return nil, d.syntax(err)
	}
	var body ast.Node
	for _, doc := range f.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			return nil, d.fault(place(doc.Body), "keep to one document", "a second document begins here")
		}
		body = doc.Body
	}
	if body == nil {
		return nil, d.fault(Place{}, "write at least one key", "the file is empty")
	}
	text, err := d.value(nil, "", body, 0)
	if err != nil {
		return nil, err
	}
	d.JSON = text
	return d, nil
}

// parse turns a panic of the parser into an error: the file comes from anywhere.
func parse(b []byte) (f *ast.File, err error) {
	defer func() {
		if r := recover(); r != nil {
			f, err = nil, fmt.Errorf("the file cannot be parsed (%v)", r)
		}
	}()
	return parser.ParseBytes(b, 0)
}

func (d *Document) fault(at Place, mend, format string, args ...any) *Error {
	return &Error{File: d.File, Line: at.Line, Column: at.Column, Problem: fmt.Sprintf(format, args...), Mend: mend}
}

func (d *Document) syntax(err error) *Error {
	var syn *yaml.SyntaxError
	if errors.As(err, &syn) && syn.Token != nil && syn.Token.Position != nil {
		return d.fault(Place{syn.Token.Position.Line, syn.Token.Position.Column}, "", "this is not YAML: %s", syn.Message)
	}
	return d.fault(Place{}, "", "this is not YAML: %s", firstLine(err.Error()))
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return s
}

// sane refuses what would cost much to parse or cannot be text.
func (d *Document) sane(b []byte) error {
	if len(b) > MaxBytes {
		return d.fault(Place{}, fmt.Sprintf("keep it under %d bytes", MaxBytes), "the file is too large")
	}
	line, column, depth := 1, 1, 0
	indent, dashes, leading := 0, 0, true
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		at := Place{line, column}
		switch {
		case r == utf8.RuneError && n == 1:
			return d.fault(at, "save the file as UTF-8", "this is not UTF-8 text")
		case r == 0 || r < ' ' && r != '\n' && r != '\r' && r != '\t':
			return d.fault(at, "take it out", "a control character (U+%04X) stands here", r)
		case r == '[' || r == '{':
			depth++
		case r == ']' || r == '}':
			depth = max(depth-1, 0)
		}
		switch {
		case r == '\n':
			line, column, indent, dashes, leading = line+1, 0, 0, 0, true
		case leading && r == ' ':
			indent++
		case leading && (r == '-' || r == '?'):
			dashes++
		default:
			leading = false
		}
		if depth > maxDepth || dashes > maxDepth || leading && indent > maxIndent {
			return d.fault(at, "write it flatter", "this is nested too deeply")
		}
		column++
		b = b[n:]
	}
	return nil
}

func place(n ast.Node) Place {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return place(n.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return place(n.Key)
	}
	return tokenPlace(n.GetToken())
}

func tokenPlace(t *token.Token) Place {
	if t == nil || t.Position == nil {
		return Place{}
	}
	return Place{t.Position.Line, t.Position.Column}
}

// value appends the JSON of a node and keeps its place under its RFC 6901 pointer.
func (d *Document) value(out []byte, pointer string, n ast.Node, depth int) ([]byte, error) {
	at := place(n)
	d.values[pointer] = at
	if depth > maxDepth {
		return nil, d.fault(at, "write it flatter", "this is nested too deeply")
	}
	switch n := n.(type) {
	case *ast.MappingNode:
		return d.mapping(out, pointer, n.Values, depth)
	case *ast.MappingValueNode:
		return d.mapping(out, pointer, []*ast.MappingValueNode{n}, depth)
	case *ast.SequenceNode:
		out = append(out, '[')
		for i, item := range n.Values {
			if i > 0 {
				out = append(out, ',')
			}
			var err error
			if out, err = d.value(out, pointer+"/"+strconv.Itoa(i), item, depth+1); err != nil {
				return nil, err
			}
		}
		return append(out, ']'), nil
	case *ast.BoolNode:
		return strconv.AppendBool(out, n.Value), nil
	case *ast.StringNode:
		return d.text(out, at, n.Value)
	case *ast.LiteralNode:
		return d.text(out, at, n.Value.Value)
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return d.text(out, at, n.GetToken().Value)
	case *ast.NullNode:
		return nil, d.fault(at, "write a value, or leave the key out", "nothing stands here")
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return nil, d.fault(at, "write the value out", "anchors and aliases are not used here")
	case *ast.TagNode:
		return nil, d.fault(at, "leave the tag out", "tags are not used here")
	}
	return nil, d.fault(at, "write a mapping, a list or a value", "this cannot stand here")
}

func (d *Document) text(out []byte, at Place, s string) ([]byte, error) {
	out, err := jsontext.AppendQuote(out, s)
	if err != nil {
		return nil, d.fault(at, "save the file as UTF-8", "this is not UTF-8 text")
	}
	return out, nil
}

func (d *Document) mapping(out []byte, pointer string, values []*ast.MappingValueNode, depth int) ([]byte, error) {
	out = append(out, '{')
	seen := map[string]bool{}
	for i, v := range values {
		at := place(v.Key)
		var key string
		switch k := v.Key.(type) {
		case *ast.StringNode:
			key = k.Value
		case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.NullNode:
			key = k.GetToken().Value
		default:
			return nil, d.fault(at, "use a plain word as the key", "this cannot be a key")
		}
		if seen[key] {
			return nil, d.fault(at, "write each key once", "the key %q stands twice", clip(key))
		}
		seen[key] = true
		if i > 0 {
			out = append(out, ',')
		}
		here := pointer + "/" + escape(key)
		d.keys[here] = at
		var err error
		if out, err = d.text(out, at, key); err != nil {
			return nil, err
		}
		out = append(out, ':')
		if out, err = d.value(out, here, v.Value, depth+1); err != nil {
			return nil, err
		}
	}
	return append(out, '}'), nil
}

// At returns the place of the value that an RFC 6901 pointer names, or of the nearest value
// around it.
func (d *Document) At(pointer string) Place {
	for {
		if p, ok := d.values[pointer]; ok && p.Line > 0 {
			return p
		}
		i := strings.LastIndexByte(pointer, '/')
		if i < 0 {
			return d.values[""]
		}
		pointer = pointer[:i]
	}
}

// Key returns the place of the key of the value that a pointer names.
func (d *Document) Key(pointer string) Place {
	if p, ok := d.keys[pointer]; ok {
		return p
	}
	return d.At(pointer)
}

// Errorf returns an error at the value that a pointer names.
func (d *Document) Errorf(pointer, mend, format string, args ...any) *Error {
	return d.fault(d.At(pointer), mend, format, args...)
}

// KeyErrorf returns an error at the key of the value that a pointer names.
func (d *Document) KeyErrorf(pointer, mend, format string, args ...any) *Error {
	return d.fault(d.Key(pointer), mend, format, args...)
}

// Decode reads the document into a Go value. Keys that the value does not have are refused.
// The error is an *Error.
func (d *Document) Decode(into any) error { return d.DecodePart("", d.JSON, into) }

// DecodePart reads the part of the document that stands at pointer, whose JSON is given.
func (d *Document) DecodePart(pointer string, part jsontext.Value, into any) error {
	err := json.Unmarshal(part, into, json.RejectUnknownMembers(true), json.WithUnmarshalers(whole))
	if err == nil {
		return nil
	}
	var sem *json.SemanticError
	if !errors.As(err, &sem) {
		return d.fault(d.At(pointer), "", "%s", firstLine(err.Error()))
	}
	at := pointer + string(sem.JSONPointer)
	if errors.Is(sem.Err, json.ErrUnknownName) {
		name := string(sem.JSONPointer.LastToken())
		return d.fault(d.Key(at), "check its spelling", "the key %q is not known here", clip(name))
	}
	problem := "this value does not fit here"
	if sem.Err != nil && sem.JSONKind == '"' {
		return d.fault(d.At(at), "", "%s", firstLine(sem.Err.Error()))
	}
	mend := ""
	if sem.GoType != nil {
		mend = "write " + kindWords(sem.GoType.Kind().String())
	}
	return d.fault(d.At(at), mend, "%s", problem)
}

// whole lets whole numbers be read from the text of a scalar.
var whole = json.UnmarshalFunc(func(b []byte, i *int) error {
	if len(b) < 2 || b[0] != '"' {
		return errors.New("write a whole number")
	}
	n, err := strconv.Atoi(string(bytes.Trim(b, `"`)))
	if err != nil || n < -1_000_000 || n > 1_000_000 {
		return fmt.Errorf("%s is not a whole number up to a million", clip(string(b)))
	}
	*i = n
	return nil
})

func kindWords(kind string) string {
	switch kind {
	case "string":
		return "text"
	case "int":
		return "a whole number"
	case "slice":
		return "a list"
	case "struct", "map", "ptr":
		return "a mapping"
	case "bool":
		return "true or false"
	}
	return "another value"
}

func escape(s string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(s) }

func clip(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "…"
	}
	return s
}
