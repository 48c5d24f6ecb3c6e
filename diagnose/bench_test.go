package diagnose

import (
	"slices"
	"testing"
	"time"
)

// BenchmarkAdvice is what one more observation costs in the middle of visits: taking it
// in, explaining it against nothing wrong, every single departure and those pairs and
// triples that may explain it, and ordering what can be tested next. The visits are a
// healthy one and five with one or two departures, at a position that has not been met
// before. "once" gives each observation one effort, "whole" thinks to the end. The times
// are of the 53 observations of each visit.
func BenchmarkAdvice(b *testing.B) {
	s, first := position(b)
	visits := [][]string{{}, {"failing/service.n"}, {"reversed/service"}, {"blown/lamp"}, {"weak/main.n"}, {"open/tail.n", "dead/clamp"}}
	for _, whole := range []bool{false, true} {
		name := "once"
		if whole {
			name = "whole"
		}
		b.Run(name, func(b *testing.B) {
			var times []time.Duration
			for b.Loop() {
				for _, ids := range visits {
					e, err := New(s, Stated{})
					if err != nil {
						b.Fatal(err)
					}
					e.kin = first.kin
					var set []int
					for _, id := range ids {
						set = append(set, e.index(id))
					}
					list := visit(b, s, 3, 0, false, departures(e, set)...)
					for i, o := range list {
						from := time.Now()
						if err := e.Observe(o); err != nil {
							b.Fatal(err)
						}
						for done := !whole; !done; {
							if done, err = e.Think(Effort); err != nil {
								b.Fatal(err)
							}
						}
						if _, err := e.Explain(); err != nil {
							b.Fatal(err)
						}
						var offered []Candidate
						for _, n := range list[i+1:] {
							if n.Proving == "" && n.Switching == o.Switching {
								offered = append(offered, Candidate{n.Switching, o.Epoch, n.Kind, n.Points})
							}
						}
						if _, err := e.Next(offered); err != nil {
							b.Fatal(err)
						}
						times = append(times, time.Since(from))
					}
				}
			}
			slices.Sort(times)
			for _, m := range []struct {
				unit  string
				share float64
			}{{"median-ms", 0.5}, {"p95-ms", 0.95}, {"p99-ms", 0.99}, {"worst-ms", 1}} {
				i := min(len(times)-1, int(m.share*float64(len(times))))
				b.ReportMetric(float64(times[i])/1e6, m.unit)
			}
		})
	}
}
