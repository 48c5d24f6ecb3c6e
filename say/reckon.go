package say

import (
	"math"
	"strconv"

	"meterwright/measure"
	"meterwright/metering"
	"meterwright/protection"
	"meterwright/replay"
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

// Finding is what does not fit, with its numbers.
func (s *Speaker) Finding(f *replay.Finding) string {
	key := "finding." + string(f.Code)
	switch {
	case f.Code == replay.FindAgain && f.Odd == "":
		key += ".doubt"
	case f.From != 0 && f.To == 0 && f.Code == replay.FindCurrent:
		key += ".open"
	}
	return s.Say(key, "got", s.Figure(f.Got, 0, f.Unit), "from", s.Figure(f.From, 0, f.Unit), "to", s.Figure(f.To, 0, f.Unit),
		"odd", s.code("odd", string(f.Odd)))
}

// thousands are units in which a person says a thousand of another.
var thousands = map[measure.Unit]measure.Unit{measure.Ampere: measure.Kiloampere, measure.Watt: measure.Kilowatt}

// Figure is a number that was reckoned, as a person says it: 12.7 kA. Its last digit is that which its standard uncertainty
// leaves, or the third where none is known.
func (l *Language) Figure(v, u float64, unit measure.Unit) string {
	if big, ok := thousands[unit]; ok && math.Abs(v) >= 999.5 {
		v, u, unit = v/1000, u/1000, big
	}
	last := u
	if last <= 0 {
		rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 2, 64), 64)
		last = math.Abs(rounded) / 100
	}
	places := 0
	if last > 0 {
		places = max(0, -int(math.Floor(math.Log10(last))))
	}
	return l.Quantity(strconv.FormatFloat(v, 'f', places, 64), string(unit))
}

func significant(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }
