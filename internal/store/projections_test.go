package store_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

// everything lists all summaries, page by page.
func everything(t rapid.TB, s *store.Store, f store.Filter) []store.Summary {
	t.Helper()
	var all []store.Summary
	for {
		page, err := s.Visits(context.Background(), f)
		must(t, err)
		all = append(all, page.Visits...)
		if page.Next == "" {
			return all
		}
		if len(page.Visits) == 0 {
			t.Fatal("an empty page that is not the last")
		}
		f.After = page.Next
	}
}

// same fails if two listings differ.
func same(t rapid.TB, what string, got, want []store.Summary) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s differs (-want +got):\n%s", what, diff)
	}
}

func (h harness) summaries(t *testing.T) {
	s := h.fresh(t, options())
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Observe(1, "")
	submit(t, s, d.Lines...)
	if _, err := s.Visit(t.Context(), chains.Visit(1)); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a summary before any was made: %v", err)
	}
	for range 2 {
		must(t, s.CatchUp(t.Context()))
	}
	got, err := s.Visit(t.Context(), chains.Visit(1))
	must(t, err)
	first, second := chains.Start, d.Chain
	w := store.Summary{Visit: chains.Visit(1), Nature: record.Real, Job: "J-01", State: "open", Person: "person-7", Opened: first, Last: first.Add(1500 * 1e6),
		Lines: second.Next, Chains: 1, Through: 2, Details: []byte(`{"kinds":"oo","rules":""}`)}
	same(t, "the summary", []store.Summary{got}, []store.Summary{w})
	if _, offset := got.Opened.Zone(); offset != 3600 {
		t.Errorf("the offset of the device's clock is lost: %v", got.Opened)
	}
	if mark, err := s.Mark(t.Context()); mark != 2 || err != nil {
		t.Errorf("mark %d, %v", mark, err)
	}
	d.Add("noted", `{}`).End()
	submit(t, s, d.Lines...)
	must(t, s.CatchUp(t.Context()))
	got, err = s.Visit(t.Context(), chains.Visit(1))
	if err != nil || got.State != "ended" || got.Outcome != "done" || got.Stop != "noted" || !got.SupplyOffSince.Equal(first.Add(3000*1e6)) || got.Through != 4 {
		t.Errorf("%+v, %v", got, err)
	}
}

// follow: the background work comes to the same summaries by itself.
func (h harness) follow(t *testing.T) {
	opts := options()
	opts.Follow = true
	opts.Failed = func(err error) { t.Error(err) }
	s := h.fresh(t, opts)
	for v := range 5 {
		submit(t, s, chains.Whole(t, chains.Visit(v), "one", 5)...)
	}
	if err := s.CatchUp(t.Context()); err != nil { // waits for the work under way, or does it
		t.Fatal(err)
	}
	if all := everything(t, s, store.Filter{State: "ended"}); len(all) != 5 {
		t.Errorf("%d summaries", len(all))
	}
}

