package advice

import (
	"testing"

	"meterwright/diagnose"
	"meterwright/site"
	"meterwright/visit"
)

// TestDoubts: a dangerous departure that fits much better than nothing wrong is named however rare
// it is, and nobody is told beside it that nothing was found.
func TestDoubts(t *testing.T) {
	p, err := newPlace(site.Spec{Arrangement: site.TNCS})
	if err != nil {
		t.Fatal(err)
	}
	s := &session{place: p, after: make([]float64, len(p.order))}
	x := diagnose.Explanation{Groups: []diagnose.Group{{IDs: [][]string{{}}, Probability: 0.99}}}
	for _, id := range []string{"none/supply", "low/supply", "high/supply", "looped/neighbour", "blown/lamp"} {
		x.Groups = append(x.Groups, diagnose.Group{IDs: [][]string{{id}}, Probability: 0.001})
	}
	x.Groups = append(x.Groups, diagnose.Group{IDs: [][]string{{"reversed/service"}}, Probability: 0, Danger: true}, diagnose.Group{IDs: [][]string{{"open/tail.n"}}})
	var quiet visit.Advised
	s.fits(&quiet, x, false)
	if len(quiet.Fits) != maxFits || !quiet.Fits[0].Quiet() {
		t.Errorf("without a doubt: %+v", quiet.Fits)
	}
	var later visit.Advised
	if s.fits(&later, x, true); later.Fits[0].Yet != visit.YetEarlier || later.Fits[0].Quiet() {
		t.Errorf("after an earlier reading that was not as expected: %+v", later.Fits[0])
	}
	x.Doubts = []string{"reversed/service"}
	var out visit.Advised
	s.fits(&out, x, false)
	last := out.Fits[len(out.Fits)-1]
	if len(out.Fits) != maxFits+1 || out.Fits[0].Yet != visit.YetRare || out.Fits[0].Quiet() || !last.Danger || last.Departures[0][0] != "reversed/service" {
		t.Errorf("with a doubt: %+v", out.Fits)
	}
}
