package sqlite

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
)

// BenchmarkVisits measures pages of 50 visits out of 100,000, with MW_SOAK=1 out of a
// million: the first page and one from the middle of the listing, for every filter. The
// slowest of a hundred is given as p99.
func BenchmarkVisits(b *testing.B) {
	visits := 100_000
	if soak() {
		visits = 1_000_000
	}
	dir := b.TempDir()
	s, err := Open(b.Context(), dir, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	fillSummaries(b, dir, visits)
	if s, err = Open(b.Context(), dir, store.Options{}); err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	}()
	middle := fmt.Sprintf("%d.%s", int64(visits/2)*1_000_000, chains.Visit(visits/2))
	for _, c := range []struct {
		name string
		f    store.Filter
	}{
		{"all", store.Filter{}},
		{"middle", store.Filter{After: middle}},
		{"day", store.Filter{Day: "day-77"}},
		{"person", store.Filter{Person: "person-7", After: middle}},
		{"state", store.Filter{State: "stopped", After: middle}},
		{"nature-state-person", store.Filter{Nature: "practice", State: "ended", Person: "person-7"}},
		{"job", store.Filter{Job: "J-4711"}},
		{"nothing", store.Filter{State: "stopped", Person: "nobody"}},
	} {
		b.Run(c.name, func(b *testing.B) {
			c.f.Limit = 50
			var times []time.Duration
			for b.Loop() {
				from := time.Now()
				if _, err := s.Visits(context.Background(), c.f); err != nil {
					b.Fatal(err)
				}
				times = append(times, time.Since(from))
			}
			slices.Sort(times)
			b.ReportMetric(float64(times[len(times)*99/100].Microseconds())/1000, "ms-p99")
		})
	}
	for _, skip := range []int{0, visits / 100} {
		b.Run(fmt.Sprint("waiting-after-", skip), func(b *testing.B) {
			for b.Loop() {
				if list, all, err := s.Waiting(b.Context(), time.Now(), skip, 30); err != nil || len(list) != 30 || all != visits/50 {
					b.Fatal(len(list), all, err)
				}
			}
		})
	}
}

// fillSummaries invents summaries: 200 persons, one visit in 50 stopped and in need of
// attention, one in 20 practice.
func fillSummaries(b *testing.B, dir string, n int) {
	b.Helper()
	db, err := openRaw(dir)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec(`WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < $1)
		INSERT INTO summaries SELECT printf('019ab3f0-%04x-7a10-8b20-%012x', (i >> 16) & 65535, i), i + 1,
			CASE WHEN i % 20 = 0 THEN 'practice' ELSE 'real' END, 'J-' || i, '4 Example Row, Anytown (fictional)', 'exchange-single-phase',
			CASE WHEN i % 50 = 0 THEN 'stopped' ELSE 'ended' END, '', 0, 'person-' || (i % 200), i * 1000000, 0, 'day-' || (i / 500), i * 1000000, 0, 'done', 0,
			100, 1, 0, '{"text":"' || hex(randomblob(100)) || '"}' FROM n`, n); err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec(`INSERT INTO needs SELECT visit, 'stopped/1', through % 500 = 1, opened, 0 FROM summaries WHERE state = 'stopped'`); err != nil {
		b.Fatal(err)
	}
	if err := db.Close(); err != nil {
		b.Fatal(err)
	}
}
