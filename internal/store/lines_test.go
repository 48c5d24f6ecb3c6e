package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

func audit(t *testing.T, s *store.Store) store.AuditReport {
	t.Helper()
	report, err := s.Audit(t.Context())
	must(t, err)
	return report
}

// receipts: numbers, idempotence, what is held, and all of it after opening again.
func (h harness) receipts(t *testing.T) {
	dir := t.TempDir()
	lines := chains.Whole(t, chains.Visit(1), "one", 6)
	s := h.again(t, dir, options())
	first := submit(t, s, lines[:4]...)
	want(t, first, store.Accepted)
	for i, r := range first {
		if r.Number != int64(i+1) || r.Again || r.Version != 0 || r.Seq != int64(i) || r.Visit != chains.Visit(1) || r.Key != chains.Key("one") {
			t.Errorf("line %d: receipt %+v", i, r)
		}
	}
	must(t, s.Close())

	s = h.at(t, dir, options())
	second := submit(t, s, slices.Concat(lines, lines[5:])...)
	want(t, second, store.Accepted)
	for i, r := range second {
		if r.Number != int64(min(i, 5)+1) || r.Again != (i < 4 || i == 6) {
			t.Errorf("line %d: receipt %+v", i, r)
		}
	}
	holds, err := s.Holds(t.Context(), chains.Visit(1))
	must(t, err)
	if w := []store.Holding{{Key: chains.Key("one"), Next: 6, Head: second[5].Hash, Ended: true}}; !slices.Equal(holds, w) {
		t.Errorf("holds %+v, want %+v", holds, w)
	}
	if holds, err := s.Holds(t.Context(), chains.Visit(2)); err != nil || len(holds) != 0 {
		t.Errorf("of an unknown visit it holds %v, %v", holds, err)
	}
	i := 0
	for l, err := range s.Lines(t.Context(), chains.Visit(1)) {
		must(t, err)
		if !bytes.Equal(l.Bytes, lines[i]) || l.Number != int64(i+1) || l.Seq != int64(i) || !l.Received.Equal(clock()) || l.Hash != second[i].Hash {
			t.Errorf("line %d is %+v", i, l)
		}
		i++
	}
	page, err := s.Accepted(t.Context(), 2, 3)
	if err != nil || len(page) != 3 || page[0].Number != 3 || !bytes.Equal(page[2].Bytes, lines[4]) {
		t.Errorf("accepted after 2: %v, %v", page, err)
	}
	if n, err := s.LastNumber(t.Context()); n != 6 || err != nil || i != 6 {
		t.Errorf("last number %d, %v; %d lines", n, err, i)
	}
	files, err := s.Files(t.Context(), chains.Visit(1))
	if err != nil || len(files) != 1 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	if report, err := record.Verify(bytes.NewReader(files[0]), record.Options{}); err != nil || report.Verdict != record.GenuineEnded {
		t.Errorf("the file is %v, %v", report.Verdict, err)
	}
	audit(t, s)
}

// badLines: each is refused for its reason, and the good ones among them are kept.
func (h harness) badLines(t *testing.T) {
	s := h.fresh(t, options())
	good := chains.Whole(t, chains.Visit(1), "one", 4)
	cut := good[2][:len(good[2])-1]
	spaced := append(slices.Clone(good[2]), ' ')
	receipts := submit(t, s, good[0], []byte("nonsense"), altered(good[1]), good[1], nil, cut, good[2], spaced, good[3], bytes.Repeat([]byte("x"), record.MaxLine+1))
	want(t, receipts, store.Accepted, store.Refused, store.Refused, store.Accepted, store.Refused, store.Refused, store.Accepted, store.Refused, store.Accepted, store.Refused)
	for i, w := range map[int]record.What{1: record.NotJSON, 2: record.BadSignature, 4: record.NotJSON, 5: record.NotJSON, 7: record.NotCanonical, 9: record.LineTooLong} {
		if receipts[i].Reason != string(w) {
			t.Errorf("line %d is refused for %q, want %q", i, receipts[i].Reason, w)
		}
	}
	if receipts, err := s.Submit(t.Context(), nil); err != nil || len(receipts) != 0 {
		t.Errorf("an empty batch: %v, %v", receipts, err)
	}
	if _, err := s.Submit(t.Context(), make([][]byte, store.MaxBatch+1)); err == nil {
		t.Error("a batch over the bound was taken")
	}
	if got := audit(t, s); got.Lines != 4 {
		t.Errorf("%d lines are kept", got.Lines)
	}
}

