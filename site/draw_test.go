package site

import (
	"math"
	"testing"
)

func TestDraw(t *testing.T) {
	for _, p := range Parameters() {
		if !(p.Low <= p.Usual && p.Usual <= p.High) || p.Mark == "" || p.Source == "" {
			t.Errorf("%s: %g is not within %g to %g, or there is no mark", p.Name, p.Usual, p.Low, p.High)
		}
		for _, u := range []float64{0, 0.1, 0.5, 0.9, 0.999} {
			got := p.At(u)
			want := p.Low + u*(p.High-p.Low)
			if p.Log {
				want = p.Low * math.Pow(p.High/p.Low, u)
			}
			if math.Abs(got/want-1) > 1e-6 {
				t.Errorf("%s at %g: got %g, want %g", p.Name, u, got, want)
			}
		}
	}
	var u [ParameterCount]float64
	v := Draw(&u)
	if v[SupplyVolt] != 216.2 || v[RodOhm] != 10 {
		t.Errorf("got %v", v)
	}
}

func TestSetRefuses(t *testing.T) {
	v := Usual()
	for name, x := range map[string]float64{"load-watt": math.NaN(), "supply-volt": 0, "load-power-factor": 1.2, "rod-ohm": math.Inf(1), "nothing": 1} {
		if err := v.Set(name, x); err == nil {
			t.Errorf("%s took %g", name, x)
		}
	}
	if v != Usual() {
		t.Error("a refused value was written")
	}
}
