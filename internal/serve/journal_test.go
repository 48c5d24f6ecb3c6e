package serve

import (
	"errors"
	"slices"
	"testing"
	"time"

	"meterwright/internal/devicekey"
	"meterwright/internal/field"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/test/chains"
	"meterwright/record"
	"meterwright/rules"
)

// TestJournalTakesOneChain: a line that forks its chain, waits or breaks a rule is an error for who
// appended it, and the field goes on from the version that came first.
func TestJournalTakesOneChain(t *testing.T) {
	st, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	j, err := newJournal(st, rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Observe(3, "first")
	for range 2 { // as after a lost answer
		if err := j.submit(t.Context(), chains.Visit(1), "J-1", d.Lines); err != nil {
			t.Fatal(err)
		}
	}
	for name, lines := range map[string][][]byte{
		"a fork":              d.From(2).Observe(1, "second").Lines,
		"another beginning":   chains.NewDevice(t, chains.Visit(1), record.Real, "one").Add(record.KindOpened, `{"job":"J-2"}`).Lines,
		"a line that waits":   d.From(4).Observe(2, "later").Lines[1:],
		"a line out of place": d.From(4).Break().Add(record.KindSupplement, `{}`).Lines,
	} {
		if err := j.submit(t.Context(), chains.Visit(1), "J-1", lines); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	got, err := j.Lines(t.Context(), chains.Visit(1), 0)
	// Both versions of a chain are kept and shown, each after what was there before.
	if n := len(d.Lines); err != nil || len(got) != n+2 || !slices.EqualFunc(got[:n], d.Lines, slices.Equal) {
		t.Errorf("the visit has %d lines, %v", len(got), err)
	}
}

// TestJournalKeepsApart: what the store says of attachments reaches the field as what it branches on.
func TestJournalKeepsApart(t *testing.T) {
	for err, want := range map[error]error{store.ErrFull: field.ErrFull, store.ErrNotFound: field.ErrNotFound, store.ErrErased: field.ErrNotFound} {
		if got := asField(err); !errors.Is(got, want) || !errors.Is(got, err) {
			t.Errorf("%v became %v", err, got)
		}
	}
	if got := asField(store.ErrDamaged); errors.Is(got, field.ErrFull) || errors.Is(got, field.ErrNotFound) {
		t.Errorf("%v", got)
	}
}

// TestJournalKeepsWhatWasSignedHere: a line that was signed here reaches the disk as it is, once, and not
// where another stands in its place.
func TestJournalKeepsWhatWasSignedHere(t *testing.T) {
	st, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	j, err := newJournal(st, rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	signer := devicekey.Demonstration("journal-test", "one")
	key, err := record.KeyOf(signer.Public())
	if err != nil {
		t.Fatal(err)
	}
	chain, err := record.NewChain(chains.Visit(1), record.Practice, key)
	if err != nil {
		t.Fatal(err)
	}
	sign := func(c record.Chain, kind, body string) (record.Chain, record.Signed) {
		next, line, err := c.Sign(t.Context(), signer, record.Draft{Kind: kind, Person: "op-1", Body: []byte(body), Wall: time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC), Boot: "b"})
		if err != nil {
			t.Fatal(err)
		}
		return next, line
	}
	first, opened := sign(chain, record.KindOpened, `{"job":"J-1"}`)
	_, noted := sign(first, "noted", `{"words":"one"}`)
	_, other := sign(first, "noted", `{"words":"other"}`)
	for range 2 {
		if err := j.Append(t.Context(), chains.Visit(1), "J-1", []record.Signed{opened, noted}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Append(t.Context(), chains.Visit(1), "J-1", []record.Signed{other}); err == nil {
		t.Error("another version of a chain is taken as if it were this one")
	}
	got, err := j.Lines(t.Context(), chains.Visit(1), 0)
	if err != nil || len(got) != 3 || string(got[0]) != string(opened.Line()) || string(got[1]) != string(noted.Line()) {
		t.Errorf("%d lines, %v", len(got), err)
	}
	for _, line := range got {
		e, err := record.Decode(line)
		if err == nil {
			err = e.CheckSignature()
		}
		if err != nil {
			t.Error(err)
		}
	}
}
