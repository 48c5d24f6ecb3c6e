package advice

import (
	"testing"
	"time"

	"meterwright/site"
)

// BenchmarkAdvice is the advice after one more reading or proving, over a whole visit in which all is
// as the method expects; and the first of a visit, for which the engine is made.
func BenchmarkAdvice(b *testing.B) {
	m := machine(b, shipped, site.Spec{Arrangement: site.TNCS})
	var first, more time.Duration
	asked, worst := 0, time.Duration(0)
	for b.Loop() {
		d := drive(b, m)
		a := New("bench")
		begun := false
		for d.v.Position() != "dead-prove-again" {
			st, _ := m.Method.Step(d.v.Position())
			body := expected(d.v, st)
			d.must(body)
			if !d.v.Bears(body) {
				continue
			}
			start := time.Now()
			advise(b, a, d.v)
			took := time.Since(start)
			if !begun {
				begun, first = true, first+took
				continue
			}
			asked++
			more += took
			worst = max(worst, took)
		}
	}
	b.ReportMetric(float64(first.Milliseconds())/float64(b.N), "ms/first")
	b.ReportMetric(float64(more.Milliseconds())/float64(asked), "ms/more")
	b.ReportMetric(float64(worst.Milliseconds()), "ms/worst")
}
