package rules

import (
	"fmt"

	"meterwright/measure"
)

// checkSense refuses what is well formed but cannot be meant: the wrong unit, a
// band upside down, two rows with one id.
func (p *Pack) checkSense() error {
	var c sense
	s := p.Supply
	c.unit("/supply/nominal_voltage", s.NominalVoltage, measure.Volt)
	c.unit("/supply/nominal_line_voltage", s.NominalLineVoltage, measure.Volt)
	c.band("/supply/minimum_voltage", s.MinimumVoltage, s.MaximumVoltage, measure.Volt)
	c.unit("/supply/nominal_frequency", s.NominalFrequency, measure.Hertz)
	c.band("/supply/minimum_frequency", s.MinimumFrequency, s.MaximumFrequency, measure.Hertz)
	c.unit("/touch/limit", p.Touch.Limit, measure.Volt)
	c.unit("/touch/dead_threshold", p.Touch.DeadThreshold, measure.Volt)
	c.unit("/touch/proved_dead_lasts", p.Touch.ProvedDeadLasts, measure.Minute)
	for i, e := range p.Earthing {
		path := fmt.Sprintf("/earthing/%d", i)
		c.id(path, e.ID)
		c.unit(path+"/max_external_impedance", e.MaxExternal, measure.Ohm)
		if e.Loop != "supply" && e.Loop != "supply-and-electrode" {
			c.fail(path+"/loop", "the loop is %q: use supply or supply-and-electrode", e.Loop)
		}
	}
	c.unit("/fault/declared_maximum", p.Fault.DeclaredMaximum, measure.Kiloampere)
	c.band("/fault/c_min", p.Fault.CMin, p.Fault.CMax, measure.One)
	c.unit("/fault/temperature_factor", p.Fault.TemperatureFactor, measure.One)
	c.unit("/on_site/no_load_current", p.OnSite.NoLoadCurrent, measure.Ampere)
	c.unit("/on_site/joined_resistance", p.OnSite.JoinedResistance, measure.Ohm)
	for i, d := range p.Disconnect {
		path := fmt.Sprintf("/disconnection/%d", i)
		c.id(path, d.ID)
		c.unit(path+"/time", d.Time, measure.Second)
	}
	c.unit("/tt/max_touch_product", p.TT.MaxTouchProduct, measure.Volt)
	c.unit("/tt/unstable_above", p.TT.UnstableAbove, measure.Ohm)
	for i, k := range p.Conductors {
		path := fmt.Sprintf("/conductors/%d", i)
		c.id(path, k.ID)
		c.unit(path+"/k", k.K, measure.AdiabaticK)
	}
	for i, f := range p.Fuses {
		path := fmt.Sprintf("/fuses/%d", i)
		c.id(path, f.ID)
		for j, fuse := range f.Fuses {
			c.fuse(fmt.Sprintf("%s/fuses/%d", path, j), fuse)
		}
	}
	c.meterErrors(p.MeterErrors)
	c.signed("/in_service/upper", p.InService.Upper, measure.Percent)
	c.signed("/in_service/lower", p.InService.Lower, measure.Percent)
	c.sampling(p.Sampling)
	c.meterPoint(p.MeterPoint)
	c.unit("/plausibility/doubtful_below", p.Plausible.DoubtfulBelow, measure.One)
	c.band("/plausibility/doubtful_above", p.Plausible.DoubtfulAbove, p.Plausible.ImplausibleAbove, measure.One)
	for i, scheme := range p.Schemes {
		c.id(fmt.Sprintf("/schemes/%d", i), scheme.ID)
	}
	c.unit("/personal_data_kept", p.DataKept, measure.Day)
	for i, g := range p.Gloves {
		c.unit(fmt.Sprintf("/gloves/%d/max_voltage", i), g.MaxVoltage, measure.Volt)
	}
	c.band("/probes/preferred_tip", p.Probes.PreferredTip, p.Probes.MaxTip, measure.Millimetre)
	return c.err
}

// sense keeps the first thing found wrong.
type sense struct {
	err error
	ids []string
}

func (c *sense) fail(path, format string, args ...any) {
	if c.err == nil {
		c.err = fmt.Errorf("at %s: "+format, append([]any{path}, args...)...)
	}
}

func (c *sense) signed(path string, n Number, unit measure.Unit) {
	if n.Unit != unit {
		c.fail(path, "the unit is %q: it must be %q here", string(n.Unit), string(unit))
	}
}

func (c *sense) unit(path string, n Number, unit measure.Unit) {
	c.signed(path, n, unit)
	if n.Value.Sign() <= 0 {
		c.fail(path, "the value is %s: it must be greater than nought", n.Value)
	}
}

func (c *sense) whole(path string, n Number) {
	c.unit(path, n, measure.One)
	if n.Value.Places() > 0 || n.Value.WholeDigits() > 9 {
		c.fail(path, "the value is %s: it must be a whole number of at most 9 digits", n.Value)
	}
}

