package tell

import (
	"fmt"

	"meterwright/measure"
	"meterwright/metering"
	"meterwright/protection"
)

// Current writes a prospective fault current.
func (t *Text) Current(c protection.Current) {
	if c.Unbounded {
		t.Line("Prospective fault current: at least %.0f A; the loop impedance cannot be told from nought", c.Low)
	} else {
		t.Line("Prospective fault current: %.0f A, between %.0f A and %.0f A (about 95 %%)", c.Value, c.Low, c.High)
	}
	for _, n := range c.Used {
		t.Line("    with %s", n)
	}
}

// Checks writes verdicts, each with its limit and source.
func (t *Text) Checks(list []protection.Check) {
	for _, c := range list {
		t.Line("%s: %.4g %s: %s", upper(c.Quantity), c.Value.Value, c.Unit, verdict(c.Judgement))
		t.Line("    %s", c.Sentence)
		for _, l := range c.Limits {
			t.Line("    limit or constant: %s", l)
		}
	}
}

func verdict(j measure.Judgement) string {
	return fmt.Sprintf("%s (probability %.3f of lying within the limit)", j.Verdict, j.Probability)
}

// Fuse writes what is known of a fuse against a fault.
func (t *Text) Fuse(f protection.FuseCheck) {
	t.Line("%s, %s, within %g s: %s", f.Standard, f.Rating, f.Seconds, verdict(f.Judgement))
	t.Line("    %s", f.Sentence)
	t.Current(f.Current)
	for _, n := range f.Melts {
		t.Line("    must disconnect from: %s", n)
	}
	for _, n := range f.Holds {
		t.Line("    must not disconnect at: %s", n)
	}
}

// Load writes a timed load.
func (t *Text) Load(power measure.Estimate, c *metering.Comparison, tolerance float64) {
	t.Line("Power by the meter: %.0f W, standard uncertainty %.0f W (by definition of the meter constant [S])", power.Value, power.U)
	if c != nil {
		t.Line("Power by the reference: %.0f W, standard uncertainty %.0f W", c.Reference.Value, c.Reference.U)
		t.Line("Deviation: %.1f %%, standard uncertainty %.1f %%; agreement within %g %% as the method asks: %s", c.DeviationPct.Value, c.DeviationPct.U, tolerance, verdict(c.Agreement))
	}
	t.Line("%s", metering.NotTypeLimits)
}
