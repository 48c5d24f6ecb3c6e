package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/test/golden"
)

const (
	commandsPage = "../../docs/commands.md"
	madeBegin    = "<!-- from the program's own help: go test ./cmd/meterwright -run TestDocumented -update -->\n"
	madeEnd      = "<!-- end -->\n"
)

// leaves lists every command, those for the shells alone included.
func leaves(t *testing.T) []*kong.Node {
	t.Helper()
	p, err := parser(&commands{})
	if err != nil {
		t.Fatal(err)
	}
	return p.Model.Leaves(false)
}

// page is the part of docs/commands.md that is made from the command line: every command with its
// flags and exit codes.
func page(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	for _, leaf := range leaves(t) {
		if leaf.Hidden {
			continue
		}
		line, _, _ := strings.Cut(leaf.Summary(), " [flags]")
		fmt.Fprintf(&b, "### `meterwright %s`\n\n%s\n\n", line, leaf.Help)
		for _, a := range leaf.Positional {
			fmt.Fprintf(&b, "- `%s` %s\n", a.Summary(), a.Help)
		}
		for _, f := range leaf.Flags {
			fmt.Fprintf(&b, "- `%s` %s\n", strings.TrimSpace(f.String()), f.Help)
		}
		b.WriteString("\n| exit | means |\n|---|---|\n")
		for _, e := range exitsOf(leaf) {
			fmt.Fprintf(&b, "| %d | %s |\n", e.code, e.means)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// TestDocumented holds docs/commands.md to the commands, flags, exit codes and columns of jobs.
func TestDocumented(t *testing.T) {
	b, err := os.ReadFile(commandsPage)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(b), madeBegin)
	made, after, ends := strings.Cut(rest, madeEnd)
	if !ok || !ends {
		t.Fatalf("%s has no place for the commands", commandsPage)
	}
	want := page(t)
	if golden.Update() {
		made = want
		if err := os.WriteFile(commandsPage, []byte(before+madeBegin+made+madeEnd+after), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if made != want {
		t.Errorf("%s differs from the program's own help: run this test with -update", commandsPage)
	}
	for _, column := range jobfile.Columns() {
		if !strings.Contains(before+after, "`"+column+"`") {
			t.Errorf("%s does not name the column %s", commandsPage, column)
		}
	}
	for _, leaf := range leaves(t) {
		if leaf.Help == "" {
			t.Errorf("%s has no help", leaf.FullPath())
		}
		json := leaf.Hidden
		for _, f := range leaf.Flags {
			json = json || f.Name == "json"
			if f.Help == "" {
				t.Errorf("%s: --%s has no help", leaf.FullPath(), f.Name)
			}
		}
		if !json {
			t.Errorf("%s has no --json", leaf.FullPath())
		}
	}
}

// TestExitCodes asks that the scripts show every exit code of every command, and no other.
func TestExitCodes(t *testing.T) {
	shown := map[string]map[int]bool{}
	for _, leaf := range leaves(t) {
		shown[leaf.Path()] = map[int]bool{}
	}
	scripts, err := filepath.Glob("testdata/script/*.txtar")
	if err != nil || len(scripts) == 0 {
		t.Fatalf("%d scripts, %v", len(scripts), err)
	}
	for _, name := range scripts {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(string(b), "\n") {
			words := strings.Fields(line)
			if len(words) > 0 && strings.HasPrefix(words[0], "[") {
				words = words[1:]
			}
			if len(words) < 2 {
				continue
			}
			code, args := 0, words[1:]
			switch words[0] {
			case "full":
				code = exitUnread
			case "interrupted":
			case "exit":
				if code, err = strconv.Atoi(words[1]); err != nil {
					t.Fatalf("%s: %s", name, line)
				}
				args = words[2:]
			default:
				continue
			}
			for n := range min(len(args), 2) {
				if codes, ok := shown[strings.Join(args[:n+1], " ")]; ok && !slices.Contains(args, "--help") {
					codes[code] = true
				}
			}
		}
	}
	for _, leaf := range leaves(t) {
		want := map[int]bool{}
		for _, e := range exitsOf(leaf) {
			want[e.code] = true
		}
		if got := shown[leaf.Path()]; !maps.Equal(got, want) {
			t.Errorf("%s: the scripts show exit codes %v, documented are %v", leaf.Path(), slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(want)))
		}
	}
}
