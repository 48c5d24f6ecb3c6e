package summary_test

import (
	"flag"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/summary/summarytest"
	"meterwright/record"
)

var update = flag.Bool("update", false, "write the golden files anew")

func events(t testing.TB, v *summarytest.Visit) []record.Event {
	t.Helper()
	var list []record.Event
	for _, l := range v.Lines {
		e, err := record.Decode(l)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, e)
	}
	return list
}

func each(list []record.Event) iter.Seq2[record.Event, error] {
	return func(yield func(record.Event, error) bool) {
		for _, e := range list {
			if !yield(e, nil) {
				return
			}
		}
	}
}

// TestProject holds what a list shows of each invented visit by a golden file, reviewed by eye.
func TestProject(t *testing.T) {
	var b strings.Builder
	var p summary.Projector
	for _, name := range summarytest.Names() {
		v, err := summarytest.Make(name)
		if err != nil {
			t.Fatal(err)
		}
		row, err := p.Project(v.ID, each(events(t, v)))
		if err != nil {
			t.Fatal(err)
		}
		d := summary.Read(row)
		fmt.Fprintf(&b, "%s: %s %s, %s, %s by %s, opened %s, last %s, stop %q, outcome %q, off %s, discrepancies %d, needs somebody %v\n", name, row.Nature, row.Job,
			row.Address, row.State, row.Person, row.Opened.Format("15:04:05"), row.Last.Format("15:04:05"), row.Stop, row.Outcome, row.SupplyOffSince.Format("15:04"), row.Discrepancies, row.NeedsAttention)
		fmt.Fprintf(&b, "  %s · %s\n  standing: %s\n", d.Phase, d.Say, d.Standing)
		for _, c := range d.Cells {
			fmt.Fprintf(&b, "  [%s]", c.State)
		}
		fmt.Fprintf(&b, "\n  readings %d, without two good provings %d, refusals %d, in spite %d, left out %d\n", d.Readings, d.Open, d.Refusals, d.InSpite, d.LeftOut)
		for _, r := range d.Reasons {
			fmt.Fprintf(&b, "  reason %s %v: %s\n", r.At.Format("15:04"), r.Danger, r.Words)
		}
		for _, x := range d.Defects {
			fmt.Fprintf(&b, "  %s for the %s: %s %s %s, told %q, restricted %v\n", x.From, x.Owner, x.Words, x.Scheme, x.Category, x.Told, x.Restricted)
		}
		for _, x := range d.Tools {
			fmt.Fprintf(&b, "  %s %s due %s: %d readings, %d void, %d not closed\n", x.Kind, x.ID, x.Due, x.Readings, x.Void, x.Unclosed)
		}
	}
	golden(t, "project.txt", b.String())
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("%s differs (-want +got):\n%s", name, diff)
	}
}

// TestHandOver: chains that come in any order are read in the order in which they happened.
func TestHandOver(t *testing.T) {
	v, err := summarytest.Make("relay")
	if err != nil {
		t.Fatal(err)
	}
	list := events(t, v)
	chains := map[record.Key][]record.Event{}
	var keys []record.Key
	for _, e := range list {
		if chains[e.Key] == nil {
			keys = append(keys, e.Key)
		}
		chains[e.Key] = append(chains[e.Key], e)
	}
	if len(keys) < 2 {
		t.Fatalf("%d chains", len(keys))
	}
	var r summary.Reader
	want, err := r.Read(list)
	if err != nil {
		t.Fatal(err)
	}
	var other []record.Event
	for i := len(keys) - 1; i >= 0; i-- {
		other = append(other, chains[keys[i]]...)
	}
	got, err := r.Read(other)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want.Visit.Account().Story, got.Visit.Account().Story); diff != "" {
		t.Errorf("the story depends on the order of the chains:\n%s", diff)
	}
	if len(got.Visit.Account().Discrepancies) > 0 || len(got.People) != 2 || len(got.Chains) != 2 {
		t.Errorf("%+v, people %v, chains %d", got.Visit.Account().Discrepancies, got.People, len(got.Chains))
	}
}

// TestFork: of a forked chain one version is read, and the others are counted.
func TestFork(t *testing.T) {
	v, err := summarytest.Make("off")
	if err != nil {
		t.Fatal(err)
	}
	list := events(t, v)
	bent := list[3]
	bent.Prev[0] ^= 1
	var r summary.Reader
	c, err := r.Read(append(list[:3:3], append([]record.Event{bent}, list[3:]...)...))
	if err != nil || c.Aside != 1 || c.Chains[0].Lines != len(list) {
		t.Errorf("aside %d, lines %d, %v", c.Aside, c.Chains[0].Lines, err)
	}
}

// TestParts: any beginning of a record gives a summary and never a panic.
func TestParts(t *testing.T) {
	v, err := summarytest.Make("void")
	if err != nil {
		t.Fatal(err)
	}
	list := events(t, v)
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
	if err != nil || row.State != store.UnreadableState || !row.NeedsAttention || summary.Read(row).Error == "" {
		t.Errorf("%s %v %v", row.State, row.NeedsAttention, err)
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
	for _, name := range summarytest.Names() {
		v, err := summarytest.Make(name)
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
		want, err := p.Project(v.ID, each(events(t, v)))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(summary.Read(want), summary.Read(got)); diff != "" || got.State != want.State {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

func BenchmarkProject(b *testing.B) {
	v, err := summarytest.Make("whole")
	if err != nil {
		b.Fatal(err)
	}
	list := events(b, v)
	var p summary.Projector
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Project(v.ID, each(list)); err != nil {
			b.Fatal(err)
		}
	}
}
