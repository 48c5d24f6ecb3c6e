package say_test

import (
	"testing"

	"meterwright/measure"
	"meterwright/say/en"
)

// A number that was reckoned is said as a person says it: three figures, or as many as its uncertainty leaves.
func TestFigure(t *testing.T) {
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		v, u float64
		unit measure.Unit
		want string
	}{
		{12666.7, 0, measure.Ampere, "12.7 kA"},
		{517.6, 0, measure.Ampere, "518 A"},
		{999.6, 0, measure.Ampere, "1.00 kA"},
		{0.2398, 0.02, measure.Ohm, "0.24 Ω"},
		{0.2398, 0, measure.Ohm, "0.240 Ω"},
		{2307.7, 130, measure.Watt, "2.3 kW"},
		{238.1, 2.4, measure.Volt, "238 V"},
		{12345, 0, measure.Volt, "12345 V"},
		{0, 0, measure.Ampere, "0 A"},
		{-0.5, 0.01, measure.Ampere, "-0.50 A"},
	} {
		if got := l.Figure(c.v, c.u, c.unit); got != c.want {
			t.Errorf("%v ± %v: %q, want %q", c.v, c.u, got, c.want)
		}
	}
}
