package visit

import (
	"encoding/json/jsontext"
	"testing"
)

// events300 is a whole visit stretched to 300 events by remarks.
func events300(b testing.TB) (*Machine, []Event) {
	m := plainMachine(b)
	d := drive(b, m)
	d.through()
	for len(d.log) < 299 {
		d.must(Noted{Words: "a remark"})
	}
	d.must(Ended{Outcome: "completed"})
	return m, d.log
}

// BenchmarkFold300 folds a visit of 300 events, account and all. The reference
// is decoding the same bodies from JSON, which a replay does as well.
func BenchmarkFold300(b *testing.B) {
	m, events := events300(b)
	b.Run("fold", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if v := Fold(m, events); v.Outcome() != Completed {
				b.Fatal("not completed")
			}
		}
	})
	var bodies []jsontext.Value
	for _, e := range events {
		text, err := EncodeBody(e.Body)
		if err != nil {
			b.Fatal(err)
		}
		bodies = append(bodies, text)
	}
	b.Run("reference-decode-bodies", func(b *testing.B) {
		for b.Loop() {
			for i, text := range bodies {
				if _, err := DecodeBody(KindOf(events[i].Body), text); err != nil {
					b.Fatal(err)
				}
			}
		}
	})
}
