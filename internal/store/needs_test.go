package store_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

// waits lists what waits, one visit a line: its number and the kinds of its needs.
func waits(t *testing.T, s *store.Store, at time.Time) string {
	t.Helper()
	list, all, err := s.Waiting(t.Context(), at, 0, 100)
	if err != nil || all != len(list) {
		t.Fatalf("%d of %d, %v", len(list), all, err)
	}
	var text []string
	for _, w := range list {
		line := w.Visit[len(w.Visit)-1:]
		for _, key := range w.Open {
			kind, _, _ := strings.Cut(key, "/")
			line += " " + kind
		}
		text = append(text, line)
	}
	return strings.Join(text, "; ")
}

// needs: what a visit needs waits until a person took it, whatever time passes; what is taken stays
// taken, and a new need waits anew.
func (h harness) needs(t *testing.T) {
	dir := t.TempDir()
	s, err := h.open(t.Context(), dir, options())
	if err != nil {
		t.Fatal(err)
	}
	hand := func(lines [][]byte) {
		t.Helper()
		submit(t, s, lines...)
		if err := s.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	hold := func(what, want string, at time.Time) {
		t.Helper()
		if got := waits(t, s, at); got != want {
			t.Errorf("%s: %q waits, want %q", what, got, want)
		}
	}
	one := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Add("noted", `{}`)
	two := chains.NewDevice(t, chains.Visit(2), record.Real, "two").Open().Observe(2, "").Add("defect", `{}`)
	three := chains.NewDevice(t, chains.Visit(3), record.Real, "three").Open().Observe(3, "").Add("defect", `{}`).Add("noted", `{}`)
	hand(slices.Concat(three.Lines, one.Lines, two.Lines))
	soon, late := chains.Start.Add(time.Minute), chains.Start.Add(40*24*time.Hour)
	hold("dangers first, then the oldest", "2 defect; 3 defect noted; 1 noted", soon)
	hold("40 days later", "2 defect silent; 3 defect noted silent; 1 noted silent", late)
	if list, all, err := s.Waiting(t.Context(), soon, 1, 1); err != nil || all != 3 || len(list) != 1 || list[0].Visit != chains.Visit(3) || list[0].Job != "J-03" {
		t.Errorf("the second page is %+v of %d, %v", list, all, err)
	}

	keys, err := s.Open(t.Context(), chains.Visit(3), soon)
	if err != nil || len(keys) != 2 {
		t.Fatalf("%v, %v", keys, err)
	}
	took := func(person, words string, keys ...string) (int, error) {
		var list []store.Taking
		for _, k := range keys {
			list = append(list, store.Taking{Visit: chains.Visit(3), Need: k, What: []byte(`{"code":"x"}`), Person: person, Words: words})
		}
		return s.Take(t.Context(), soon, list...)
	}
	if _, err := took("nobody", "rung", keys[0]); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("taken by somebody unknown: %v", err)
	}
	must(t, s.PutPerson(t.Context(), "p-1", "One"))
	if _, err := took("p-1", "", keys[0]); err == nil {
		t.Error("taken without a word")
	}
	must(t, s.PutPerson(t.Context(), "p-2", "Two"))
	must(t, s.WithdrawPerson(t.Context(), "p-2"))
	if _, err := took("p-2", "rung", keys[0]); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("taken by somebody withdrawn: %v", err)
	}
	hold("after what was refused", "2 defect; 3 defect noted; 1 noted", soon)
	if n, err := took("p-1", "rung", keys[0], "none/such"); n != 1 || err != nil {
		t.Errorf("took %d, %v", n, err)
	}
	if n, err := took("p-1", "again", keys[0]); n != 0 || err != nil {
		t.Errorf("took %d twice, %v", n, err)
	}
	hold("after taking", "2 defect; 1 noted; 3 noted", soon)

	// A new danger waits, whatever was taken before; nothing that was taken comes back.
	hand(three.Add("defect", `{"other":1}`).Lines)
	hold("a new danger", "2 defect; 3 noted defect; 1 noted", soon)
	for range 2 {
		if err := s.Rebuild(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		hold("a rebuild", "2 defect; 3 noted defect; 1 noted", soon)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	opts := options()
	opts.Projector = projector{Rules: "other"}
	s = h.at(t, dir, opts)
	if err := s.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	hold("another edition", "2 defect; 3 noted defect; 1 noted", soon)
	list, err := s.Taken(t.Context(), "", 10)
	if err != nil || len(list) != 1 || list[0].Visit != chains.Visit(3) || list[0].Need != keys[0] || list[0].Person != "p-1" || list[0].Words != "rung" || !list[0].At.Equal(soon) || string(list[0].What) != `{"code":"x"}` {
		t.Errorf("taken: %+v, %v", list, err)
	}
	if list, err := s.Taken(t.Context(), chains.Visit(1), 10); err != nil || len(list) > 0 {
		t.Errorf("of another visit: %+v, %v", list, err)
	}
}

// needsOverEverything: the oldest stands first, however many visits came after it.
func (h harness) needsOverEverything(t *testing.T) {
	s := h.fresh(t, options())
	old := chains.NewDevice(t, chains.Visit(0), record.Real, "old").Open().Add("defect", `{}`)
	submit(t, s, old.Lines...)
	for v := range 260 {
		d := chains.NewDevice(t, chains.Visit(v+1), record.Real, fmt.Sprint(v)).Open()
		if v%2 == 0 {
			d.Observe(1, "").Add("defect", `{}`)
		}
		submit(t, s, d.Lines...)
	}
	if err := s.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	list, all, err := s.Waiting(t.Context(), chains.Start.Add(time.Minute), 0, 1)
	if err != nil || all != 131 || len(list) != 1 || list[0].Visit != chains.Visit(0) {
		t.Errorf("%+v of %d, %v", list, all, err)
	}
}
