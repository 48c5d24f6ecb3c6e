// Package importorder holds the order in which packages may import one another.
package importorder

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// order lists the public packages; each may import only those before it. A
// package of a folder below one of them counts as that one, unless it is named.
var order = []string{
	"measure", "rules", "circuit", "site", "instrument", "world", "protection", "metering",
	"method", "visit/laws", "visit", "diagnose", "assure", "rig", "record", "ledger",
}

// aside lists public packages that stand beside the order, with the reason.
var aside = map[string]string{
	"method/written": "reads YAML, which the packages of the pocket must not reach",
}

// bans lists what the packages of the order must not reach, with the reason.
var bans = map[string]string{
	"database/sql":                "storage belongs to internal/store",
	"modernc.org/sqlite":          "storage belongs to internal/store",
	"github.com/goccy/go-yaml":    "the pocket carries resolved methods as JSON",
	"net/http":                    "the pure packages know no network",
	"os":                          "clock, disk and network come in from outside",
	"time/tzdata":                 "time zones are the surfaces' matter",
	"math/rand":                   "randomness comes in from outside",
	"math/rand/v2":                "randomness comes in from outside",
	"gonum.org/v1/gonum":          "a reference for tests alone",
	"meterwright/internal/office": "the pocket carries no office pages",
}

type pkg struct {
	ImportPath string
	Imports    []string
	Deps       []string
	Doc        string
	GoFiles    []string
}

func list(t *testing.T, args ...string) []pkg {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Imports,Deps,Doc,GoFiles"}, args...)...)
	cmd.Dir = "../.."
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

// place returns the index in order of a package, or -1 when it is not public.
func place(path string) int {
	if _, ok := aside[path]; ok || strings.Contains(path, "/internal/") {
		return -1 // programs that the tests run
	}
	best, length := -1, 0
	for i, o := range order {
		if (path == o || strings.HasPrefix(path, o+"/")) && len(o) > length {
			best, length = i, len(o)
		}
	}
	return best
}

func TestImportsFollowTheOrder(t *testing.T) {
	seen := 0
	for _, p := range list(t, "./...") {
		from, ok := short(p.ImportPath)
		if !ok || place(from) < 0 {
			continue
		}
		seen++
		for _, imp := range p.Imports {
			to, ours := short(imp)
			if !ours {
				continue
			}
			if strings.HasPrefix(to, "internal/") || strings.HasPrefix(to, "cmd/") || place(to) < 0 {
				t.Errorf("%s imports %s: a public package may only import public ones", from, to)
				continue
			}
			if place(to) > place(from) {
				t.Errorf("%s imports %s, which comes after it in the order", from, to)
			}
		}
	}
	if seen < 8 {
		t.Fatalf("only %d packages were looked at", seen)
	}
}

func TestPurePackagesReachNothingTechnical(t *testing.T) {
	for _, p := range list(t, "./...") {
		path, ok := short(p.ImportPath)
		if !ok || place(path) < 0 {
			continue
		}
		for ban, why := range bans {
			// encoding/json and fmt reach os by themselves, so that a direct import is what counts for it.
			found := slices.ContainsFunc(p.Deps, func(d string) bool {
				return d == ban || strings.HasPrefix(d, ban+"/") && ban != "os" && ban != "net/http"
			})
			if ban == "os" || ban == "math/rand" || ban == "math/rand/v2" {
				found = slices.Contains(p.Imports, ban)
			}
			if found {
				t.Errorf("%s reaches %s: %s", path, ban, why)
			}
		}
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
