package say_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"meterwright/instrument"
	"meterwright/say/en"
	"meterwright/visit"
)

// sets names, for each closed set of codes, the folder and type it stands in, and the key below which its words stand.
var sets = []struct{ folder, typ, key string }{
	{"visit", "Code", "reason"}, {"visit", "CauseCode", "cause"}, {"visit", "BracketState", "bracket"}, {"visit", "BracketState", "bracketed"},
	{"visit", "ProofState", "proof"}, {"visit", "Found", "found"}, {"visit", "Odd", "odd"}, {"replay", "FindingCode", "finding"}, {"replay", "FindingCode", "does-not-fit"}, {"visit", "Kind", "event"}, {"visit", "Yet", "means"}, {"visit", "Odds", "odds"},
	{"replay", "State", "state"}, {"replay", "NeedCode", "need"}, {"replay", "Standing", "standing"},
	{"metering", "Because", "register"}, {"metering", "Misfit", "register"}, {"protection", "Quantity", "quantity"}, {"protection", "Because", "check"}, {"protection", "FuseOutcome", "fuse"},
	{"instrument", "Kind", "instrument"}, {"instrument", "SourceKind", "source"}, {"method", "Omission", "omission"}, {"method", "AwayKind", "away"}, {"method", "KeepOff", "keep-off"}, {"site", "Owner", "owner"}, {"record", "Nature", "nature"},
}

// TestEveryCodeHasItsWords reads the codes from the source, so that a new one without words is found.
func TestEveryCodeHasItsWords(t *testing.T) {
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sets {
		values := constants(t, filepath.Join("..", s.folder), s.typ)
		if len(values) < 2 {
			t.Errorf("%s.%s: only %d codes were found", s.folder, s.typ, len(values))
		}
		for _, v := range values {
			if !l.Has(s.key + "." + v) {
				t.Errorf("%s.%s %q has no words: write %s.%s = …", s.folder, s.typ, v, s.key, v)
			}
		}
	}
}

// TestEndedOnce: no sentence that says how a visit ended says twice that it did.
func TestEndedOnce(t *testing.T) {
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for _, outcome := range l.Keys() {
		name, ok := strings.CutPrefix(outcome, "outcome.")
		if !ok {
			continue
		}
		for _, key := range []string{"story.ended", "reason.has-ended", "field.standing.ended", "office.where.ended"} {
			tried++
			if words := strings.ToLower(l.Say(key, "outcome", l.Outcome(name), "at", "12:00")); strings.Count(words, "ended") > 1 {
				t.Errorf("%s: %s", key, words)
			}
		}
	}
	if tried < 20 {
		t.Errorf("only %d sentences were tried", tried)
	}
}

// TestSourceOf: what a person calls a source stands apart from what kind it is.
func TestSourceOf(t *testing.T) {
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	for want, source := range map[string]visit.ProvingSource{
		"known live socket “van socket”": {Kind: instrument.KnownSocket, ID: "van socket"},
		"proving unit PU-9 (230 V)":      {Kind: instrument.ProvingUnit, ID: "PU-9", Nominal: "230 V"},
		"known live supply":              {Kind: instrument.KnownLive},
	} {
		if got := l.SourceOf(source); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// constants lists the values of the string constants of a type.
func constants(t *testing.T, folder, typ string) []string {
	t.Helper()
	var list []string
	err := filepath.WalkDir(folder, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() && name != folder {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			return err
		}
		for _, decl := range f.Decls {
			g, ok := decl.(*ast.GenDecl)
			if !ok || g.Tok != token.CONST {
				continue
			}
			for _, spec := range g.Specs {
				v := spec.(*ast.ValueSpec)
				if id, ok := v.Type.(*ast.Ident); !ok || id.Name != typ {
					continue
				}
				for _, x := range v.Values {
					if lit, ok := x.(*ast.BasicLit); ok {
						if text, err := strconv.Unquote(lit.Value); err == nil {
							list = append(list, text)
						}
					}
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}
