package reproducible

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestNoFusedInstructions reads the whole model, and the digests of its tests.
//
// The Go specification lets a compiler fuse x*y + z into one instruction that
// rounds once. Processors that have such an instruction then give other bits
// than those that have not, WebAssembly among the latter. An explicit
// conversion, float64(x*y) + z, forbids it. The packages are compiled for
// processors for which the compiler does fuse, and the instructions read, so
// that a forgotten conversion is found on any machine.
func TestNoFusedInstructions(t *testing.T) {
	rerun(t)
	found, err := scanAll(t.Context(), "meterwright/circuit", "meterwright/site", "meterwright/instrument", "meterwright/world", "meterwright/diagnose")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		if test := strings.Contains(f.position, "_test.go:"); !test || digests.MatchString(f.position) {
			t.Error(f)
		}
	}
}

// digests are the files of tests whose own sums must be the same everywhere.
var digests = regexp.MustCompile(`/digest_test\.go:|/world/random_test\.go:`)

// Code in which sums may be fused, and code in which they may not.
const (
	fusedCode = `// Package fused is here to be caught: a processor may fuse its sums.
package fused

func Sum(a, b, c float64) float64 { return a*b + c }
func Difference(a, b, c float64) float64 { return c - a*b }
func Single(a, b, c float32) float32 { return a*b - c }
`
	plainCode = `package plain

func Sum(a, b, c float64) float64 { return float64(a*b) + c }
`
)

// written writes code to a file.
func written(t *testing.T, code string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "code.go")
	if err := os.WriteFile(file, []byte(code), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestFusedSumsAreFound(t *testing.T) {
	found, err := scanAll(t.Context(), written(t, fusedCode))
	if err != nil {
		t.Fatal(err)
	}
	for _, target := range targets {
		for _, function := range []string{"Sum", "Difference", "Single"} {
			seen := slices.ContainsFunc(found, func(f finding) bool {
				return f.target == target.name && strings.HasSuffix(f.function, "."+function) && strings.Contains(f.position, "code.go:")
			})
			// Single precision and differences are fused on arm64 only, as far
			// as the compiler has gone for amd64.
			if !seen && (target.name == "arm64" || function == "Sum") {
				t.Errorf("%s: nothing found in %s; all found: %v", target.name, function, found)
			}
		}
	}
}

func TestRoundedSumsAreNot(t *testing.T) {
	if found, err := scanAll(t.Context(), written(t, plainCode)); err != nil || len(found) != 0 {
		t.Errorf("got %v, %v", found, err)
	}
}

func TestAnEmptyAnswerIsNeverForNothing(t *testing.T) {
	for _, packages := range [][]string{nil, {"./testdata/absent"}, {"errors/absent"}} {
		if found, err := scanAll(t.Context(), packages...); err == nil {
			t.Errorf("%v: got %v and no error", packages, found)
		}
	}
}

// finding is one fused instruction.
type finding struct {
	target      string // "arm64" or "amd64 v3"
	function    string // import path and name
	position    string // file:line
	instruction string // as the compiler lists it, such as "FMADDD F0, F1, F2, F3"
}

func (f finding) String() string {
	return fmt.Sprintf("%s: %s in %s for %s: write float64(x*y) wherever a product enters a sum",
		f.position, f.instruction, f.function, f.target)
}

type target struct {
	name string
	env  []string
}

// Both compilers fuse by themselves: the first always, the second from
// GOAMD64=v3 on.
var targets = []target{
	{"arm64", []string{"GOOS=linux", "GOARCH=arm64"}},
	{"amd64 v3", []string{"GOOS=linux", "GOARCH=amd64", "GOAMD64=v3"}},
}

var (
	// "path.Function STEXT size=…" opens a function.
	opening = regexp.MustCompile(`^(\S+) STEXT\b`)
	// "0x0010 00016 (file.go:12)	FMADDD	F0, F1, F2, F3"
	listed = regexp.MustCompile(`^\s+0x[0-9a-f]+ \d+ \((.*)\)\t(\S+)\t?(.*)$`)
	fused  = regexp.MustCompile(`^(FN?M(ADD|SUB)[SD]|VFN?M(ADD|SUB)\S*|VFMLA|VFMLS)$`)
)

// scanAll returns every fused instruction in the packages and their tests, and not in
// what they import. An error tells that a package did not compile, or that the listing held
// no code, so that an empty answer always means that code was read.
func scanAll(ctx context.Context, packages ...string) ([]finding, error) {
	if len(packages) == 0 {
		return nil, fmt.Errorf("no packages given: name at least one")
	}
	var all []finding
	for _, t := range targets {
		for _, pkg := range packages {
			found, err := scan(ctx, t, pkg)
			if err != nil {
				return nil, err
			}
			all = append(all, found...)
		}
	}
	return all, nil
}

func scan(ctx context.Context, t target, pkg string) ([]finding, error) {
	cmd := exec.CommandContext(ctx, "go", "list", "-export", "-test", "-gcflags=-S", pkg)
	cmd.Env = append(append(os.Environ(), "CGO_ENABLED=0"), t.env...)
	out, err := cmd.CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("compile %s for %s: %w\n%s", pkg, t.name, err, tail(out))
	}
	found, functions, err := read(t.name, out)
	if err != nil {
		return nil, fmt.Errorf("%s for %s: %w", pkg, t.name, err)
	}
	if functions == 0 {
		return nil, fmt.Errorf("%s for %s: the compiler listed no function: name a package with code", pkg, t.name)
	}
	return found, nil
}

func tail(out []byte) []byte {
	const most = 2000
	if len(out) > most {
		return out[len(out)-most:]
	}
	return out
}

// read goes through a compiler's listing and counts its functions.
func read(target string, listing []byte) (found []finding, functions int, err error) {
	function := ""
	lines := bufio.NewScanner(bytes.NewReader(listing))
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		line := lines.Text()
		if m := opening.FindStringSubmatch(line); m != nil {
			function = m[1]
			functions++
			continue
		}
		if m := listed.FindStringSubmatch(line); m != nil && fused.MatchString(m[2]) {
			found = append(found, finding{target, function, m[1], strings.TrimSpace(m[2] + " " + m[3])})
		}
	}
	return found, functions, lines.Err()
}