// rebuild: the same tables, also from summaries that were damaged by an earlier edition.
func (h harness) rebuild(t *testing.T) {
	dir := t.TempDir()
	wrong := options()
	wrong.Projector = projector{Fail: chains.Visit(3)}
	s := h.again(t, dir, wrong)
	const visits = 300 // more than a portion
	for v := range visits {
		d := chains.NewDevice(t, chains.Visit(v), record.Real, "one").Open()
		if v%7 == 0 {
			d.Add("noted", `{}`)
		}
		submit(t, s, d.Lines...)
	}
	fork := chains.NewDevice(t, chains.Visit(5), record.Real, "one").Add(record.KindOpened, `{"other":1}`)
	submit(t, s, fork.Lines...)
	must(t, s.CatchUp(t.Context()))
	before := everything(t, s, store.Filter{})
	must(t, s.Close())

	s = h.at(t, dir, options()) // the same edition, so nothing is made anew by itself
	same(t, "the listing after opening", everything(t, s, store.Filter{}), before)
	var last store.RebuildProgress
	for range 2 {
		calls := 0
		must(t, s.Rebuild(t.Context(), func(p store.RebuildProgress) { last = p; calls++ }))
		if last != (store.RebuildProgress{Done: visits, Visits: visits}) || calls < 2 {
			t.Errorf("progress ends with %+v after %d calls", last, calls)
		}
	}
	after := everything(t, s, store.Filter{})
	i := slices.IndexFunc(before, func(m store.Summary) bool { return m.Visit == chains.Visit(3) })
	if before[i].State != store.UnreadableState || after[i].State != "open" {
		t.Errorf("visit 3 was %q and is %q", before[i].State, after[i].State)
	}
	before[i] = after[i]
	same(t, "the listing after a rebuild", after, before)

	ctx, cancel := context.WithCancel(t.Context())
	if err := s.Rebuild(ctx, func(store.RebuildProgress) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Errorf("broken off: %v", err)
	}
	same(t, "the listing after a rebuild that was broken off", everything(t, s, store.Filter{}), after)
}

// editions: another projector's rules take effect by themselves.
func (h harness) editions(t *testing.T) {
	dir := t.TempDir()
	for i, rules := range []string{"1", "2", "2"} {
		opts := options()
		opts.Projector = projector{Rules: rules, Lazy: i == 2}
		s := h.again(t, dir, opts)
		submit(t, s, chains.Whole(t, chains.Visit(i), "one", 3)...)
		if mark, err := s.Mark(t.Context()); err != nil || mark != []int64{0, 0, 6}[i] {
			t.Errorf("opened with edition %s: mark %d, %v", rules, mark, err)
		}
		must(t, s.CatchUp(t.Context()))
		for _, m := range everything(t, s, store.Filter{}) {
			if !strings.Contains(string(m.Details), `"rules":"`+rules+`"`) || m.Lines != 3 {
				t.Errorf("edition %s: %+v", rules, m)
			}
		}
		must(t, s.Close())
	}
	s := h.at(t, dir, store.Options{}) // without a projector nothing happens to the summaries
	if err := s.CatchUp(t.Context()); err != nil || len(everything(t, s, store.Filter{})) != 3 {
		t.Errorf("without a projector: %v", err)
	}
	if err := s.Rebuild(t.Context(), nil); err == nil {
		t.Error("a rebuild without a projector does not fail")
	}
}

// unreadable: one visit that the projector does not understand holds up no other.
func (h harness) unreadable(t *testing.T) {
	opts := options()
	opts.Projector = projector{Fail: chains.Visit(1)}
	s := h.fresh(t, opts)
	for v := range 3 {
		submit(t, s, chains.Whole(t, chains.Visit(v), "one", 3)...)
	}
	must(t, s.CatchUp(t.Context()))
	m, err := s.Visit(t.Context(), chains.Visit(1))
	if err != nil || m.State != store.UnreadableState || !strings.Contains(string(m.Details), "cannot make sense") || m.Lines != 3 {
		t.Errorf("%+v, %v", m, err)
	}
	if all := everything(t, s, store.Filter{}); len(all) != 3 {
		t.Errorf("%d summaries", len(all))
	}
	list, _, err := s.Waiting(t.Context(), chains.Start.Add(time.Minute), 0, 10)
	if err != nil || len(list) != 1 || list[0].Visit != chains.Visit(1) || list[0].Open[0] != store.UnreadableState {
		t.Errorf("what cannot be read does not wait for somebody: %+v, %v", list, err)
	}
}