// order: any order of one batch, and any order of batches of one line, gives the same record.
func (h harness) order(t *testing.T) {
	lines := chains.Whole(t, chains.Visit(1), "one", 4)
	permute(lines, func(p [][]byte) {
		s := h.again(t, t.TempDir(), options())
		want(t, submit(t, s, p...), store.Accepted)
		one := chains.Visit(2)
		other := chains.Whole(t, one, "one", 4)
		for _, line := range p {
			i := slices.IndexFunc(lines, func(l []byte) bool { return bytes.Equal(l, line) })
			submit(t, s, other[i])
		}
		for _, v := range []string{chains.Visit(1), one} {
			seq := int64(0)
			for l, err := range s.Lines(t.Context(), v) {
				if err != nil || l.Seq != seq {
					t.Fatalf("visit %s, line %d: %+v, %v", v, seq, l, err)
				}
				seq++
			}
			if seq != 4 {
				t.Errorf("visit %s has %d lines", v, seq)
			}
		}
		audit(t, s)
		must(t, s.Close())
	})
}

// permute calls do with every order of lines.
func permute(lines [][]byte, do func([][]byte)) {
	p := slices.Clone(lines)
	var rest func(int)
	rest = func(i int) {
		if i == len(p) {
			do(slices.Clone(p))
			return
		}
		for j := i; j < len(p); j++ {
			p[i], p[j] = p[j], p[i]
			rest(i + 1)
			p[i], p[j] = p[j], p[i]
		}
	}
	rest(0)
}

// waiting: durable, told, and released by the line that was missing.
func (h harness) waiting(t *testing.T) {
	dir := t.TempDir()
	lines := chains.Whole(t, chains.Visit(1), "one", 6)
	s := h.again(t, dir, options())
	want(t, submit(t, s, lines[5], lines[2], lines[3]), store.Waiting)
	must(t, s.Close())
	s = h.at(t, dir, options())
	again := submit(t, s, lines[2])
	want(t, again, store.Waiting)
	if !again[0].Again {
		t.Error("a line that waits is not told as known")
	}
	if holds, err := s.Holds(t.Context(), chains.Visit(1)); err != nil || len(holds) != 0 {
		t.Errorf("nothing is accepted, but it holds %v, %v", holds, err)
	}
	want(t, submit(t, s, lines[0]), store.Accepted)
	holds, err := s.Holds(t.Context(), chains.Visit(1))
	if err != nil || len(holds) != 1 || holds[0].Next != 1 || holds[0].Waiting != 3 {
		t.Errorf("holds %+v, %v", holds, err)
	}
	want(t, submit(t, s, lines[1]), store.Accepted)
	if got := audit(t, s); got.Lines != 4 || got.Waiting != 1 {
		t.Errorf("%+v", got)
	}
	released := submit(t, s, lines[3], lines[4], lines[5])
	want(t, released, store.Accepted)
	for i, n := range []int64{4, 5, 6} {
		if released[i].Number != n || released[i].Again != (i != 1) {
			t.Errorf("line %d: %+v", i+3, released[i])
		}
	}
	if got := audit(t, s); got.Lines != 6 || got.Waiting != 0 {
		t.Errorf("%+v", got)
	}
}

// waitingBounds: what is over the bound is refused, and can come later.
func (h harness) waitingBounds(t *testing.T) {
	s := h.fresh(t, options())
	lines := chains.Whole(t, chains.Visit(1), "one", store.MaxWaiting+3)
	receipts := submit(t, s, lines[1:]...)
	want(t, receipts[:store.MaxWaiting], store.Waiting)
	want(t, receipts[store.MaxWaiting:], store.Refused)
	if r := receipts[store.MaxWaiting]; r.Reason != store.TooManyWaiting {
		t.Errorf("refused for %q", r.Reason)
	}
	want(t, submit(t, s, chains.Whole(t, chains.Visit(2), "one", 3)[2]), store.Waiting) // another visit
	want(t, submit(t, s, lines[0]), store.Accepted)
	want(t, submit(t, s, lines...), store.Accepted)
	audit(t, s)

	big := chains.NewDevice(t, chains.Visit(3), record.Real, "one").Open()
	for range store.MaxWaitingBytes/60000 + 1 {
		big.Add("noted", `{"text":"`+string(bytes.Repeat([]byte("x"), 60000))+`"}`)
	}
	receipts = submit(t, s, big.Lines[1:]...)
	total := 0
	for i, line := range big.Lines[1:] {
		if total += len(line); total <= store.MaxWaitingBytes {
			want(t, receipts[i:i+1], store.Waiting)
		} else if receipts[i].Reason != store.TooManyWaiting {
			t.Errorf("%d bytes wait: %+v", total, receipts[i])
		}
	}
	if total <= store.MaxWaitingBytes {
		t.Errorf("%d bytes do not reach the bound", total)
	}

	// What the batch itself releases waits no more and makes room.
	lines = chains.Whole(t, chains.Visit(4), "one", store.MaxWaiting+6)
	want(t, submit(t, s, lines[2:store.MaxWaiting+2]...), store.Waiting)
	want(t, submit(t, s, lines[0]), store.Accepted)
	want(t, submit(t, s, lines[1], lines[store.MaxWaiting+4]), store.Accepted, store.Waiting)
}

