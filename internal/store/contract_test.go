package store_test

import (
	"context"
	"encoding/json/jsontext"
	"fmt"
	"iter"
	"os"
	"testing"
	"time"

	"pgregory.net/rapid"

	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

// open opens the store that belongs to a folder, again or for the first time.
type open func(ctx context.Context, dir string, opts store.Options) (*store.Store, error)

// drivers is all of them. Each keeps the whole contract.
var drivers = map[string]open{"sqlite": sqlite.Open}

func TestContract(t *testing.T) {
	for name, open := range drivers {
		t.Run(name, harness{open}.contract)
	}
}

func (h harness) contract(t *testing.T) {
	t.Run("Receipts", h.receipts)
	t.Run("BadLines", h.badLines)
	t.Run("Order", h.order)
	t.Run("Waiting", h.waiting)
	t.Run("WaitingBounds", h.waitingBounds)
	t.Run("Forks", h.forks)
	t.Run("VersionBound", h.versionBound)
	t.Run("ChainBound", h.chainBound)
	t.Run("AfterEnd", h.afterEnd)
	t.Run("Nature", h.nature)
	t.Run("OpenedTwice", h.openedTwice)
	t.Run("ManyAtOnce", h.manyAtOnce)
	t.Run("Cancelled", h.cancelled)
	t.Run("Attachments", h.attachments)
	t.Run("SomeErased", h.someErased)
	t.Run("EraseBefore", h.eraseBefore)
	t.Run("People", h.people)
	t.Run("Jobs", h.jobs)
	t.Run("JobFilters", h.jobFilters)
	t.Run("Summaries", h.summaries)
	t.Run("Follow", h.follow)
	t.Run("Rebuild", h.rebuild)
	t.Run("Editions", h.editions)
	t.Run("Unreadable", h.unreadable)
	t.Run("Needs", h.needs)
	t.Run("NeedsOverEverything", h.needsOverEverything)
	t.Run("Pages", h.pages)
	t.Run("Model", h.model)
}

// soak reports whether full counts are asked for.
func soak() bool { return os.Getenv("MW_SOAK") == "1" }

type harness struct{ open open }

// clock is the time of receipt in tests; fictional.
func clock() time.Time { return time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) }

// options are those of most tests.
func options() store.Options { return store.Options{Projector: projector{}, Now: clock} }

// fresh opens a new store that is closed at the end of the test.
func (h harness) fresh(t *testing.T, opts store.Options) *store.Store {
	t.Helper()
	return h.at(t, t.TempDir(), opts)
}

// at opens the store of a folder until the end of the test.
func (h harness) at(t *testing.T, dir string, opts store.Options) *store.Store {
	t.Helper()
	s := h.again(t, dir, opts)
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// again opens the store of a folder; the test closes it.
func (h harness) again(t *testing.T, dir string, opts store.Options) *store.Store {
	t.Helper()
	s, err := h.open(t.Context(), dir, opts)
	must(t, err)
	return s
}

// must ends the test if something failed that the rest rests on.
func must(t rapid.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func submit(t *testing.T, s *store.Store, lines ...[]byte) []store.Receipt {
	t.Helper()
	receipts, err := s.Submit(t.Context(), lines)
	must(t, err)
	if len(receipts) != len(lines) {
		t.Fatalf("%d receipts for %d lines", len(receipts), len(lines))
	}
	return receipts
}

// takenOver is the body of a hand-over from a device.
func takenOver(d *chains.Device) string {
	return fmt.Sprintf(`{"chain":"%s","head":"%s"}`, d.Chain.Key, d.Chain.Head)
}

// want checks the statuses of receipts.
func want(t *testing.T, receipts []store.Receipt, statuses ...store.Status) {
	t.Helper()
	for i, r := range receipts {
		w := statuses[min(i, len(statuses)-1)]
		if r.Status != w {
			t.Errorf("line %d is %s (%v), want %s", i, r.Status, r.Err, w)
		}
		if (r.Number > 0) != (r.Status == store.Accepted) || (r.Err != nil) != (r.Status == store.Refused) || (r.Reason != "") != (r.Status == store.Refused) {
			t.Errorf("line %d: the receipt %+v contradicts itself", i, r)
		}
	}
}

// projector makes summaries that depend on every event and on their order.
type projector struct {
	Rules string // the edition
	Fail  string // a visit for which it gives an error
	Lazy  bool   // stops after one event
}

func (p projector) Edition() string { return p.Rules }

func (p projector) Project(visit string, events iter.Seq2[record.Event, error]) (store.Summary, error) {
	m := store.Summary{State: "open", Job: "J-" + visit[len(visit)-2:]}
	kinds := ""
	for e, err := range events {
		if err != nil {
			return m, err
		}
		if p.Lazy {
			break
		}
		if m.Opened.IsZero() {
			m.Opened, m.Person = e.Wall, e.Person
		}
		m.Last = e.Wall
		if e.Kind == record.KindEnded {
			m.State, m.Outcome = "ended", "done"
		}
		if e.Kind == "noted" {
			m.Stop, m.SupplyOffSince = "noted", e.Wall
			m.Needs = append(m.Needs, store.Need{Key: "noted/" + e.Hash.String(), Since: e.Wall})
		}
		if e.Kind == "defect" {
			m.Needs = append(m.Needs, store.Need{Key: "defect/" + e.Hash.String(), Since: e.Wall, Danger: true})
		}
		kinds += e.Kind[:1]
	}
	m.Needs = append(m.Needs, store.Need{Key: "silent/" + m.Last.String(), Since: m.Last, Wakes: m.Last.Add(time.Hour)})
	if visit == p.Fail {
		return m, fmt.Errorf("cannot make sense of %q", kinds)
	}
	m.Details = jsontext.Value(`{"kinds":"` + kinds + `","rules":"` + p.Rules + `"}`)
	return m, nil
}