// pages: every filter, and pages of every size, against filtering by hand.
func (h harness) pages(t *testing.T) {
	s := h.fresh(t, options())
	for v := range 24 {
		nature := record.Real
		if v%5 == 0 {
			nature = record.Practice
		}
		d := chains.NewDevice(t, chains.Visit(v), nature, "one").Open()
		if v%2 == 0 {
			d.Add("noted", `{}`)
		}
		if v%3 == 0 {
			d.End()
		}
		submit(t, s, d.Lines...)
	}
	must(t, s.CatchUp(t.Context()))
	all := everything(t, s, store.Filter{})
	if len(all) != 24 || !slices.IsSortedFunc(all, func(a, b store.Summary) int {
		return -2*a.Opened.Compare(b.Opened) - strings.Compare(a.Visit, b.Visit)
	}) {
		t.Fatalf("%d visits, or out of order", len(all))
	}
	filters := []struct {
		f    store.Filter
		fits func(store.Summary) bool
		n    int
	}{
		{store.Filter{Nature: record.Practice}, func(m store.Summary) bool { return m.Nature == record.Practice }, 5},
		{store.Filter{Day: "2026-03-02"}, func(m store.Summary) bool { return true }, 24},
		{store.Filter{Day: "2026-03-01"}, func(m store.Summary) bool { return false }, 0},
		{store.Filter{Person: "person-7"}, func(m store.Summary) bool { return true }, 24},
		{store.Filter{Person: "person-8"}, func(m store.Summary) bool { return false }, 0},
		{store.Filter{State: "ended"}, func(m store.Summary) bool { return m.State == "ended" }, 8},
		{store.Filter{Job: "J-0c"}, func(m store.Summary) bool { return m.Job == "J-0c" }, 1},
		{store.Filter{State: "open", Nature: record.Real, Person: "person-7", Day: "2026-03-02"},
			func(m store.Summary) bool { return m.State == "open" && m.Nature == record.Real }, 13},
	}
	for _, c := range filters {
		w := slices.Clone(all)
		w = slices.DeleteFunc(w, func(m store.Summary) bool { return !c.fits(m) })
		if len(w) != c.n {
			t.Errorf("%+v: %d visits by hand, want %d", c.f, len(w), c.n)
		}
		for _, limit := range []int{0, 1, 2, 5, 12, 24} {
			c.f.Limit = limit
			got := everything(t, s, c.f)
			if len(w) == 0 {
				w = nil
			}
			same(t, fmt.Sprintf("%+v", c.f), got, w)
		}
	}
	for _, bad := range []string{"x", "1", ".", "x.y"} {
		if _, err := s.Visits(t.Context(), store.Filter{After: bad}); err == nil {
			t.Errorf("the mark %q is taken", bad)
		}
	}
}

// universe is all lines that the property test draws from.
func universe(t *testing.T) [][]byte {
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Observe(3, "a").End().Add(record.KindSupplement, `{}`)
	fork := d.From(2).Observe(2, "b").End()
	forkOfFork := fork.From(3).Observe(2, "c")
	two := chains.NewDevice(t, chains.Visit(1), record.Real, "two").Add(record.KindTakenOver, takenOver(d)).Observe(2, "")
	lines := slices.Concat(d.Lines, fork.Lines, forkOfFork.Lines, two.Lines)
	lines = append(lines, d.From(5).Break().Observe(2, "after the end").Lines...)
	lines = append(lines, d.From(3).Break().Add(record.KindSupplement, `{"too":"soon"}`).Break().Observe(1, "then").Lines...)
	lines = append(lines, chains.NewDevice(t, chains.Visit(1), record.Practice, "three").Open().Observe(1, "").Lines...)
	lines = append(lines, chains.NewDevice(t, chains.Visit(2), record.Real, "one").Open().Observe(2, "").Lines...)
	lines = append(lines, chains.NewDevice(t, chains.Visit(2), record.Real, "four").Open().End().Lines...)
	return append(lines, altered(d.Lines[1]), []byte("{}"), d.Lines[2][:40])
}

