package measure

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

// The worked examples are those of JCGM 106:2012, clauses 7.3 and 7.4, values
// from memory [M]; the probabilities also follow from the normal distribution.
func TestConformanceWorkedExamples(t *testing.T) {
	for _, tc := range []struct {
		name     string
		value, u float64
		limit    Limit
		want     float64 // as printed, two decimals
	}{
		{"7.3, breakdown voltage of a diode, upper limit", -5.47, 0.05, AtMost(-5.40), 0.92},
		{"7.3, bursting strength of a container, lower limit", 509.7, 8.6, AtLeast(490), 0.99},
		{"7.4, viscosity of a motor oil, both limits", 13.6, 1.8, Between(12.5, 16.3), 0.66},
	} {
		if got := conformance(tc.value, tc.u, tc.limit); !near(got, tc.want, 0.005) {
			t.Errorf("%s: probability %.4f, want %.2f", tc.name, got, tc.want)
		}
	}
}

// The reference library is gonum's normal distribution.
func TestConformanceAgreesWithGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-300, 300).Draw(t, "value")
		u := rapid.Float64Range(0.001, 50).Draw(t, "u")
		a := rapid.Float64Range(-300, 300).Draw(t, "a")
		b := rapid.Float64Range(-300, 300).Draw(t, "b")
		lower, upper := min(a, b), max(a, b)
		n := distuv.Normal{Mu: value, Sigma: u}
		for _, c := range []struct {
			limit Limit
			want  float64
		}{
			{AtMost(upper), n.CDF(upper)},
			{AtLeast(lower), n.Survival(lower)},
			{Between(lower, upper), n.CDF(upper) - n.CDF(lower)},
		} {
			if got := conformance(value, u, c.limit); !near(got, c.want, 1e-12) {
				t.Fatalf("%s with %v ± %v: got %.15f, want %.15f", c.limit, value, u, got, c.want)
			}
		}
	})
}

func TestDefaultGuardIsTheNormalQuantile(t *testing.T) {
	if want := distuv.UnitNormal.Quantile(0.95); !near(DefaultGuard, want, 1e-12) {
		t.Errorf("default guard is %.15f, gonum gives %.15f", DefaultGuard, want)
	}
}

func TestJudge(t *testing.T) {
	const u = 0.01
	edge := DefaultGuard * u
	for _, tc := range []struct {
		name     string
		value, u float64
		limit    Limit
		guard    float64
		want     Verdict
	}{
		{"well within", 0.20, u, AtMost(0.35), DefaultGuard, Pass},
		{"on the edge of the guard band", 0.35 - edge, u, AtMost(0.35), DefaultGuard, Pass},
		{"just inside the guard band", 0.35 - edge + 1e-4, u, AtMost(0.35), DefaultGuard, Doubtful},
		{"on the limit", 0.35, u, AtMost(0.35), DefaultGuard, Doubtful},
		{"just short of failing", 0.35 + edge - 1e-4, u, AtMost(0.35), DefaultGuard, Doubtful},
		{"on the far edge", 0.35 + edge, u, AtMost(0.35), DefaultGuard, Fail},
		{"simple acceptance within", 0.349, u, AtMost(0.35), 0, Pass},
		{"simple acceptance outside", 0.351, u, AtMost(0.35), 0, Fail},
		{"exact value on the bound", 253, 0, Between(216.2, 253), DefaultGuard, Pass},
		{"exact value beyond the bound", 253.1, 0, Between(216.2, 253), DefaultGuard, Fail},
		{"uncertainty wider than the band", 234, 20, Between(216.2, 253), DefaultGuard, Doubtful},
		{"lower bound", 12.5, u, AtLeast(0.35), DefaultGuard, Pass},
	} {
		got, err := Judge(tc.value, tc.u, tc.limit, tc.guard)
		if err != nil || got.Verdict != tc.want {
			t.Errorf("%s: got %s at %v (%v), want %s", tc.name, got.Verdict, got.Probability, err, tc.want)
		}
	}
}

func TestJudgeRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, tc := range []struct {
		value, u float64
		limit    Limit
		guard    float64
	}{
		{nan, 1, AtMost(1), 1}, {inf, 1, AtMost(1), 1}, {1, nan, AtMost(1), 1}, {1, -1, AtMost(1), 1}, {1, inf, AtMost(1), 1},
		{1, 1, Limit{}, 1}, {1, 1, AtMost(nan), 1}, {1, 1, AtLeast(inf), 1}, {1, 1, Between(2, 1), 1},
		{1, 1, AtMost(1), -1}, {1, 1, AtMost(1), nan}, {1, 1, AtMost(1), inf},
	} {
		if got, err := Judge(tc.value, tc.u, tc.limit, tc.guard); err == nil || got != (Judgement{}) {
			t.Errorf("%v ± %v against %s with guard %v gave %+v, %v", tc.value, tc.u, tc.limit, tc.guard, got, err)
		}
	}
	var unset Judgement
	if unset.Verdict.String() != "doubtful" {
		t.Error("a judgement never made does not read as doubtful")
	}
}

