package metering

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"meterwright/measure"
)

func exact(v float64) measure.Estimate { return measure.Estimate{Value: v} }

func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

// By the definition of the meter constant: 1000 imp/kWh makes each pulse 1 Wh,
// which is 3600 J.
func TestTimedLoadPower(t *testing.T) {
	for _, tc := range []struct {
		name string
		load TimedLoad
		want float64
	}{
		{"1 Wh in 36 s is 100 W", TimedLoad{1, PulseToPulse, exact(36), 1000, 1}, 100},
		{"10 pulses of 1 Wh in 18 s are 2 kW", TimedLoad{10, PulseToPulse, exact(18), 1000, 1}, 2000},
		{"a disc of 250 turns/kWh, 1 turn in 7.2 s is 2 kW", TimedLoad{1, PulseToPulse, exact(7.2), 250, 1}, 2000},
		{"200/5 transformers multiply by 40", TimedLoad{10, PulseToPulse, exact(18), 1000, 40}, 80000},
	} {
		p, err := tc.load.Power()
		if err != nil || !near(p.Value, tc.want, 1e-9*tc.want) || p.U != 0 {
			t.Errorf("%s: got %+v, %v", tc.name, p, err)
		}
	}
}

// JCGM 100:2008, 4.3.7: a count one out either way has u = 1/√3.
func TestTimedLoadUncertainty(t *testing.T) {
	timed := TimedLoad{20, PulseToPulse, measure.Estimate{Value: 36, U: 0.36}, 1000, 1}
	p, err := timed.Power()
	if err != nil || !near(p.Relative(), 0.01, 1e-12) {
		t.Errorf("timing of 1 %% gives %v, %v", p.Relative(), err)
	}
	timed.Count, timed.Seconds = FreeWindow, exact(36)
	p, err = timed.Power()
	if err != nil || !near(p.Relative(), 1/math.Sqrt(3)/20, 1e-12) {
		t.Errorf("counting gives %v, %v", p.Relative(), err)
	}
	// The reference library's rectangular distribution has the same spread.
	if want := (distuv.Uniform{Min: 19, Max: 21}).StdDev(); !near(p.Relative()*20, want, 1e-12) {
		t.Errorf("counting gives %v, a rectangular distribution %v", p.Relative()*20, want)
	}
}

func TestReferencePower(t *testing.T) {
	r := Reference{measure.Estimate{Value: 230, U: 2.3}, measure.Estimate{Value: 10, U: 0.2}, measure.Estimate{Value: 0.9, U: 0.018}}
	p, err := r.power()
	if err != nil || !near(p.Value, 2070, 1e-9) || !near(p.Relative(), 0.03, 1e-12) { // 1, 2 and 2 % in quadrature
		t.Errorf("got %+v, %v", p, err)
	}
}

func TestCompare(t *testing.T) {
	load := TimedLoad{10, PulseToPulse, measure.Estimate{Value: 18, U: 0.1}, 1000, 1} // 2 kW
	for _, tc := range []struct {
		amps, uAmps, tolerance float64
		want                   measure.Verdict
	}{
		{8.696, 0.05, 5, measure.Pass},    // 2 kW
		{8.696, 0.5, 5, measure.Doubtful}, // too coarse to tell
		{4.348, 0.05, 5, measure.Fail},    // half the current: the meter shows double
	} {
		c, err := Compare(load, Reference{exact(230), measure.Estimate{Value: tc.amps, U: tc.uAmps}, exact(1)}, tc.tolerance, measure.DefaultGuard)
		if err != nil || c.Agreement.Verdict != tc.want {
			t.Errorf("%v A ± %v: got %s, %+v (%v), want %s", tc.amps, tc.uAmps, c.Agreement.Verdict, c.DeviationPct, err, tc.want)
		}
		if !strings.Contains(c.Statement, "do not judge a load check on site") {
			t.Errorf("the statement is missing: %q", c.Statement)
		}
	}
}

func TestLoadCheckRefuses(t *testing.T) {
	good := TimedLoad{10, PulseToPulse, exact(18), 1000, 1}
	ref := Reference{exact(230), exact(10), exact(1)}
	for name, spoil := range map[string]func(*TimedLoad, *Reference){
		"no pulses":          func(l *TimedLoad, _ *Reference) { l.Pulses = 0 },
		"no time":            func(l *TimedLoad, _ *Reference) { l.Seconds = exact(0) },
		"time not a number":  func(l *TimedLoad, _ *Reference) { l.Seconds = exact(math.NaN()) },
		"no constant":        func(l *TimedLoad, _ *Reference) { l.Constant = 0 },
		"endless constant":   func(l *TimedLoad, _ *Reference) { l.Constant = math.Inf(1) },
		"no ratio":           func(l *TimedLoad, _ *Reference) { l.Ratio = 0 },
		"unknown count":      func(l *TimedLoad, _ *Reference) { l.Count = 7 },
		"overflow":           func(l *TimedLoad, _ *Reference) { l.Ratio = math.MaxFloat64 },
		"no volts":           func(_ *TimedLoad, r *Reference) { r.Volts = exact(0) },
		"amperes not finite": func(_ *TimedLoad, r *Reference) { r.Amps = exact(math.Inf(1)) },
		"power factor of 2":  func(_ *TimedLoad, r *Reference) { r.PowerFactor = exact(2) },
	} {
		l, r := good, ref
		spoil(&l, &r)
		if c, err := Compare(l, r, 5, measure.DefaultGuard); err == nil {
			t.Errorf("%s gave %+v", name, c)
		}
	}
	if _, err := Compare(good, ref, 0, measure.DefaultGuard); err == nil {
		t.Error("a tolerance of nought was accepted")
	}
	if _, err := Compare(good, ref, 5, -1); err == nil {
		t.Error("a negative guard was accepted")
	}
}