// model: any batches against the store in model.go, with the store closed and opened again in
// between.
func (h harness) model(t *testing.T) {
	lines := universe(t)
	rounds := 1
	if soak() {
		rounds = 20
	}
	for range rounds {
		rapid.Check(t, func(r *rapid.T) { h.modelRun(t, r, lines) })
	}
}

func (h harness) modelRun(t *testing.T, r *rapid.T, lines [][]byte) {
	ctx := t.Context()
	dir := t.TempDir()
	s, err := h.open(ctx, dir, options())
	must(r, err)
	defer func() {
		if err := s.Close(); err != nil {
			r.Error(err)
		}
	}()
	m := newModel()
	last := int64(0)
	for range rapid.IntRange(1, 8).Draw(r, "batches") {
		if rapid.IntRange(0, 7).Draw(r, "open again") == 0 {
			must(r, s.Close())
			if s, err = h.open(ctx, dir, options()); err != nil {
				r.Fatal(err)
			}
		}
		var batch [][]byte
		for _, i := range rapid.SliceOfN(rapid.IntRange(0, len(lines)-1), 0, 16).Draw(r, "lines") {
			batch = append(batch, lines[i])
		}
		answers := m.submit(batch)
		receipts, err := s.Submit(ctx, batch)
		must(r, err)
		for i, got := range receipts {
			if w := answers[i]; got.Status != w.status || got.Reason != w.reason || got.Again != w.again {
				r.Fatalf("line %d: %+v, want %+v", i, got, w)
			}
		}
		if n, err := s.LastNumber(ctx); err != nil || n != int64(len(m.accepted)) || n < last {
			r.Fatalf("%d numbers were given out, %v; the model has %d lines", n, err, len(m.accepted))
		} else {
			last = n
		}
	}
	h.compare(r, s, m)
}

// compare looks at all that the store holds.
func (h harness) compare(r *rapid.T, s *store.Store, m *model) {
	ctx := context.Background()
	number := map[record.Hash]int64{}
	accepted, err := s.Accepted(ctx, 0, 1000)
	must(r, err)
	for i, l := range accepted {
		e, ok := m.accepted[l.Hash]
		if !ok || l.Number != int64(i+1) || l.Seq != e.Seq || l.Key != e.Key || l.Visit != e.Visit {
			r.Fatalf("accepted line %d is %+v", i+1, l)
		}
		if e.Seq > 0 && number[e.Prev] == 0 {
			r.Fatalf("line %d is accepted before the line before it", i+1)
		}
		number[l.Hash] = l.Number
	}
	if len(number) != len(m.accepted) {
		r.Fatalf("%d lines are accepted, want %d", len(number), len(m.accepted))
	}
	count := 0
	for _, v := range []string{chains.Visit(1), chains.Visit(2)} {
		holds, err := s.Holds(ctx, v)
		must(r, err)
		versions := map[record.Key]int{}
		for _, held := range holds {
			versions[held.Key]++
			tip, ok := m.accepted[held.Head]
			if !ok || tip.Seq != held.Next-1 || tip.Key != held.Key || m.ended(tip) != held.Ended {
				r.Fatalf("it holds %+v", held)
			}
		}
		for key, n := range versions {
			if w := m.leaves(v, key); n != w {
				r.Fatalf("%d versions, want %d", n, w)
			}
		}
		for l, err := range s.Lines(ctx, v) {
			if err != nil || number[l.Hash] != l.Number {
				r.Fatalf("%+v, %v", l, err)
			}
			count++
		}
	}
	report, err := s.Audit(ctx)
	must(r, err)
	if count != len(number) || report.Waiting != int64(len(m.waiting)) {
		r.Fatalf("%d lines by visit; %+v, but %d should wait", count, report, len(m.waiting))
	}
	must(r, s.CatchUp(ctx))
	before := everything(r, s, store.Filter{})
	must(r, s.Rebuild(ctx, nil))
	same(r, "after a rebuild the listing", everything(r, s, store.Filter{}), before)
}