// A larger uncertainty never turns doubtful into certain, and pass and fail
// exclude each other when the limit is turned round.
func TestJudgeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-10, 10).Draw(t, "value")
		bound := rapid.Float64Range(-10, 10).Draw(t, "bound")
		u := rapid.Float64Range(1e-3, 10).Draw(t, "u")
		more := rapid.Float64Range(1, 10).Draw(t, "more")
		judge := func(u float64, l Limit) Verdict {
			j, err := Judge(value, u, l, DefaultGuard)
			if err != nil {
				t.Fatal(err)
			}
			return j.Verdict
		}
		narrow, wide := judge(u, AtMost(bound)), judge(u*more, AtMost(bound))
		if wide != Doubtful && wide != narrow {
			t.Fatalf("with more uncertainty %s became %s", narrow, wide)
		}
		turned := map[Verdict]Verdict{Pass: Fail, Fail: Pass, Doubtful: Doubtful}
		if got := judge(u, AtLeast(bound)); got != turned[narrow] {
			t.Fatalf("at most gives %s, at least gives %s", narrow, got)
		}
	})
}

// Source: JCGM 100:2008, 4.3.7, examples 1 and 2, and F.2.2.1, values from
// memory [M].
func TestStandardUncertaintyWorkedExamples(t *testing.T) {
	// Example 1: expansion of copper, 16.52 ± 0.40 in 10^-6 per °C.
	copper := Accuracy{AbsoluteFixed: 0.40}
	if got := copper.HalfWidth(MustDecimal("16.52")) / math.Sqrt(3); !near(got, 0.23, 0.005) {
		t.Errorf("example 1: %.4f, want 0.23", got)
	}
	// Example 2: a voltmeter of 14e-6 of reading + 2e-6 of the 1 V range at
	// 0.928571 V: half-width 15 µV, standard uncertainty 8.7 µV. The display's
	// last digit, 1 µV, which the example leaves out, adds 0.005 µV.
	meter := Accuracy{RelativePct: 14e-4, AbsoluteFixed: 2e-6}
	reading := MustDecimal("0.928571")
	if got := meter.HalfWidth(reading) * 1e6; !near(got, 15, 0.05) {
		t.Errorf("example 2: half-width %.3f µV, want 15", got)
	}
	if got := meter.StandardUncertainty(reading) * 1e6; !near(got, 8.7, 0.05) {
		t.Errorf("example 2: %.3f µV, want 8.7", got)
	}
	// F.2.2.1: resolution δ alone gives 0.29 δ.
	if got := (Accuracy{}).StandardUncertainty(MustDecimal("0.30")) / 0.01; !near(got, 0.29, 0.005) {
		t.Errorf("F.2.2.1: %.4f of the last digit, want 0.29", got)
	}
	// ±(1.5 % + 3 digits) at 238.1 V is ± (3.5715 + 0.3) V.
	if got := (Accuracy{RelativePct: 1.5, Digits: 3}).HalfWidth(MustDecimal("238.1")); !near(got, 3.8715, 1e-12) {
		t.Errorf("voltmeter: ± %.5f V, want 3.8715", got)
	}
}

func TestAccuracyAndEstimateCheck(t *testing.T) {
	for _, bad := range []Accuracy{{RelativePct: -1}, {Digits: math.NaN()}, {AbsoluteFixed: math.Inf(1)}} {
		if bad.Check() == nil {
			t.Errorf("%+v was accepted", bad)
		}
	}
	if err := (Accuracy{RelativePct: 1.5, Digits: 3}).Check(); err != nil {
		t.Error(err)
	}
	e := Accuracy{RelativePct: 2}.Estimate(MustDecimal("-100"))
	if e.Value != -100 || !near(e.Relative(), e.U/100, 1e-15) || e.Check() != nil {
		t.Errorf("got %+v, relative %v", e, e.Relative())
	}
	if !math.IsInf(Estimate{U: 1}.Relative(), 1) || (Estimate{}).Relative() != 0 {
		t.Error("relative uncertainty at nought")
	}
	if got := Quadrature(3, 4); got != 5 {
		t.Errorf("3 and 4 in quadrature give %v", got)
	}
}

func TestVerdictText(t *testing.T) {
	for _, v := range []Verdict{Doubtful, Pass, Fail} {
		text, err := v.MarshalText()
		var back Verdict
		if err != nil || back.UnmarshalText(text) != nil || back != v {
			t.Errorf("%s comes back as %s", text, back)
		}
	}
	var v Verdict
	if v.UnmarshalText([]byte("passed")) == nil {
		t.Error("an unknown verdict was accepted")
	}
	for limit, want := range map[Limit]string{AtMost(0.35): "at most 0.35", AtLeast(1): "at least 1", Between(216.2, 253): "216.2 to 253", {}: "no limit"} {
		if limit.String() != want {
			t.Errorf("got %q, want %q", limit, want)
		}
	}
}
