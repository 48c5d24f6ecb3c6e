// Package importorder holds the order in which packages may import one another.
package importorder

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// order lists every package; each may import only those before it. A package of a folder below one of
// them counts as that one, unless it is named. Some are still to come; none may be missing here.
var order = []string{
	// What somebody needs in order to check us without trusting us.
	"measure", "rules", "circuit", "site", "instrument", "world", "protection", "metering",
	"method", "visit/laws", "visit", "record", "replay", "walk", "diagnose", "assure", "rig", "ledger",
	"say", "say/en",
	// What the program is made of besides.
	"internal/version", "internal/private", "internal/progress", "internal/asset", "internal/yamldoc", "method/written",
	"internal/sitefile", "internal/devicekey", "internal/recordfile", "internal/drawing", "internal/page",
	"internal/store", "internal/sync", "internal/jobs", "internal/script", "internal/summary",
	"internal/terminal", "internal/advice", "internal/report",
	"internal/field", "internal/office", "internal/auth", "internal/api", "internal/serve",
	"cmd/pocket", "cmd/meterwright",
}

// asides are folders that stand beside the order, with the reason. Nothing of the program may import them.
var asides = map[string]string{
	"internal/importorder": "tests alone",
	"internal/agreement":   "tests alone",
	"internal/test":        "test support, and programs that tests run",
}

// pure reports whether the bans on what is technical hold for a package: all that stand outside internal
// and cmd, but for method/written, which reads YAML.
func pure(path string) bool {
	return path != "method/written" && !strings.HasPrefix(path, "internal/") && !strings.HasPrefix(path, "cmd/")
}

// bans lists what the pure packages must not reach, with the reason.
var bans = map[string]string{
	"database/sql":             "storage belongs to internal/store",
	"modernc.org/sqlite":       "storage belongs to internal/store",
	"github.com/goccy/go-yaml": "the pocket carries resolved methods as JSON",
	"net/http":                 "the pure packages know no network",
	"os":                       "clock, disk and network come in from outside",
	"time/tzdata":              "time zones are the surfaces' matter",
	"math/rand":                "randomness comes in from outside",
	"math/rand/v2":             "randomness comes in from outside",
	"gonum.org/v1/gonum":       "a reference for tests alone",
}

// pocket lists what runs in the hand, and pocketBans what it must not reach.
var (
	pocket     = []string{"cmd/pocket", "internal/field", "internal/advice", "internal/drawing", "replay", "walk", "say", "say/en"}
	pocketBans = map[string]string{
		"database/sql":                "the hand keeps files, not a database",
		"modernc.org/sqlite":          "a driver is megabytes, and does not run there",
		"github.com/jackc/pgx":        "a driver is megabytes, and does not run there",
		"github.com/goccy/go-yaml":    "the pocket carries resolved methods as JSON",
		"meterwright/internal/store":  "the office's storage",
		"meterwright/internal/office": "the office's pages",
		"meterwright/internal/report": "documents are written in the office",
	}
)

type pkg struct {
	ImportPath string
	Imports    []string
	Deps       []string
	Doc        string
	GoFiles    []string
}

// list lists packages as they are built here, and those that are built for WebAssembly alone.
func list(t *testing.T, args ...string) []pkg {
	t.Helper()
	all := listFor(t, nil, args...)
	// -e: what the office needs of others is not made for WebAssembly.
	for _, p := range listFor(t, []string{"GOOS=js", "GOARCH=wasm"}, append([]string{"-e"}, args...)...) {
		if !slices.ContainsFunc(all, func(o pkg) bool { return o.ImportPath == p.ImportPath && len(o.GoFiles) > 0 }) {
			all = append(all, p)
		}
	}
	return all
}

func listFor(t *testing.T, env []string, args ...string) []pkg {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Imports,Deps,Doc,GoFiles"}, args...)...)
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), env...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v: %s", err, stderr.String())
	}
	var all []pkg
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func short(path string) (string, bool) { return strings.CutPrefix(path, "meterwright/") }

func below(path, folder string) bool { return path == folder || strings.HasPrefix(path, folder+"/") }

// place returns the index in order of a package, or -1 where it stands nowhere.
func place(path string) int {
	best, length := -1, 0
	for i, o := range order {
		if below(path, o) && len(o) > length {
			best, length = i, len(o)
		}
	}
	return best
}

func aside(path string) bool {
	for folder := range asides {
		if below(path, folder) {
			return true
		}
	}
	return false
}

