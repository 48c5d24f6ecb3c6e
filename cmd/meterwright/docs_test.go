package main

import (
	"os"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"meterwright/internal/jobs/jobfile"
)

// TestDocumented holds docs/commands.md to the commands and to the columns of jobs.
func TestDocumented(t *testing.T) {
	b, err := os.ReadFile("../../docs/commands.md")
	if err != nil {
		t.Fatal(err)
	}
	doc := string(b)
	var c commands
	parser, err := kong.New(&c, kong.Name("meterwright"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, leaf := range parser.Model.Leaves(true) {
		n++
		path := strings.Fields(leaf.FullPath())
		if want := strings.Join(path[:min(len(path), 3)], " "); !strings.Contains(doc, "`"+want) {
			t.Errorf("docs/commands.md does not name %q", want)
		}
		if leaf.Help == "" {
			t.Errorf("%s has no help", leaf.FullPath())
		}
		json := false
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
	if n < 15 {
		t.Errorf("%d commands, want at least 15", n)
	}
	for _, column := range jobfile.Columns() {
		if !strings.Contains(doc, "`"+column+"`") {
			t.Errorf("docs/commands.md does not name the column %s", column)
		}
	}
}