// forks: both versions are kept, whatever comes first, and show.
func (h harness) forks(t *testing.T) {
	s := h.fresh(t, options())
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Observe(4, "first")
	other := d.From(2).Observe(4, "second").End()
	third := d.From(2).Observe(1, "third")
	root := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Add(record.KindOpened, `{"job":"J-2"}`)

	// The second version comes first and so has number 0.
	want(t, submit(t, s, slices.Concat(d.Lines[:2], other.Lines[:2])...), store.Accepted)
	receipts := submit(t, s, slices.Concat(d.Lines, third.Lines, other.Lines, root.Lines)...)
	want(t, receipts, store.Accepted)
	versions := []int{}
	for _, r := range receipts {
		versions = append(versions, r.Version)
	}
	// Places are decided in order of sequence, so the other opening becomes version 1.
	if w := []int{0, 0, 2, 2, 2, 3, 0, 0, 0, 0, 0, 1}; !slices.Equal(versions, w) {
		t.Errorf("versions %v, want %v", versions, w)
	}
	holds, err := s.Holds(t.Context(), chains.Visit(1))
	must(t, err)
	w := []store.Holding{
		{Key: chains.Key("one"), Version: 0, From: 0, Next: 7, Head: other.Chain.Head, Ended: true},
		{Key: chains.Key("one"), Version: 1, From: 0, Next: 1, Head: root.Chain.Head},
		{Key: chains.Key("one"), Version: 2, From: 2, Next: 5, Head: d.Chain.Head},
		{Key: chains.Key("one"), Version: 3, From: 2, Next: 3, Head: third.Chain.Head},
	}
	if !slices.Equal(holds, w) {
		t.Errorf("holds\n%+v, want\n%+v", holds, w)
	}
	files, err := s.Files(t.Context(), chains.Visit(1))
	must(t, err)
	file := func(lines ...[]byte) []byte { return append(bytes.Join(lines, []byte("\n")), '\n') }
	for i, lines := range [][][]byte{slices.Concat(d.Lines[:2], other.Lines), root.Lines, d.Lines, slices.Concat(d.Lines[:2], third.Lines)} {
		if !bytes.Equal(files[i], file(lines...)) {
			t.Errorf("file %d has other lines than its version", i)
		}
	}
	report, err := record.VerifyAll([]record.Input{{Name: "0", R: bytes.NewReader(files[0])}, {Name: "2", R: bytes.NewReader(files[2])}}, record.Options{})
	if report.Verdict != record.InTwoVersions {
		t.Errorf("the two files are %v, %v", report.Verdict, err)
	}
	must(t, s.CatchUp(t.Context()))
	if m, err := s.Visit(t.Context(), chains.Visit(1)); err != nil || m.Forks != 3 {
		t.Errorf("the fork does not show: %+v, %v", m, err)
	}
	if got := audit(t, s); got.Forks != 3 || got.Chains != 1 || got.Lines != 12 {
		t.Errorf("%+v", got)
	}
}

func (h harness) versionBound(t *testing.T) {
	s := h.fresh(t, options())
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open()
	submit(t, s, d.Lines...)
	for i := range store.MaxVersions {
		want(t, submit(t, s, d.From(1).Observe(1, fmt.Sprint(i)).Lines...), store.Accepted)
	}
	r := submit(t, s, d.From(1).Observe(1, "one too many").Lines...)
	want(t, r, store.Refused)
	if r[0].Reason != store.TooManyVersions {
		t.Errorf("refused for %q", r[0].Reason)
	}
	audit(t, s)
}

func (h harness) chainBound(t *testing.T) {
	s := h.fresh(t, options())
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open()
	want(t, submit(t, s, d.Lines...), store.Accepted)
	for i := range record.MaxChains {
		r := submit(t, s, chains.NewDevice(t, chains.Visit(1), record.Real, fmt.Sprint("other ", i)).Add(record.KindTakenOver, takenOver(d)).Lines...)
		if i < record.MaxChains-1 {
			want(t, r, store.Accepted)
		} else if want(t, r, store.Refused); r[0].Reason != string(record.TooMany) {
			t.Errorf("refused for %q", r[0].Reason)
		}
	}
	audit(t, s)
}