// checkOrder says what stands against the order in a list of packages.
func checkOrder(all []pkg) (problems []string) {
	for _, p := range all {
		from, ok := short(p.ImportPath)
		if !ok || aside(from) {
			continue
		}
		if place(from) < 0 {
			problems = append(problems, from+" stands nowhere in the order: give it its place")
			continue
		}
		for _, imp := range p.Imports {
			to, ours := short(imp)
			switch {
			case !ours:
			case aside(to):
				problems = append(problems, from+" imports "+to+", which is for tests alone")
			case pure(from) && !pure(to):
				problems = append(problems, from+" imports "+to+": a public package may only import public ones")
			case place(to) > place(from):
				problems = append(problems, from+" imports "+to+", which comes after it in the order")
			}
		}
	}
	return problems
}

func TestImportsFollowTheOrder(t *testing.T) {
	all := list(t, "./...")
	for _, problem := range checkOrder(all) {
		t.Error(problem)
	}
	if len(all) < 40 {
		t.Fatalf("only %d packages were looked at", len(all))
	}
}

// TestTheOrderIsHeld: each way to break it is seen.
func TestTheOrderIsHeld(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"site", "measure", ""},
		{"world", "site", ""},
		{"internal/field", "walk", ""},
		{"internal/store/sqlite", "internal/store", ""},
		{"internal/test/anything", "cmd/meterwright", ""},
		{"site", "world", "site imports world, which comes after it"},
		{"visit/laws", "visit", "visit/laws imports visit, which comes after it"},
		{"walk", "internal/drawing", "a public package may only import public ones"},
		{"replay", "method/written", "a public package may only import public ones"},
		{"internal/drawing", "internal/office", "comes after it"},
		{"internal/field", "internal/test/everyday", "for tests alone"},
		{"internal/utils", "measure", "internal/utils stands nowhere in the order"},
		{"helpers", "measure", "helpers stands nowhere in the order"},
	} {
		got := strings.Join(checkOrder([]pkg{{ImportPath: "meterwright/" + c.from, Imports: []string{"fmt", "meterwright/" + c.to}}}), "; ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s imports %s: got %q, want %q", c.from, c.to, got, c.want)
		}
	}
}

// reaches reports whether a package depends on what is banned.
func (p *pkg) reaches(ban string) bool {
	// encoding/json and fmt reach os by themselves, so that a direct import is what counts for it.
	if ban == "os" || ban == "math/rand" || ban == "math/rand/v2" {
		return slices.Contains(p.Imports, ban)
	}
	// The types of database/sql/driver alone come with every UUID, and no driver with them.
	whole := ban == "net/http" || ban == "database/sql"
	return slices.ContainsFunc(p.Deps, func(d string) bool { return d == ban || !whole && below(d, ban) })
}

func TestPurePackagesReachNothingTechnical(t *testing.T) {
	seen := 0
	for _, p := range list(t, "./...") {
		path, ok := short(p.ImportPath)
		if !ok || !pure(path) || aside(path) {
			continue
		}
		seen++
		for ban, why := range bans {
			if p.reaches(ban) {
				t.Errorf("%s reaches %s: %s", path, ban, why)
			}
		}
	}
	if seen < 13 {
		t.Fatalf("only %d packages were looked at", seen)
	}
}

func TestThePocketCarriesNoOffice(t *testing.T) {
	seen := 0
	for _, p := range list(t, "./...") {
		path, _ := short(p.ImportPath)
		if !slices.Contains(pocket, path) {
			continue
		}
		seen++
		for ban, why := range pocketBans {
			if p.reaches(ban) {
				t.Errorf("%s reaches %s: %s", path, ban, why)
			}
		}
	}
	if seen < 3 {
		t.Fatalf("only %d packages were looked at", seen)
	}
}

// TestVisitKnowsNoModel: advice is an event that decides nothing. What decides must not be able to
// reach what advises.
func TestVisitKnowsNoModel(t *testing.T) {
	for _, p := range list(t, "./visit") {
		for _, d := range p.Deps {
			if to, ours := short(d); ours && (to == "world" || to == "diagnose" || strings.HasPrefix(to, "internal/")) {
				t.Errorf("visit reaches %s: a guard could come to hang on what the model advises", to)
			}
		}
	}
}

func TestLawsDoNotKnowTheEngine(t *testing.T) {
	for _, p := range list(t, "./visit/laws") {
		for _, d := range p.Deps {
			if to, ours := short(d); ours && to != "site" && to != "circuit" && to != "measure" && to != "rules" {
				t.Errorf("visit/laws reaches %s: laws that know the engine would check it against itself", to)
			}
		}
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	for _, p := range list(t, "./...") {
		path, _ := short(p.ImportPath)
		if len(p.GoFiles) > 0 && p.Doc == "" {
			t.Errorf("%s has no package comment", path)
		}
	}
}
