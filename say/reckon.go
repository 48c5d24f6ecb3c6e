package say

import (
	"strconv"

	"meterwright/metering"
	"meterwright/protection"
)

// Register is what earlier readings say of a final one.
func (l *Language) Register(f *metering.Finding) string {
	unit := string(f.Register.Unit)
	args := []any{"reading", f.Reading.String(), "last", f.Last.String(), "digits", f.Register.Digits, "decimals", f.Register.Decimals,
		"whole", f.Reading.WholeDigits(), "places", f.Reading.Places(),
		"rate", l.Say("register.rate", "value", significant(f.Daily), "unit", unit),
		"expected", l.Say("register.expected", "low", significant(f.Low), "high", significant(f.High), "unit", unit)}
	key := "register." + string(f.Because)
	if f.Misfit != "" {
		key = "register." + string(f.Misfit)
	}
	return l.Say("register.finding", "plausibility", l.code("plausibility", f.Plausibility.String()), "words", l.Say(key, args...))
}

// Quantified is what a check judged.
func (l *Language) Quantified(c *protection.Check) string {
	if c.Of != "" {
		return l.Say("quantity.of", "quantity", l.code("quantity", string(c.Quantity)), "of", c.Of)
	}
	return l.code("quantity", string(c.Quantity))
}

// Check is what a check came to.
func (l *Language) Check(c *protection.Check) string {
	words := l.Say("check."+c.Verdict.String(), "quantity", l.Quantified(c))
	if c.Because == "" {
		return words
	}
	return l.Say("check."+string(c.Because), "words", words)
}

// Fuse is what is known of a fuse and a fault.
func (l *Language) Fuse(f *protection.FuseCheck) string {
	return l.Say("fuse."+string(f.Outcome), "seconds", f.Seconds, "melt", strconv.FormatFloat(f.MustMelt, 'f', 0, 64), "hold", strconv.FormatFloat(f.MustHold, 'f', 0, 64))
}

func significant(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }
