package diagnose

import (
	"math"
	"testing"
)

func TestExpAndLog(t *testing.T) {
	for x := -690.0; x < 690; x += 0.377 {
		if got, want := exp(x), math.Exp(x); math.Abs(got/want-1) > 4e-15*math.Max(1, math.Abs(x)/50) {
			t.Errorf("exp(%g) is %g, want %g", x, got, want)
		}
		y := math.Exp(x)
		if got := log(y); math.Abs(got-math.Log(y)) > 4e-16*math.Max(1, math.Abs(x))*2 {
			t.Errorf("log(%g) is %.17g, want %.17g", y, got, math.Log(y))
		}
	}
	if exp(-1e9) != 0 || log(0) != -750 || log(math.NaN()) != -750 {
		t.Error("the ends are not as documented")
	}
}
