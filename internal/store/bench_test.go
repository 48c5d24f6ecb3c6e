package store_test

import (
	"fmt"
	"runtime"
	"sync"
	"testing"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

// visits returns n visits of the given length each, made on all processors.
func visits(tb testing.TB, n, length int) [][][]byte {
	visits := make([][][]byte, n)
	var wait sync.WaitGroup
	workers := runtime.GOMAXPROCS(0)
	for w := range workers {
		wait.Go(func() {
			for v := w; v < n; v += workers {
				visits[v] = chains.Whole(tb, chains.Visit(v), fmt.Sprint("device ", v%50), length)
			}
		})
	}
	wait.Wait()
	return visits
}

func BenchmarkIngest(b *testing.B) {
	for name, open := range drivers {
		b.Run(name, func(b *testing.B) { ingest(b, open) })
	}
}

// ingest measures durable ingest with verification: 8 clients, batches of 100 lines, each
// batch the whole of one visit. Summaries are made meanwhile. The metrics are lines for each
// second of the time in which all receipts were given, the same with the summaries brought
// up to date too, and what share of the processors' time the signatures take if they are
// checked once.
func ingest(b *testing.B, open open) {
	const clients, length, perClient = 8, 100, 25
	visits := visits(b, clients*perClient, length)
	signatures := time.Duration(0)
	for _, line := range visits[0] {
		e, err := record.Decode(line)
		if err != nil {
			b.Fatal(err)
		}
		from := time.Now()
		if err := e.CheckSignature(); err != nil {
			b.Fatal(err)
		}
		signatures += time.Since(from)
	}
	var received, settled time.Duration
	lines := 0
	for b.Loop() {
		b.StopTimer()
		opts := options()
		opts.Follow = true
		opts.Failed = func(err error) { b.Error(err) }
		s, err := open(b.Context(), b.TempDir(), opts)
		if err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		from := time.Now()
		var wait sync.WaitGroup
		for c := range clients {
			wait.Go(func() {
				for _, batch := range visits[c*perClient : (c+1)*perClient] {
					receipts, err := s.Submit(b.Context(), batch)
					if err != nil {
						b.Error(err)
						return
					}
					for _, r := range receipts {
						if r.Status != store.Accepted {
							b.Errorf("%+v", r)
						}
					}
				}
			})
		}
		wait.Wait()
		received += time.Since(from)
		if err := s.CatchUp(b.Context()); err != nil {
			b.Error(err)
		}
		settled += time.Since(from)
		b.StopTimer()
		lines += clients * perClient * length
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
	b.ReportMetric(float64(lines)/received.Seconds(), "events/s")
	b.ReportMetric(float64(lines)/settled.Seconds(), "events/s-with-summaries")
	perLine := signatures / length
	b.ReportMetric(100*float64(perLine)*float64(lines)/float64(received)/float64(runtime.GOMAXPROCS(0)), "%signatures")
}
