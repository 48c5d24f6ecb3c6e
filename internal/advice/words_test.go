package advice

import (
	"strings"
	"testing"

	"meterwright/diagnose"
	"meterwright/site"
	"meterwright/visit"
)

func TestCautionIsTheModelsOwn(t *testing.T) {
	if visit.AdviceCaution != diagnose.Caution {
		t.Errorf("the pages caution %q, and the model %q", visit.AdviceCaution, diagnose.Caution)
	}
}

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
	if s.fits(&later, x, true); later.Fits[0].Words != ifLater || later.Fits[0].Quiet() {
		t.Errorf("after an earlier reading that was not as expected: %+v", later.Fits[0])
	}
	x.Doubts = []string{"reversed/service"}
	var out visit.Advised
	s.fits(&out, x, false)
	last := out.Fits[len(out.Fits)-1]
	if len(out.Fits) != maxFits+1 || out.Fits[0].Words != ifRare || out.Fits[0].Quiet() || !last.Danger || !strings.Contains(last.Words, "exchanged at the cut-out") {
		t.Errorf("with a doubt: %+v", out.Fits)
	}
}

func TestGroupWords(t *testing.T) {
	p, err := newPlace(site.Spec{Arrangement: site.TNCS})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		list [][]string
		want string
	}{
		{[][]string{{}}, "nothing found"},
		{[][]string{{"open/tail.n"}}, "the neutral tail is open between cut-out and meter"},
		{[][]string{{"blown/lamp", "open/tail.n"}}, "the loaded test lamp has a blown lamp, together with the neutral tail is open between cut-out and meter"},
		{[][]string{{"none/supply"}, {"blown/lamp"}}, "one of: there is no supply; the loaded test lamp has a blown lamp"},
		{[][]string{{"a"}, {"b"}, {"c"}, {"d"}, {"e"}}, "one of: a; b; c; d; 1 other like these"},
		{[][]string{{"a"}, {"b"}, {"c"}, {"d"}, {"e"}, {"f"}}, "one of: a; b; c; d; 2 others like these"},
	} {
		if got := p.group(c.list); got != c.want {
			t.Errorf("%v: %q, want %q", c.list, got, c.want)
		}
	}
	long := make([][]string, 4)
	for i := range long {
		long[i] = []string{strings.Repeat("ä", 600)}
	}
	if got := p.group(long); len(got) > maxWords+3 || !strings.HasSuffix(got, "ä…") {
		t.Errorf("%d bytes: %q", len(got), got[len(got)-8:])
	}
}
