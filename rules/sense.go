package rules

import "fmt"

// checkSense refuses what is well formed, number by number, but cannot be meant
// together: a band upside down, a fuse of which nothing is said.
func (p *Pack) checkSense() error {
	type band struct {
		path         string
		lower, upper Number
	}
	bands := []band{
		{"/supply/minimum_voltage", p.Supply.MinimumVoltage, p.Supply.MaximumVoltage},
		{"/supply/minimum_frequency", p.Supply.MinimumFrequency, p.Supply.MaximumFrequency},
		{"/fault/c_min", p.Fault.CMin, p.Fault.CMax},
		{"/plausibility/doubtful_above", p.Plausible.DoubtfulAbove, p.Plausible.ImplausibleAbove},
		{"/probes/preferred_tip", p.Probes.PreferredTip, p.Probes.MaxTip},
	}
	for _, b := range bands {
		if b.lower.Value.Cmp(b.upper.Value) > 0 {
			return fmt.Errorf("at %s: the value %s lies above its upper partner %s: exchange them", b.path, b.lower.Value, b.upper.Value)
		}
	}
	for i, s := range p.Fuses {
		for j, f := range s.Fuses {
			if len(f.Gates) == 0 && len(f.Impedances) == 0 {
				return fmt.Errorf("at /fuses/%d/fuses/%d: the fuse has neither gates nor impedances: give one of them or remove the fuse", i, j)
			}
		}
	}
	return p.MeterPoint.checkSense()
}

func (m MeterPointFormat) checkSense() error {
	core, _ := m.CoreDigits.Value.Scaled()
	if modulus, _ := m.SecondModulus.Value.Scaled(); modulus > 10 {
		return fmt.Errorf("at /meter_point/second_modulus: the value is %d: a check digit needs one of at most 10", modulus)
	}
	if int64(len(m.Weights.Values)) != core {
		return fmt.Errorf("at /meter_point/weights: there are %d weights for %d digits: give one a digit", len(m.Weights.Values), core)
	}
	for k, row := range []Numbers{m.Weights, m.Groups} {
		for i, v := range row.Values {
			if whole, places := v.Scaled(); places != 0 || whole < 1 || whole > 9999 {
				return fmt.Errorf("at /meter_point/%s/values/%d: the value is %s: it must be a whole number from 1 to 9999", []string{"weights", "groups"}[k], i, v)
			}
		}
	}
	total := int64(0)
	for _, digits := range m.Groups.Ints() {
		total += int64(digits)
	}
	if total != core+1 {
		return fmt.Errorf("at /meter_point/groups: the groups hold %d digits: they must hold %d, the check digit included", total, core+1)
	}
	return nil
}