// afterEnd: the record's rules hold, also for lines that had to wait.
func (h harness) afterEnd(t *testing.T) {
	s := h.fresh(t, options())
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Observe(1, "").End()
	late := d.From(3).Break().Observe(2, "after the end")
	note := d.From(3).Add(record.KindSupplement, `{"text":"number received"}`)
	soon := d.From(2).Break().Add(record.KindSupplement, `{}`)

	// They wait, because nobody can know yet; then they are dropped, and what follows waits.
	want(t, submit(t, s, late.Lines...), store.Waiting)
	want(t, submit(t, s, d.Lines...), store.Accepted)
	if got := audit(t, s); got.Lines != 3 || got.Waiting != 1 {
		t.Errorf("%+v", got)
	}
	receipts := submit(t, s, late.Lines[0], note.Lines[0], soon.Lines[0])
	want(t, receipts, store.Refused, store.Accepted, store.Refused)
	if receipts[0].Reason != string(record.AfterEnd) || receipts[2].Reason != string(record.SupplementSoon) {
		t.Errorf("refused for %q and %q", receipts[0].Reason, receipts[2].Reason)
	}
	audit(t, s)
}

func (h harness) nature(t *testing.T) {
	s := h.fresh(t, options())
	realWork := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open()
	practice := chains.NewDevice(t, chains.Visit(1), record.Practice, "two").Open()
	receipts := submit(t, s, realWork.Lines[0], practice.Lines[0])
	want(t, receipts, store.Accepted, store.Refused)
	if receipts[1].Reason != string(record.OtherNature) {
		t.Errorf("refused for %q", receipts[1].Reason)
	}
	want(t, submit(t, s, chains.NewDevice(t, chains.Visit(2), record.Practice, "one").Open().Lines...), store.Accepted)
}

func (h harness) openedTwice(t *testing.T) {
	s := h.fresh(t, options())
	one, two := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open(), chains.NewDevice(t, chains.Visit(1), record.Real, "two").Open()
	want(t, submit(t, s, one.Lines[0], two.Lines[0]), store.Accepted)
	files, err := s.Files(t.Context(), chains.Visit(1))
	if err != nil || len(files) != 2 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	_, err = record.VerifyAll([]record.Input{{Name: "one", R: bytes.NewReader(files[0])}, {Name: "two", R: bytes.NewReader(files[1])}}, record.Options{})
	if f, ok := errors.AsType[*record.Fault](err); !ok || f.What != record.OpenedAgain {
		t.Errorf("the record says %v", err)
	}
}

// manyAtOnce: clients that send the same and different lines at the same time.
func (h harness) manyAtOnce(t *testing.T) {
	s := h.fresh(t, options())
	const clients, visits, length = 8, 4, 12
	var all [visits][][]byte
	for v := range all {
		all[v] = chains.Whole(t, chains.Visit(v), "one", length)
	}
	numbers := make([]map[record.Hash]int64, clients)
	var wait sync.WaitGroup
	for c := range clients {
		numbers[c] = map[record.Hash]int64{}
		wait.Go(func() {
			for v := range all {
				lines := all[(v+c)%visits]
				for from := 0; from < length; from += 4 {
					receipts, err := s.Submit(t.Context(), lines[from:from+4])
					if err != nil {
						t.Error(err)
						return
					}
					for _, r := range receipts {
						numbers[c][r.Hash] = r.Number
					}
				}
			}
		})
	}
	wait.Wait()
	used := map[int64]bool{}
	for hash, n := range numbers[0] {
		for c := range numbers {
			if numbers[c][hash] != n {
				t.Errorf("one line has the numbers %d and %d", n, numbers[c][hash])
			}
		}
		if used[n] || n < 1 || n > visits*length {
			t.Errorf("number %d", n)
		}
		used[n] = true
	}
	if got := audit(t, s); got.Lines != visits*length || len(used) != visits*length {
		t.Errorf("%+v, %d numbers", got, len(used))
	}
}

// cancelled: a call that is given up promises nothing and harms nothing.
func (h harness) cancelled(t *testing.T) {
	s := h.fresh(t, options())
	lines := chains.Whole(t, chains.Visit(1), "one", 3)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if receipts, err := s.Submit(ctx, lines); !errors.Is(err, context.Canceled) {
		t.Errorf("%+v, %v", receipts, err)
	}
	if n, err := s.LastNumber(t.Context()); n != 0 || err != nil {
		t.Errorf("%d lines are kept, %v", n, err)
	}
	want(t, submit(t, s, lines...), store.Accepted)
	audit(t, s)

	// A transaction that has begun has an outcome that is known: given up within it, it is
	// finished.
	within, giveUp := context.WithCancel(t.Context())
	opts := options()
	opts.Now = func() time.Time { giveUp(); return clock() }
	s = h.fresh(t, opts)
	ref, container := chains.Container(t, "content")
	if got, err := s.PutAttachment(within, container); within.Err() == nil || err != nil || got != ref {
		t.Errorf("given up in the middle: %+v, %v", got, err)
	}
}

// altered returns a line with its person changed after signing.
func altered(line []byte) []byte {
	return bytes.Replace(slices.Clone(line), []byte(`"person":"person-7"`), []byte(`"person":"person-8"`), 1)
}
