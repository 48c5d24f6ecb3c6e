package say_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// speechless lists the folders in which no sentence for a person may stand but in an error, where it arises.
var speechless = []string{"visit", "replay", "walk", "ledger", "say",
	"internal/advice", "internal/drawing", "internal/field", "internal/office", "internal/page", "internal/report", "internal/script",
	"internal/serve", "internal/summary", "internal/terminal", "cmd/meterwright"}

// spared lists files and folders below them that may hold sentences, with the reason.
var spared = map[string]string{
	"cmd/meterwright/main.go":   "the help of the command line stands beside its flags, and programs for shells",
	"cmd/meterwright/exits.go":  "what exit codes mean stands beside them",
	"internal/report/image.go":  "why a picture is not shown, an error",
	"cmd/meterwright/source.go": "names of inputs in errors",
	"internal/drawing/svg.go":   "tags",
	"visit/clock.go":            "what an error of entry names",
	"visit/reason.go":           "the text of an error, for a log",
	"visit/trials.go":           "the text of a fault of the program itself",
	"visit/laws":                "laws are named for engineers, in tests and findings",
	"visit/machine.go":          "names of what is attempted stand in errors alone",
	"internal/serve/demo.go":    "what stands in a drawing of the demonstration",
	"internal/field/gallery.go": "what invented people wrote",
}

// prose is two words or more, as one writes them for a person.
var prose = regexp.MustCompile(`[A-Za-z]{2,}[,;:]? [a-z]{2,}|[A-Z][a-z]+ [A-Za-z]{2,}`)

// unspoken are the calls whose text is no sentence for a person on a page: errors, statements of SQL,
// patterns, and templates of package say.
var unspoken = regexp.MustCompile(`^(fmt\.Errorf|errors\.New|.*Errorf|.*\.bad|.*\.undecided|.*\.refuse|bad|unread|usage|senseless|.*lacks|.*\.wrong|http\.Error|.*log\.(Warn|Error|Info)|slog\..*|regexp\.MustCompile|.*\.(Exec|Query|QueryRow)(Context)?|.*\.add|.*\.fail)$`)

// TestNoProseElsewhere: what a person reads stands in the files of a language and nowhere else, so that it
// is worded once and can be said in another language.
func TestNoProseElsewhere(t *testing.T) {
	for _, folder := range speechless {
		root := filepath.Join("..", filepath.FromSlash(folder))
		if _, err := os.Stat(root); os.IsNotExist(err) {
			continue // It is still to come.
		}
		err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
			short, _ := filepath.Rel("..", name)
			if spared[filepath.ToSlash(short)] != "" {
				if d.IsDir() {
					return filepath.SkipDir
				}
				return nil
			}
			if err != nil || d.IsDir() {
				if d != nil && d.IsDir() && (d.Name() == "testdata" || d.Name() == "static") {
					return filepath.SkipDir
				}
				return err
			}
			switch {
			case strings.HasSuffix(name, "_test.go"), strings.HasSuffix(name, "_templ.go"):
			case strings.HasSuffix(name, ".go"):
				proseOfGo(t, name)
			case strings.HasSuffix(name, ".templ"):
				proseOfPage(t, name)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

func proseOfGo(t *testing.T, name string) {
	t.Helper()
	files := token.NewFileSet()
	f, err := parser.ParseFile(files, name, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var skip []ast.Node
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec, *ast.Field:
			if field, ok := n.(*ast.Field); ok && field.Tag != nil {
				skip = append(skip, field.Tag)
			}
		case *ast.CallExpr:
			if unspoken.MatchString(exprText(n.Fun)) {
				skip = append(skip, n)
				return false
			}
		case *ast.CompositeLit:
			// An error with how to mend it.
			if name := exprText(n.Type); name == "coded" || strings.HasSuffix(name, "Fault") || strings.HasSuffix(name, "Faults") {
				skip = append(skip, n)
				return false
			}
		case *ast.BasicLit:
			text, err := strconv.Unquote(n.Value)
			if n.Kind != token.STRING || err != nil || !prose.MatchString(text) || isSQL(text) {
				return true
			}
			for _, s := range skip {
				if n.Pos() >= s.Pos() && n.End() <= s.End() {
					return true
				}
			}
			t.Errorf("%s: %.70q is a sentence: give it a key in say/en", files.Position(n.Pos()), text)
		}
		return true
	})
}

func exprText(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return exprText(e.X) + "." + e.Sel.Name
	case *ast.IndexExpr:
		return exprText(e.X)
	case *ast.StarExpr:
		return exprText(e.X)
	}
	return ""
}

func isSQL(text string) bool {
	if strings.Contains(text, "; charset=") || strings.Contains(text, "max-age=") || strings.HasPrefix(text, "salt of ") || strings.HasPrefix(text, "meterwright demonstration ") || strings.HasPrefix(text, "default-src") {
		return true
	}
	word, _, _ := strings.Cut(strings.TrimSpace(text), " ")
	switch strings.ToUpper(word) {
	case "SELECT", "INSERT", "UPDATE", "DELETE", "CREATE", "PRAGMA", "WHERE", "AND", "ORDER", "LEFT", "JOIN", "BEGIN":
		return word == strings.ToUpper(word)
	}
	return false
}

// pageText is text of a page outside tags and expressions; pageAttribute a label that is read out.
var (
	pageText      = regexp.MustCompile(`>[^<>{}]*[A-Za-z]{2,}[^<>{}]*<`)
	pageAttribute = regexp.MustCompile(`(?:aria-label|title|placeholder|alt)="[^"{}]*[A-Za-z]{2,}[^"]*"`)
	field         = regexp.MustCompile(`^\t[\w, ]+ [\w.*\[\]]+$`)
	pageLiteral   = regexp.MustCompile(`"[^"\n]*"`)
)

func proseOfPage(t *testing.T, name string) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for i, line := range strings.Split(string(b), "\n") {
		trimmed := strings.TrimSpace(line)
		if i == 0 || strings.HasPrefix(trimmed, "//") || strings.HasPrefix(trimmed, "import") || strings.HasPrefix(trimmed, "<meta") || field.MatchString(line) {
			continue
		}
		found := pageText.FindString(line)
		if found == "" {
			found = pageAttribute.FindString(line)
		}
		for _, lit := range pageLiteral.FindAllString(line, -1) {
			if found == "" && prose.MatchString(lit) && !strings.Contains(line, "class=") && !strings.Contains(line, ".shell(") {
				found = lit
			}
		}
		// A line that is no tag, no statement and no expression is text.
		if found == "" && prose.MatchString(trimmed) && !strings.ContainsAny(trimmed, "<>{}()=:\"@") {
			found = trimmed
		}
		if found != "" {
			t.Errorf("%s:%d: %.70q is a sentence: give it a key in say/en", name, i+1, found)
		}
	}
}