func (c *sense) band(path string, lower, upper Number, unit measure.Unit) {
	c.unit(path, lower, unit)
	c.unit(path, upper, unit)
	if lower.Value.Cmp(upper.Value) > 0 {
		c.fail(path, "the value %s lies above its upper partner %s: exchange them", lower.Value, upper.Value)
	}
}

// id refuses an id that stands twice among rows of one kind. Kinds are told
// apart by the path without its index.
func (c *sense) id(path, id string) {
	kind := path
	for i := len(path) - 1; i >= 0; i-- {
		if path[i] == '/' {
			kind = path[:i]
			break
		}
	}
	key := kind + " " + id
	for _, seen := range c.ids {
		if seen == key {
			c.fail(path+"/id", "the id %q stands twice: give each row its own", id)
		}
	}
	c.ids = append(c.ids, key)
}

func (c *sense) fuse(path string, f Fuse) {
	c.unit(path+"/rating", f.Rating, measure.Ampere)
	if len(f.Gates) == 0 && len(f.Impedances) == 0 {
		c.fail(path, "the fuse has neither gates nor impedances: give one of them or remove the fuse")
	}
	for i, g := range f.Gates {
		at := fmt.Sprintf("%s/gates/%d", path, i)
		if g.Kind != Holds && g.Kind != Melts {
			c.fail(at+"/kind", "the kind is %q: use holds or melts", string(g.Kind))
		}
		c.unit(at+"/time", g.Time, measure.Second)
		c.unit(at+"/current", g.Current, measure.Ampere)
	}
	for i, z := range f.Impedances {
		at := fmt.Sprintf("%s/impedances/%d", path, i)
		c.unit(at+"/time", z.Time, measure.Second)
		c.unit(at+"/impedance", z.Impedance, measure.Ohm)
		c.unit(at+"/voltage", z.Voltage, measure.Volt)
		c.unit(at+"/voltage_factor", z.VoltageFactor, measure.One)
	}
}

func (c *sense) meterErrors(rows []MeterErrorRow) {
	for i, row := range rows {
		path := fmt.Sprintf("/meter_errors/%d", i)
		if row.Current != "min-to-tr" && row.Current != "tr-to-max" {
			c.fail(path+"/current", "the current range is %q: use min-to-tr or tr-to-max", row.Current)
		}
		if row.Load != "balanced" && row.Load != "single-phase-on-polyphase" {
			c.fail(path+"/load", "the load is %q: use balanced or single-phase-on-polyphase", row.Load)
		}
		for j, t := range row.Temperatures {
			at := fmt.Sprintf("%s/temperatures/%d", path, j)
			c.signed(at+"/from", t.From, measure.Celsius)
			c.signed(at+"/to", t.To, measure.Celsius)
			if t.From.Value.Cmp(t.To.Value) > 0 {
				c.fail(at, "the range runs from %s down to %s: exchange them", t.From.Value, t.To.Value)
			}
		}
		for j, e := range row.Errors {
			c.unit(fmt.Sprintf("%s/errors/%d/error", path, j), e.Error, measure.Percent)
		}
	}
}

func (c *sense) sampling(plans []SamplingPlan) {
	for i, s := range plans {
		path := fmt.Sprintf("/sampling/%d", i)
		c.whole(path+"/lot_from", s.LotFrom)
		c.whole(path+"/lot_to", s.LotTo)
		c.whole(path+"/sample", s.Sample)
		c.unit(path+"/aql", s.AQL, measure.Percent)
		if s.Accept.Value.Sign() != 0 { // accepting on nought is usual for small samples
			c.whole(path+"/accept", s.Accept)
		}
		c.whole(path+"/reject", s.Reject)
	}
}

func (c *sense) meterPoint(m MeterPointFormat) {
	const path = "/meter_point"
	c.whole(path+"/core_digits", m.CoreDigits)
	c.whole(path+"/first_modulus", m.FirstModulus)
	c.whole(path+"/second_modulus", m.SecondModulus)
	core, _ := m.CoreDigits.Value.Scaled()
	if modulus, _ := m.SecondModulus.Value.Scaled(); modulus > 10 {
		c.fail(path+"/second_modulus", "the value is %d: a check digit needs one of at most 10", modulus)
	}
	if int64(len(m.Weights.Values)) != core {
		c.fail(path+"/weights", "there are %d weights for %d digits: give one a digit", len(m.Weights.Values), core)
	}
	total := int64(0)
	for _, row := range []struct {
		name    string
		numbers Numbers
	}{{"weights", m.Weights}, {"groups", m.Groups}} {
		for i, v := range row.numbers.Values {
			whole, places := v.Scaled()
			if places != 0 || whole < 1 || whole > 9999 {
				c.fail(fmt.Sprintf("%s/%s/values/%d", path, row.name, i), "the value is %s: it must be a whole number from 1 to 9999", v)
				return
			}
			if row.name == "groups" {
				total += whole
			}
		}
	}
	if total != core+1 {
		c.fail(path+"/groups", "the groups hold %d digits: they must hold %d, the check digit included", total, core+1)
	}
}
