package protection

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"meterwright/measure"
	"meterwright/rules"
)

var gb = rules.GB()

func exact(v float64) measure.Estimate { return measure.Estimate{Value: v} }

func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

func TestFaultCurrentWorkedExamples(t *testing.T) {
	for _, tc := range []struct {
		name  string
		loop  Loop
		terms Terms
		want  float64
		tol   float64
	}{
		// U / Z: the worked example common in guides to testing, 230 V and
		// 0.20 Ω giving 1.15 kA [M].
		{"230 V over 0.20 Ω", Loop{exact(230), exact(0.20)}, Terms{}, 1150, 1e-9},
		// 16 kA at 230 V is a loop of 0.0144 Ω (Engineering Recommendation P25 [M]): 15.97 kA.
		{"declared maximum", Loop{exact(230), exact(0.0144)}, Terms{}, 16000, 50},
		// BS 7671 411.4.4: U0 × Cmin / Zs, here 218.5 / 0.35.
		{"lowest at the declared maximum impedance", Loop{exact(0), exact(0.35)}, Terms{Basis: Lowest}, 624.2857, 1e-3},
		{"lowest, hot", Loop{exact(0), exact(0.35)}, Terms{Basis: Lowest, Hot: true}, 499.4286, 1e-3},
		{"highest", Loop{exact(0), exact(0.35)}, Terms{Basis: Highest}, 722.8571, 1e-3},
	} {
		got, err := FaultCurrent(gb, tc.loop, tc.terms)
		if err != nil || !near(got.Value, tc.want, tc.tol) || got.U != 0 || got.Unbounded {
			t.Errorf("%s: got %+v, %v; want %v A", tc.name, got, err, tc.want)
		}
	}
}

// The oracle for the first-order propagation is the exact spread of a U and Z
// moved by small steps; for Low and High it is the same formula at the corners.
func TestFaultCurrentUncertainty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		volts := rapid.Float64Range(200, 260).Draw(t, "volts")
		ohms := rapid.Float64Range(0.05, 200).Draw(t, "ohms")
		uv := rapid.Float64Range(0, 4).Draw(t, "uv")
		uz := rapid.Float64Range(0, 0.02).Draw(t, "uz")
		got, err := FaultCurrent(gb, Loop{measure.Estimate{Value: volts, U: uv}, measure.Estimate{Value: ohms, U: uz}}, Terms{})
		if err != nil {
			t.Fatal(err)
		}
		const h = 1e-6
		dv := (volts*(1+h)/ohms - volts*(1-h)/ohms) / (2 * volts * h) * uv
		dz := (volts/(ohms*(1+h)) - volts/(ohms*(1-h))) / (2 * ohms * h) * uz
		if want := math.Hypot(dv, dz); !near(got.U, want, 1e-6*got.Value) {
			t.Fatalf("u = %v, want %v", got.U, want)
		}
		if got.Unbounded || got.Low > got.Value || got.High < got.Value {
			t.Fatalf("%v is not within %v to %v", got.Value, got.Low, got.High)
		}
	})
}

func TestFaultCurrentNearNought(t *testing.T) {
	got, err := FaultCurrent(gb, Loop{exact(230), measure.Estimate{Value: 0.03, U: 0.02}}, Terms{})
	if err != nil || !got.Unbounded || got.High != 0 || !near(got.Low, 230/0.07, 1e-6) {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestUnusableInputIsRefused(t *testing.T) {
	good := Loop{exact(230), exact(0.2)}
	for name, try := range map[string]func() error{
		"no impedance": func() error { _, err := FaultCurrent(gb, Loop{exact(230), exact(0)}, Terms{}); return err },
		"tiny impedance": func() error {
			_, err := FaultCurrent(gb, Loop{exact(230), exact(math.SmallestNonzeroFloat64)}, Terms{})
			return err
		},
		"negative impedance": func() error { _, err := FaultCurrent(gb, Loop{exact(230), exact(-1)}, Terms{}); return err },
		"no voltage number": func() error {
			_, err := FaultCurrent(gb, Loop{exact(math.NaN()), exact(1)}, Terms{})
			return err
		},
		"unknown basis":          func() error { _, err := FaultCurrent(gb, good, Terms{Basis: 9}); return err },
		"hot and highest":        func() error { _, err := FaultCurrent(gb, good, Terms{Basis: Highest, Hot: true}); return err },
		"unknown arrangement":    func() error { _, err := CheckExternalLoop(gb, "IT", exact(1), 1); return err },
		"negative loop":          func() error { _, err := CheckExternalLoop(gb, "TT", exact(-1), 1); return err },
		"endless voltage":        func() error { _, err := CheckVoltage(gb, exact(math.Inf(1)), 1); return err },
		"unknown fuse standard":  func() error { _, err := FuseDisconnects(gb, "?", 80, 5, good, Terms{}, 1); return err },
		"unknown rating":         func() error { _, err := FuseDisconnects(gb, "bs-88-3", 60, 5, good, Terms{}, 1); return err },
		"no disconnection time":  func() error { _, err := FuseDisconnects(gb, "bs-88-3", 80, 0, good, Terms{}, 1); return err },
		"fuse, no impedance":     func() error { _, err := FuseDisconnects(gb, "bs-88-3", 80, 5, Loop{}, Terms{}, 1); return err },
		"fuse, no guard":         func() error { _, err := FuseDisconnects(gb, "bs-88-3", 80, 5, good, Terms{}, -1); return err },
		"unknown conductor":      func() error { _, err := CheckConductor(gb, "?", 16, exact(1), 1, 1); return err },
		"no cross-section":       func() error { _, err := CheckConductor(gb, "cu-pvc-separate", 0, exact(1), 1, 1); return err },
		"too long for adiabatic": func() error { _, err := CheckConductor(gb, "cu-pvc-separate", 16, exact(1), 5.1, 1); return err },
		"negative fault current": func() error { _, err := CheckConductor(gb, "cu-pvc-separate", 16, exact(-1), 1, 1); return err },
	} {
		if err := try(); err == nil || err.Error() == "" {
			t.Errorf("%s was accepted", name)
		}
	}
}

func TestCheckVoltage(t *testing.T) {
	u := measure.Accuracy{RelativePct: 1.5, Digits: 3}
	for text, want := range map[string]measure.Verdict{
		"238.1": measure.Pass, "253.0": measure.Doubtful, "251.0": measure.Doubtful, "216.2": measure.Doubtful,
		"260.0": measure.Fail, "205.0": measure.Fail,
	} {
		c, err := CheckVoltage(gb, u.Estimate(measure.MustDecimal(text)), measure.DefaultGuard)
		if err != nil || c.Verdict != want || len(c.Limits) != 2 || c.Quantity != LineVoltage || c.Unit != measure.Volt {
			t.Errorf("%s V: got %s at %v (%v), want %s", text, c.Verdict, c.Probability, err, want)
		}
	}
}

func TestCheckExternalLoop(t *testing.T) {
	u := measure.Accuracy{RelativePct: 5, AbsoluteFixed: 0.03} // a loop tester, common practice [P]
	for _, tc := range []struct {
		arrangement, ohms string
		want              measure.Verdict
	}{
		{"TN-C-S", "0.20", measure.Pass}, {"TN-C-S", "0.34", measure.Doubtful}, {"TN-C-S", "0.45", measure.Fail},
		{"TN-S", "0.45", measure.Pass}, {"TN-S", "0.80", measure.Doubtful}, {"TT", "15.00", measure.Pass}, {"TT", "20.50", measure.Doubtful},
		{"TT", "80.00", measure.Doubtful}, // the electrode is in it
	} {
		c, err := CheckExternalLoop(gb, tc.arrangement, u.Estimate(measure.MustDecimal(tc.ohms)), measure.DefaultGuard)
		if err != nil || c.Verdict != tc.want || len(c.Limits) != 1 || c.Limits[0].Source == "" {
			t.Errorf("%s %s Ω: got %s at %v (%v), want %s", tc.arrangement, tc.ohms, c.Verdict, c.Probability, err, tc.want)
		}
	}
}

func TestCheckDeclaredFault(t *testing.T) {
	for _, tc := range []struct {
		name string
		loop Loop
		want measure.Verdict
	}{
		{"ordinary service", Loop{exact(0), measure.Estimate{Value: 0.20, U: 0.02}}, measure.Pass},
		{"near a substation, field tester", Loop{exact(0), measure.Estimate{Value: 0.02, U: 0.02}}, measure.Doubtful},
		{"reads nought", Loop{exact(0), measure.Estimate{Value: 0, U: 0.02}}, measure.Doubtful},
		{"known to be above", Loop{exact(0), measure.Estimate{Value: 0.010, U: 0.0005}}, measure.Fail},
	} {
		c, err := CheckDeclaredFault(gb, tc.loop, Terms{Basis: Highest}, measure.DefaultGuard)
		if err != nil || c.Verdict != tc.want || c.Limits[0] != gb.Fault.DeclaredMaximum || len(c.Limits) != 3 {
			t.Errorf("%s: got %s at %v (%v), want %s", tc.name, c.Verdict, c.Probability, err, tc.want)
		}
		if (tc.loop.Ohms.Value == 0) != (c.Because == LoopNought) {
			t.Errorf("%s: it is hidden that there is no value: %q", tc.name, c.Because)
		}
	}
}

// The gates are those of IEC 60269-1 for gG, from memory [M]: 80 A melts
// within 5 s at 425 A and within 0.1 s at 1100 A, holds 10 s at 215 A and 0.1 s
// at 610 A.
func TestFuseDisconnectsAtItsGates(t *testing.T) {
	for _, tc := range []struct {
		amps, seconds float64
		want          measure.Verdict
		outcome       FuseOutcome
	}{
		{426, 5, measure.Pass, Disconnects}, {424, 5, measure.Doubtful, BetweenTheGates}, {216, 5, measure.Doubtful, BetweenTheGates}, {214, 5, measure.Fail, DoesNot},
		{1101, 0.4, measure.Pass, Disconnects}, {1099, 0.4, measure.Doubtful, BetweenTheGates}, {426, 0.4, measure.Doubtful, BetweenTheGates}, {214, 0.4, measure.Fail, DoesNot},
		{611, 0.1, measure.Doubtful, BetweenTheGates}, {609, 0.1, measure.Fail, DoesNot},
		{5000, 0.05, measure.Doubtful, NoGate},       // no gate promises 0.05 s
		{214, 60, measure.Doubtful, NotShownToReach}, // nor does any say that it holds for 60 s
	} {
		c, err := FuseDisconnects(gb, "bs-88-2-gg", 80, tc.seconds, Loop{exact(230), exact(230 / tc.amps)}, Terms{}, measure.DefaultGuard)
		if err != nil || c.Verdict != tc.want || c.Outcome != tc.outcome {
			t.Errorf("%v A within %v s: got %s, %q (%v), want %s, %q", tc.amps, tc.seconds, c.Verdict, c.Outcome, err, tc.want, tc.outcome)
		}
		for _, n := range append(append([]rules.Number(nil), c.Melts...), c.Holds...) {
			if n.Source == "" || !n.Mark.Valid() {
				t.Errorf("a gate has no source: %+v", n)
			}
		}
	}
}

// Greatest loop impedances of BS 7671 table 41.4 for 5 s, from memory [M]: a
// loop at the tabulated value disconnects, one above it is not shown to.
func TestFuseDisconnectsByTabulatedImpedance(t *testing.T) {
	for _, tc := range []struct {
		standard     string
		rating, ohms float64
	}{
		{"bs-88-3", 63, 0.68}, {"bs-88-3", 80, 0.51}, {"bs-88-3", 100, 0.38},
		{"bs-1361-ii", 60, 0.70 * 0.95}, {"bs-1361-ii", 80, 0.50 * 0.95}, {"bs-1361-ii", 100, 0.36 * 0.95},
	} {
		for factor, want := range map[float64]measure.Verdict{0.999: measure.Pass, 1.001: measure.Doubtful} {
			c, err := FuseDisconnects(gb, tc.standard, tc.rating, 5, Loop{exact(0), exact(tc.ohms * factor)}, Terms{Basis: Lowest}, measure.DefaultGuard)
			if err != nil || c.Verdict != want {
				t.Errorf("%s %v A, %v Ω × %v: got %s (%v), want %s", tc.standard, tc.rating, tc.ohms, factor, c.Verdict, err, want)
			}
		}
	}
}

// The two published descriptions of one curve agree to the rounding of the
// impedance, half a hundredth of an ohm: BS 88-3 at U0 × Cmin against the gG
// gate at 5 s.
func TestFuseStandardsAgreeWhereTheyOverlap(t *testing.T) {
	gates88, err := gb.FuseStandardByID("bs-88-2-gg")
	if err != nil {
		t.Fatal(err)
	}
	table, err := gb.FuseStandardByID("bs-88-3")
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range table.Fuses {
		melts, _ := gates(gates88.Fuses[i], 5)
		z := f.Impedances[0]
		if want := 230 * 0.95 / melts.amps; !near(z.Impedance.Float(), want, 0.005) {
			t.Errorf("%s: %s, the gate gives %.4f Ω", f.Rating.Reading(), z.Impedance.Reading(), want)
		}
	}
}

// More fault current never makes disconnection less certain, and a longer time
// never does either.
func TestFuseDisconnectsIsMonotone(t *testing.T) {
	rank := map[measure.Verdict]int{measure.Fail: 0, measure.Doubtful: 1, measure.Pass: 2}
	rapid.Check(t, func(t *rapid.T) {
		standard := rapid.SampledFrom(gb.Fuses).Draw(t, "standard")
		fuse := rapid.SampledFrom(standard.Fuses).Draw(t, "fuse")
		ohms := rapid.Float64Range(0.05, 3).Draw(t, "ohms")
		less := rapid.Float64Range(0.2, 1).Draw(t, "less")
		seconds := rapid.SampledFrom([]float64{0.1, 0.4, 5, 10}).Draw(t, "seconds")
		verdict := func(ohms, seconds float64) int {
			c, err := FuseDisconnects(gb, standard.ID, fuse.Rating.Float(), seconds, Loop{exact(230), exact(ohms)}, Terms{Basis: Lowest}, measure.DefaultGuard)
			if err != nil {
				t.Fatal(err)
			}
			return rank[c.Verdict]
		}
		here := verdict(ohms, seconds)
		if verdict(ohms*less, seconds) < here {
			t.Fatalf("less impedance is less certain")
		}
		if longer := verdict(ohms, 10); here == 2 && longer < here {
			t.Fatalf("a longer time is less certain")
		}
	})
}

func TestCheckConductorWorkedExample(t *testing.T) {
	// S = √(I²t)/k, BS 7671 543.1.3. A worked example of the kind found in
	// guides [M]: 1150 A for 0.4 s in copper of k 115 needs
	// √(1150² × 0.4) / 115 = 6.32 mm².
	c, err := CheckConductor(gb, "cu-pvc-in-cable", 10, exact(1150), 0.4, measure.DefaultGuard)
	if err != nil || !near(c.Value.Value, 6.3246, 1e-4) || c.Verdict != measure.Pass {
		t.Errorf("got %+v, %v", c, err)
	}
	c, err = CheckConductor(gb, "cu-pvc-in-cable", 6, exact(1150), 0.4, measure.DefaultGuard)
	if err != nil || c.Verdict != measure.Fail {
		t.Errorf("6 mm²: got %s, %v", c.Verdict, err)
	}
	c, err = CheckConductor(gb, "cu-pvc-in-cable", 6, measure.Estimate{Value: 1100, U: 60}, 0.4, measure.DefaultGuard)
	if err != nil || c.Verdict != measure.Doubtful || c.Limits[0].Value.String() != "115" {
		t.Errorf("uncertain current: got %s, %v", c.Verdict, err)
	}
	// k is 143 for the conductor apart: 1000 A for 5 s needs 15.64 mm².
	c, err = CheckConductor(gb, "cu-pvc-separate", 16, exact(1000), 5, measure.DefaultGuard)
	if err != nil || !near(c.Value.Value, 15.637, 1e-3) || c.Verdict != measure.Pass {
		t.Errorf("got %+v, %v", c, err)
	}
}
