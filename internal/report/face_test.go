package report

import (
	"strings"
	"testing"
	"time"
	"unicode"

	"pgregory.net/rapid"

	"meterwright/say/en"
)

// TestSplit: lines are never wider than asked unless a single letter is, and no letter is lost.
func TestSplit(t *testing.T) {
	words, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	d, err := newWriter(&Sheet{words: words}, time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	d.pdf.AddPage()
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOf(rapid.OneOf(rapid.Rune(), rapid.SampledFrom([]rune("aWi .-Ωµ≤\u00a0\u202e\n")))).Draw(t, "text")
		w := rapid.Float64Range(3, 200).Draw(t, "width")
		d.font(rapid.SampledFrom([]string{"", "B", "mono"}).Draw(t, "face"), 8)
		lines := d.split(s, w)
		for _, l := range lines {
			if d.pdf.GetStringWidth(l) > w && len([]rune(l)) > 1 {
				t.Errorf("%q is %g wide, over %g", l, d.pdf.GetStringWidth(l), w)
			}
			for _, r := range l {
				if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
					t.Errorf("%q has %U", l, r)
				}
			}
		}
		bare := func(s string) string { return strings.Join(strings.Fields(s), "") }
		if got, want := bare(strings.Join(lines, "")), bare(printable(s)); got != want {
			t.Errorf("%q became %q", want, got)
		}
	})
}
