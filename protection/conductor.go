package protection

import (
	"fmt"
	"math"

	"meterwright/measure"
	"meterwright/rules"
)

// CheckConductor judges a protective conductor of mm2 square millimetres by the
// adiabatic equation S = √(I²t)/k (BS 7671 543.1.3), for a fault current in
// amperes lasting the given seconds, up to 5 s, beyond which the conductor
// sheds heat and the equation does not hold. The judged value is the least
// cross-section needed; the conductor passes if that is at most what it has.
func CheckConductor(p *rules.Pack, kind string, mm2 float64, amps measure.Estimate, seconds, guard float64) (Check, error) {
	k, err := p.ConductorByID(kind)
	if err != nil {
		return Check{}, err
	}
	if err := positive("fault current", amps); err != nil {
		return Check{}, err
	}
	switch {
	case !(mm2 > 0) || math.IsInf(mm2, 0):
		return Check{}, fmt.Errorf("cross-section of the conductor is %v mm²: give one greater than nought", mm2)
	case !(seconds > 0) || seconds > 5:
		return Check{}, fmt.Errorf("duration of the fault is %v s: the adiabatic equation holds for more than 0 and at most 5 s", seconds)
	}
	scale := math.Sqrt(seconds) / k.K.Float()
	need := measure.Estimate{Value: float64(amps.Value * scale), U: float64(amps.U * scale)}
	c := Check{
		Quantity: CrossSection, Of: k.Title, Value: need, Unit: measure.SquareMM,
		Limits: []rules.Number{k.K},
	}
	return judged(c, need, measure.AtMost(mm2), guard)
}
