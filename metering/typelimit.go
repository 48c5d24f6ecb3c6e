package metering

import (
	"fmt"

	"meterwright/rules"
)

// Point is the condition at which a meter's permitted error is asked for.
type Point struct {
	Class   string  // "A", "B" or "C"
	Celsius float64 // ambient temperature
	Amps    float64 // current
	// MinAmps, TrAmps and MaxAmps are the meter's I_min, I_tr and I_max.
	MinAmps, TrAmps, MaxAmps float64
	// SinglePhaseLoad says that a polyphase meter carries a single-phase load.
	SinglePhaseLoad bool
}

// PermittedError returns the error permitted at type level, ± per cent, with
// its source (Directive 2014/32/EU, annex V, table 2). A temperature on the
// border of two bands belongs to the stricter, and I_tr itself to the range
// above it. It fails outside the table: below I_min and above I_max, outside
// −40 to 70 °C, and for a single-phase load on a polyphase meter below I_tr,
// for which the table has no row.
//
// The number describes a meter type under reference conditions. It does not
// judge a load check on site: see NotTypeLimits.
func PermittedError(p *rules.Pack, at Point) (rules.Number, error) {
	if !(at.MinAmps > 0 && at.MinAmps <= at.TrAmps && at.TrAmps <= at.MaxAmps) {
		return rules.Number{}, fmt.Errorf("permitted error: currents I_min %v, I_tr %v, I_max %v A must rise from above nought: read them from the meter", at.MinAmps, at.TrAmps, at.MaxAmps)
	}
	if !(at.Amps >= at.MinAmps && at.Amps <= at.MaxAmps) {
		return rules.Number{}, fmt.Errorf("permitted error: %v A lies outside I_min to I_max, %v to %v A: the table says nothing there", at.Amps, at.MinAmps, at.MaxAmps)
	}
	current, load := "tr-to-max", "balanced"
	if at.Amps < at.TrAmps {
		current = "min-to-tr"
	}
	if at.SinglePhaseLoad {
		load = "single-phase-on-polyphase"
	}
	var best rules.Number
	for _, row := range p.MeterErrors {
		if row.Current != current || row.Load != load || !covers(row.Temperatures, at.Celsius) {
			continue
		}
		for _, e := range row.Errors {
			if e.Class == at.Class && (best.IsZero() || e.Error.Value.Cmp(best.Value) < 0) {
				best = e.Error
			}
		}
	}
	if best.IsZero() {
		return rules.Number{}, fmt.Errorf("permitted error: the table has no value for class %q, %v °C, current range %s, load %s: check the class and the temperature", at.Class, at.Celsius, current, load)
	}
	return best, nil
}

func covers(ranges []rules.TemperatureRange, celsius float64) bool {
	for _, r := range ranges {
		if celsius >= r.From.Float() && celsius <= r.To.Float() {
			return true
		}
	}
	return false
}
