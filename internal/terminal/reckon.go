package terminal

import (
	"strconv"

	"meterwright/measure"
	"meterwright/metering"
	"meterwright/protection"
)

// Current writes a prospective fault current.
func (t *Text) Current(c protection.Current) {
	if c.Unbounded {
		t.Put(0, "terminal.current.unbounded", "low", rounded(c.Low))
	} else {
		t.Put(0, "terminal.current", "value", rounded(c.Value), "low", rounded(c.Low), "high", rounded(c.High))
	}
	for _, n := range c.Used {
		t.Put(4, "terminal.current.with", "number", n)
	}
}

// Checks writes verdicts, each with its limit and source.
func (t *Text) Checks(list []protection.Check) {
	for i := range list {
		c := &list[i]
		t.Put(0, "terminal.check", "quantity", t.Quantified(c), "value", significant(c.Value.Value), "unit", c.Unit, "verdict", t.Judgement(c.Judgement))
		t.Line("    %s", t.Check(c))
		for _, l := range c.Limits {
			t.Put(4, "terminal.check.limit", "limit", l)
		}
	}
}

// Fuse writes what is known of a fuse against a fault.
func (t *Text) Fuse(f protection.FuseCheck) {
	t.Put(0, "terminal.fuse", "standard", f.Standard, "rating", f.Rating, "seconds", f.Seconds, "verdict", t.Judgement(f.Judgement))
	t.Line("    %s", t.Language.Fuse(&f))
	t.Current(f.Current)
	for _, n := range f.Melts {
		t.Put(4, "terminal.fuse.melts", "limit", n)
	}
	for _, n := range f.Holds {
		t.Put(4, "terminal.fuse.holds", "limit", n)
	}
}

// Load writes a timed load.
func (t *Text) Load(power measure.Estimate, c *metering.Comparison, tolerance float64) {
	t.Put(0, "terminal.load.meter", "power", rounded(power.Value), "u", rounded(power.U))
	if c != nil {
		t.Put(0, "terminal.load.reference", "power", rounded(c.Reference.Value), "u", rounded(c.Reference.U))
		t.Put(0, "terminal.load.deviation", "percent", strconv.FormatFloat(c.DeviationPct.Value, 'f', 1, 64), "u", strconv.FormatFloat(c.DeviationPct.U, 'f', 1, 64),
			"tolerance", tolerance, "verdict", t.Judgement(c.Agreement))
	}
	t.Line("%s", metering.NotTypeLimits)
}

func rounded(v float64) string     { return strconv.FormatFloat(v, 'f', 0, 64) }
func significant(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }
