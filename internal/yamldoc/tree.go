package yamldoc

import (
	"errors"
	"fmt"
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
