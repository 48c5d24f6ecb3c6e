package yamldoc

import (
	"bytes"
	"encoding"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"reflect"
	"slices"
	"strconv"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// walker writes a tree as JSON, guided by the Go type that each place wants.
type walker struct {
	src    *source
	buf    bytes.Buffer
	out    *jsontext.Encoder
	hidden []string
	list   Problems
}

// asWritten reports whether a value of the type takes what stands there whatever it is: every
// scalar is then its text.
func asWritten(t reflect.Type) bool {
	if t.Kind() == reflect.Interface || t == reflect.TypeFor[jsontext.Value]() {
		return true
	}
	p := reflect.PointerTo(t)
	return p.Implements(reflect.TypeFor[json.Unmarshaler]()) || p.Implements(reflect.TypeFor[json.UnmarshalerFrom]()) || p.Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

func (w *walker) refuse(n ast.Node, mend, format string, args ...any) {
	if len(w.list) < 50 {
		w.list = append(w.list, w.src.problem(place(n), fmt.Sprintf(format, args...), mend))
	}
}

// write ignores the encoder's error: it writes to memory, and when a value was
// refused, so that the JSON is not whole, the problems are returned instead.
func (w *walker) write(t jsontext.Token) { _ = w.out.WriteToken(t) }

func (w *walker) value(n ast.Node, t reflect.Type, depth int) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if depth > MaxDepth {
		w.refuse(n, fmt.Sprintf("keep it to %d levels", MaxDepth), "the file is nested too deep")
		return
	}
	if asWritten(t) {
		switch n.(type) {
		case *ast.MappingNode, *ast.MappingValueNode:
			t = reflect.TypeFor[map[string]any]()
		case *ast.SequenceNode:
			t = reflect.TypeFor[[]any]()
		default:
			t = reflect.TypeFor[string]()
		}
	}
	switch t.Kind() {
	case reflect.Struct, reflect.Map:
		w.mapping(n, t, depth)
	case reflect.Slice:
		w.sequence(n, t, depth)
	default:
		w.scalar(n, t)
	}
}

func (w *walker) mapping(n ast.Node, t reflect.Type, depth int) {
	pairs, ok := pairsOf(n)
	if !ok {
		w.refuse(n, "write "+wanted(t), "%s stands where a mapping is wanted", found(n))
		return
	}
	w.write(jsontext.BeginObject)
	seen := map[string]Place{}
	for _, p := range pairs {
		key, ok := text(p.Key)
		if !ok {
			w.refuse(p.Key, "write a plain word and a colon", "%s cannot be a key", found(p.Key))
			continue
		}
		if first, twice := seen[key]; twice {
			w.refuse(p.Key, "keep one of them", "the key %s stands twice, first on line %d", strconv.Quote(key), first.Line)
			continue
		}
		seen[key] = place(p.Key)
		var want reflect.Type
		if t.Kind() == reflect.Map {
			want = t.Elem()
		} else if want, ok = field(t, key); !ok || slices.Contains(w.hidden, key) {
			w.refuse(p.Key, unknownMend(t, key, w.hidden), "the key %.40q is not known here", key)
			continue
		}
		w.write(jsontext.String(key))
		w.value(p.Value, want, depth+1)
	}
	w.write(jsontext.EndObject)
}

func (w *walker) sequence(n ast.Node, t reflect.Type, depth int) {
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		w.refuse(n, "write "+wanted(t), "%s stands where a list is wanted", found(n))
		return
	}
	w.write(jsontext.BeginArray)
	for _, v := range s.Values {
		w.value(v, t.Elem(), depth+1)
	}
	w.write(jsontext.EndArray)
}

func (w *walker) scalar(n ast.Node, t reflect.Type) {
	s, ok := text(n)
	if !ok {
		w.refuse(n, "write "+wanted(t), "%s stands where %s is wanted", found(n), kindWord(t))
		return
	}
	switch t.Kind() {
	case reflect.Int:
		v, err := strconv.ParseInt(s, 10, 32)
		if err != nil || strconv.FormatInt(v, 10) != s {
			w.refuse(n, "write digits only, for example 15", "%.40q is not a whole number", s)
			return
		}
		w.write(jsontext.Int(v))
	case reflect.Bool:
		if s != "true" && s != "false" {
			w.refuse(n, "write true or false", "%.40q is neither true nor false", s)
			return
		}
		w.write(jsontext.Bool(s == "true"))
	default:
		w.write(jsontext.String(s))
	}
}

// pairsOf returns the keys and values of a mapping.
func pairsOf(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}, true
	}
	return nil, false
}

// text returns what a scalar says as it was written, and false for anything
// that is not a scalar or says nothing.
func text(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		if n.Value != nil {
			return n.Value.Value, true
		}
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true
	case *ast.NullNode:
		if t := n.GetToken(); t != nil && t.Type == token.NullType {
			return t.Value, true
		}
	}
	return "", false
}

func found(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode, nil:
		return "nothing"
	}
	if s, ok := text(n); ok {
		return fmt.Sprintf("the text %.40q", s)
	}
	return "something else"
}

func kindWord(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Int:
		return "a whole number"
	case reflect.Bool:
		return "true or false"
	}
	return "text"
}

func wanted(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Slice:
		return "[one, two], or each on its own line after a hyphen"
	case reflect.Map, reflect.Struct:
		return "key: value, each on its own line, or {key: value}"
	}
	return kindWord(t)
}
