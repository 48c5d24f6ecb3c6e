package office_test

import (
	"fmt"
	"iter"
	"testing"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

// copier gives every visit the summary of one invented visit, at a time and place of its own, so
// that a large office can be had without carrying every visit out.
type copier struct{ row store.Summary }

func (copier) Edition() string { return "copier" }

func (c copier) Project(visit string, events iter.Seq2[record.Event, error]) (store.Summary, error) {
	if visit == c.row.Visit {
		return c.row, nil
	}
	for _, err := range events {
		if err != nil {
			return store.Summary{}, err
		}
	}
	var n int
	if _, err := fmt.Sscanf(visit[len(visit)-12:], "%x", &n); err != nil {
		return store.Summary{}, err
	}
	m := c.row
	m.Job, m.Address = fmt.Sprintf("NM-%d", n), fmt.Sprintf("%d Weir Lane, Northmere", n)
	m.Opened = now().Add(-time.Duration(n) * 40 * time.Second)
	m.Last = m.Opened.Add(25 * time.Minute)
	return m, nil
}

// BenchmarkOffice is every list over many visits; the budget is 100 ms on the server.
func BenchmarkOffice(b *testing.B) {
	const visits = 20_000
	made := carried(b)["void"]
	var events []record.Event
	for _, l := range made.Lines {
		e, err := record.Decode(l)
		if err != nil {
			b.Fatal(err)
		}
		events = append(events, e)
	}
	var p summary.Projector
	row, err := p.Project(made.ID, func(yield func(record.Event, error) bool) {
		for _, e := range events {
			if !yield(e, nil) {
				return
			}
		}
	})
	if err != nil {
		b.Fatal(err)
	}
	s, err := sqlite.Open(b.Context(), b.TempDir(), store.Options{Projector: copier{row}})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	for n := range visits {
		if _, err := s.Submit(b.Context(), chains.Whole(b, chains.Visit(n), fmt.Sprint("device ", n%50), 2)); err != nil {
			b.Fatal(err)
		}
	}
	// The visit itself has the method of all others.
	if _, err := s.Submit(b.Context(), made.Lines); err != nil {
		b.Fatal(err)
	}
	if err := s.CatchUp(b.Context()); err != nil {
		b.Fatal(err)
	}
	h := handler(b, s)
	want(b, get(b, h, "/office/visit/"+made.ID), 200)
	for _, x := range []struct{ name, path string }{{"day", "/office/"}, {"visits", "/office/visits"}, {"visits-sorted", "/office/visits?sort=premises"}, {"visits-words", "/office/visits?words=weir"},
		{"defects", "/office/defects"}, {"instruments", "/office/instruments"}, {"instrument", "/office/instruments/two-pole-detector/TP-12"}, {"instrument-every-visit", "/office/instruments/two-pole-detector/TP-13?reach=all"}, {"needs", "/office/needs"}, {"visits-csv", "/office/visits.csv"}} {
		b.Run(x.name, func(b *testing.B) {
			size := 0
			for b.Loop() {
				w := get(b, h, x.path)
				if w.Code != 200 {
					b.Fatal(w.Code)
				}
				size = w.Body.Len()
			}
			b.ReportMetric(float64(size), "bytes/page")
		})
	}
}
