package yamldoc

import (
	"bytes"
	"encoding"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	yaml "github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// tree parses the text after a look at its tokens, which keeps out what the
// language leaves out and what would make the parser recurse without bound.
func (s *source) tree() (root ast.Node, list Problems) {
	// The parser has panicked on malformed input in earlier releases; whatever is
	// written in a file must come back as a problem with the file.
	defer func() {
		if r := recover(); r != nil {
			root, list = nil, Problems{s.problem(Place{1, 1}, "the file cannot be read as YAML", "look for an unclosed bracket or quotation mark")}
		}
	}()
	tokens := lexer.Tokenize(string(s.text))
	if list := s.checkTokens(tokens); len(list) > 0 {
		return nil, list
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, Problems{s.syntax(err)}
	}
	var bodies []ast.Node
	for _, d := range file.Docs {
		if d != nil && d.Body != nil && d.Body.Type() != ast.CommentType {
			bodies = append(bodies, d.Body)
		}
	}
	switch len(bodies) {
	case 0:
		return nil, Problems{s.problem(Place{1, 1}, "the file is empty", "write at least one key")}
	case 1:
		return bodies[0], nil
	}
	return nil, Problems{s.problem(place(bodies[1]), "a second document begins here", "keep one document in a file")}
}

func (s *source) syntax(err error) Problem {
	var syn *yaml.SyntaxError
	if errors.As(err, &syn) && syn.Token != nil {
		return s.problem(tokenPlace(syn.Token), "this is not well-formed YAML: "+strings.ReplaceAll(syn.Message, "\n", " "), "look at the indentation, the colons, the brackets and the quotation marks here and just above")
	}
	return s.problem(Place{1, 1}, "this is not well-formed YAML", "look for an unclosed bracket or quotation mark")
}

// perLine bounds the keys and list entries of a line: it can nest without brackets, as "- - - a"
// does.
const perLine = 200

func (s *source) checkTokens(tokens token.Tokens) Problems {
	var list Problems
	refuse := func(t *token.Token, what, mend string) {
		list = append(list, s.problem(tokenPlace(t), what, mend))
	}
	flow, line, marks, all, documents := 0, 0, 0, 0, 0
	for _, t := range tokens {
		if t.Position.Line != line {
			line, marks = t.Position.Line, 0
		}
		switch t.Type {
		case token.AnchorType, token.AliasType:
			refuse(t, "anchors and aliases are not part of the language", "write it out, or put quotation marks around a text that begins with & or *")
		case token.MergeKeyType:
			refuse(t, "merge keys are not part of the language", "write the keys out")
		case token.TagType:
			refuse(t, "tags are not part of the language", "delete it, or put quotation marks around a text that begins with !")
		case token.DirectiveType:
			refuse(t, "directives are not part of the language", "delete it, or put quotation marks around a text that begins with %")
		case token.MappingKeyType:
			refuse(t, "a key that begins with ? is not part of the language", "write key: value")
		case token.DocumentHeaderType, token.DocumentEndType:
			if documents++; documents > 1 || t.Type == token.DocumentEndType {
				refuse(t, "a second document begins here", "keep one document in a file")
			}
		case token.SequenceStartType, token.MappingStartType:
			if flow++; flow > MaxDepth {
				refuse(t, "the brackets are nested too deep", fmt.Sprintf("keep it to %d levels", MaxDepth))
			}
		case token.SequenceEndType, token.MappingEndType:
			flow--
		case token.SequenceEntryType, token.MappingValueType, token.CollectEntryType:
			if marks++; marks > perLine {
				refuse(t, "too much stands on one line", "use more lines")
			}
			if all++; all > MaxKeys {
				refuse(t, fmt.Sprintf("the file has more than %d keys and list entries", MaxKeys), "split the file")
			}
		}
		if len(list) >= 10 || flow > MaxDepth || marks > perLine || all > MaxKeys {
			break
		}
	}
	return list
}

func tokenPlace(t *token.Token) Place {
	if t == nil || t.Position == nil {
		return Place{1, 1}
	}
	return Place{max(t.Position.Line, 1), max(t.Position.Column, 1)}
}

func place(n ast.Node) Place {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return place(n.Values[0])
		}
	case *ast.MappingValueNode:
		return tokenPlace(n.Key.GetToken())
	case nil:
		return Place{1, 1}
	}
	return tokenPlace(n.GetToken())
}

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

// key is the key of a field of a struct; a struct that is embedded has none.
func key(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if name == "-" || !f.IsExported() {
		return ""
	}
	return name
}

func embedded(f reflect.StructField) bool {
	return f.Anonymous && f.Type.Kind() == reflect.Struct && f.Tag.Get("json") == ""
}

// fields returns the keys that a struct knows, in the order of its fields.
func fields(t reflect.Type) []string {
	var names []string
	for f := range t.Fields() {
		if embedded(f) {
			names = append(names, fields(f.Type)...)
		} else if k := key(f); k != "" {
			names = append(names, k)
		}
	}
	return names
}

// field returns the type of the value that belongs to a key.
func field(t reflect.Type, name string) (reflect.Type, bool) {
	for f := range t.Fields() {
		if embedded(f) {
			if inner, ok := field(f.Type, name); ok {
				return inner, true
			}
		} else if key(f) == name && name != "" {
			return f.Type, true
		}
	}
	return nil, false
}

func unknownMend(t reflect.Type, key string, hidden []string) string {
	names := slices.DeleteFunc(fields(t), func(n string) bool { return slices.Contains(hidden, n) })
	if near := nearest(key, names); near != "" {
		return "did you mean " + near + "?"
	}
	return "use one of " + strings.Join(names, ", ")
}

// nearest returns the word that a misspelt one most likely stands for, or "".
func nearest(word string, words []string) string {
	best, at := "", len(word)/3+2
	word = strings.ToLower(strings.ReplaceAll(word, "-", "_"))
	for _, w := range words {
		if d := distance(word, w, at); d < at {
			best, at = w, d
		}
	}
	return best
}

// distance is the number of letters to insert, delete, change or exchange with
// their neighbour that turns a into b, or limit if it is not less than that.
func distance(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	before, row := make([]int, len(b)+1), make([]int, len(b)+1)
	var two []int
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		two, before, row = before, row, make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := before[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(change, before[j]+1, row[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], two[j-2]+1)
			}
		}
	}
	return min(row[len(b)], limit)
}
