package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"meterwright/internal/test/golden"
)

const examples = "../../examples/visits"

// TestStories compares what each example tells with what was reviewed.
func TestStories(t *testing.T) {
	folders, err := filepath.Glob(filepath.Join(examples, "*", "script.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if len(folders) < 14 {
		t.Fatalf("%d examples, want at least 14", len(folders))
	}
	for _, script := range folders {
		dir := filepath.Dir(script)
		t.Run(filepath.Base(dir), func(t *testing.T) {
			t.Parallel()
			var out, errs bytes.Buffer
			record := filepath.Join(t.TempDir(), "record.jsonl")
			code := run(&streams{ctx: t.Context(), out: &out, err: &errs}, []string{"visit", "run", "--job", filepath.Join(dir, "job.yaml"), "--script", script, "--out", record})
			if code != exitGood {
				t.Fatalf("exit %d: %s", code, errs.String())
			}
			story, _, ok := strings.Cut(out.String(), "\nRecord: ")
			if !ok {
				t.Fatal("the output names no record")
			}
			check(t, record, story)
			golden.Check(t, filepath.Join(dir, "story.txt"), story)
		})
	}
}

// check asks that the record of an example is genuine, tells the same when it is folded again,
// and that the words keep to the rules of this program.
func check(t *testing.T, record, story string) {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(&streams{ctx: t.Context(), out: &out, err: &errs}, []string{"record", "verify", record}); code != exitGood {
		t.Errorf("record verify: exit %d: %s%s", code, out.String(), errs.String())
	}
	out.Reset()
	if code := run(&streams{ctx: t.Context(), out: &out, err: &errs}, []string{"visit", "replay", record}); code != exitGood {
		t.Errorf("visit replay: exit %d: %s", code, errs.String())
	}
	from := func(s string) string {
		_, after, ok := strings.Cut(s, "\nPROOFS\n")
		if !ok {
			t.Fatal("the text has no proofs")
		}
		proofs, _, _ := strings.Cut(after, "\n\n")
		return proofs
	}
	if diff := cmp.Diff(from(story), from(out.String())); diff != "" {
		t.Errorf("the record folded again tells otherwise:\n%s", diff)
	}
	for _, text := range []string{story, out.String()} {
		if !strings.Contains(text, "it authorises nobody") {
			t.Error("the caution is missing")
		}
		for _, word := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r < 'a' || r > 'z' }) {
			if word == "safe" || word == "safely" {
				t.Errorf("the text says %q", word)
			}
		}
	}
}

// TestExamplesRepeat asks that two runs give the same bytes.
func TestExamplesRepeat(t *testing.T) {
	dir := filepath.Join(examples, "handed-over")
	var records [2][]byte
	for i := range records {
		var out, errs bytes.Buffer
		record := filepath.Join(t.TempDir(), "record.jsonl")
		if code := run(&streams{ctx: t.Context(), out: &out, err: &errs}, []string{"visit", "run", "--job", filepath.Join(dir, "job.yaml"), "--script", filepath.Join(dir, "script.yaml"), "--out", record}); code != exitGood {
			t.Fatalf("exit %d: %s", code, errs.String())
		}
		b, err := os.ReadFile(record)
		if err != nil {
			t.Fatal(err)
		}
		records[i] = b
	}
	if !bytes.Equal(records[0], records[1]) {
		t.Error("two runs of one script gave two records")
	}
}

// TestInterrupt asks that a script which is broken off leaves a genuine record.
func TestInterrupt(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := filepath.Join(examples, "completed-tt")
	record := filepath.Join(t.TempDir(), "record.jsonl")
	var out, errs bytes.Buffer
	if code := run(&streams{ctx: ctx, out: &out, err: &errs}, []string{"visit", "run", "--job", filepath.Join(dir, "job.yaml"), "--script", filepath.Join(dir, "script.yaml"), "--out", record}); code != exitBad {
		t.Errorf("exit %d, want %d: %s", code, exitBad, errs.String())
	}
	out.Reset()
	if code := run(&streams{ctx: t.Context(), out: &out, err: &errs}, []string{"record", "verify", record}); code != exitUnread && code != exitUndecided {
		t.Errorf("record verify: exit %d: %s", code, out.String())
	}
}
