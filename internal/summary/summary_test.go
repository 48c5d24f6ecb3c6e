package summary_test

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/test/golden"
	"meterwright/internal/test/invented"
	"meterwright/record"
)

func each(list []record.Event) iter.Seq2[record.Event, error] {
	return func(yield func(record.Event, error) bool) {
		for _, e := range list {
			if !yield(e, nil) {
				return
			}
		}
	}
}

// TestProject holds what is kept of each invented visit by a golden file, reviewed by eye.
func TestProject(t *testing.T) {
	var b strings.Builder
	var p summary.Projector
	for _, name := range invented.Names() {
		v, err := invented.Make(name)
		if err != nil {
			t.Fatal(err)
		}
		row, err := p.Project(v.ID, each(v.Events()))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s: %s %s, %s, %s by %s, opened %s, last %s, stop %q, outcome %q, off %s, discrepancies %d\n", name, row.Nature, row.Job,
			row.Address, row.State, row.Person, row.Opened.Format("15:04:05"), row.Last.Format("15:04:05"), row.Stop, row.Outcome, row.SupplyOffSince.Format("15:04"), row.Discrepancies)
		for _, n := range row.Needs {
			kind, _, _ := strings.Cut(n.Key, "/")
			fmt.Fprintf(&b, "  needs %s since %s, wakes %s, danger %v\n", kind, n.Since.Format("15:04"), n.Wakes.Format("15:04"), n.Danger)
		}
		var details map[string]jsontext.Value
		if err := json.Unmarshal(row.Details, &details); err != nil {
			t.Fatal(err)
		}
		for _, k := range slices.Sorted(maps.Keys(details)) {
			fmt.Fprintf(&b, "  %s: %s\n", k, hash.ReplaceAllString(string(details[k]), `"…"`))
		}
	}
	golden.Check(t, filepath.Join("testdata", "project.txt"), b.String())
}

// hash finds what is different with every change of a method.
var hash = regexp.MustCompile(`"(sha256:)?[0-9a-f]{64}"`)

// TestParts: any beginning of a record gives a summary and never a panic.
func TestParts(t *testing.T) {
	v, err := invented.Make("void")
	if err != nil {
		t.Fatal(err)
	}
	list := v.Events()
	var p summary.Projector
	step := 7
	if os.Getenv("MW_SOAK") == "1" {
		step = 1
	}
	for n := 0; n <= len(list); n += step {
		row, err := p.Project(v.ID, each(list[:n]))
		if err != nil {
			t.Fatalf("%d lines: %v", n, err)
		}
		if n > 2 && row.State == store.UnreadableState {
			t.Errorf("%d lines: %s", n, summary.Read(row).Error)
		}
	}
	// Without the line that carries the method nothing can be folded, and the row says so.
	row, err := p.Project(v.ID, each(append(list[:1:1], list[2:]...)))
	if err != nil || row.State != store.UnreadableState || !slices.ContainsFunc(row.Needs, func(n store.Need) bool { return n.Danger }) || summary.Read(row).Error == "" {
		t.Errorf("%s %v %v", row.State, row.Needs, err)
	}
}

// TestStore: a store makes the same summaries, through the driver.
func TestStore(t *testing.T) {
	p := &summary.Projector{}
	s, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{Projector: p})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, name := range invented.Names() {
		v, err := invented.Make(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Submit(t.Context(), v.Lines); err != nil {
			t.Fatal(err)
		}
		if err := s.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		got, err := s.Visit(t.Context(), v.ID)
		if err != nil {
			t.Fatal(err)
		}
		want, err := p.Project(v.ID, each(v.Events()))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want.Details), string(got.Details)); diff != "" || got.State != want.State {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

func BenchmarkProject(b *testing.B) {
	v, err := invented.Make("whole")
	if err != nil {
		b.Fatal(err)
	}
	list := v.Events()
	var p summary.Projector
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Project(v.ID, each(list)); err != nil {
			b.Fatal(err)
		}
	}
}
