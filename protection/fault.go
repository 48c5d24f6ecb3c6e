package protection

import (
	"fmt"
	"math"

	"meterwright/measure"
	"meterwright/rules"
)

// Basis says at which voltage a fault current is reckoned.
type Basis uint8

// The bases.
const (
	// AsMeasured uses the voltage read at the same place, and the loop as read.
	AsMeasured Basis = iota
	// Lowest uses nominal voltage × the minimum voltage factor: the least
	// current, with which protection must still disconnect (BS 7671 411.4.4).
	Lowest
	// Highest uses nominal voltage × the maximum voltage factor: the greatest
	// current, which equipment must withstand (IEC 60909-0).
	Highest
)

// Loop is a fault loop as measured at one place.
type Loop struct {
	Volts measure.Estimate // line to neutral or line to earth, r.m.s.
	Ohms  measure.Estimate // loop impedance
}

// Terms say how a loop is turned into a fault current.
type Terms struct {
	Basis Basis
	// Hot divides the loop impedance by the rule-of-thumb temperature factor
	// (0.8, common practice [P]): a loop read cold is higher with its conductors
	// at working temperature. It makes the current smaller, so it belongs with
	// Lowest, for disconnection, and not with Highest.
	Hot bool
}

// effective returns the voltage and impedance to be reckoned with, and the
// numbers of the rules that entered.
func (l Loop) effective(p *rules.Pack, t Terms) (volts, ohms measure.Estimate, used []rules.Number, err error) {
	if err := positive("loop impedance", l.Ohms); err != nil {
		return volts, ohms, nil, err
	}
	volts, ohms = l.Volts, l.Ohms
	switch t.Basis {
	case AsMeasured:
		if err := positive("voltage", l.Volts); err != nil {
			return volts, ohms, nil, err
		}
	case Lowest, Highest:
		factor := p.Fault.CMin
		if t.Basis == Highest {
			factor = p.Fault.CMax
		}
		volts = measure.Estimate{Value: float64(p.Supply.NominalVoltage.Float() * factor.Float())}
		used = append(used, p.Supply.NominalVoltage, factor)
	default:
		return volts, ohms, nil, fmt.Errorf("basis %d of a fault current is not known: use AsMeasured, Lowest or Highest", t.Basis)
	}
	if t.Hot {
		if t.Basis == Highest {
			return volts, ohms, nil, fmt.Errorf("the temperature factor makes a fault current smaller: do not use it for the highest current")
		}
		factor := p.Fault.TemperatureFactor.Float()
		ohms = measure.Estimate{Value: ohms.Value / factor, U: ohms.U / factor}
		used = append(used, p.Fault.TemperatureFactor)
	}
	return volts, ohms, used, nil
}

// Current is a prospective fault current in amperes.
type Current struct {
	measure.Estimate // first-order propagation, JCGM 100:2008, 5.1.2
	// Low and High enclose about 95 %: they come from the loop impedance and
	// the voltage each moved by two standard uncertainties.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Unbounded says that the loop impedance cannot be told from nought, so
	// there is no High (it is 0) and the estimate itself says little.
	Unbounded bool           `json:"unbounded"`
	Used      []rules.Number `json:"used"` // numbers of the rules that entered
}

// FaultCurrent returns the prospective fault current U / Z of a loop, in
// amperes. Its relative uncertainty is that of voltage and impedance in
// quadrature. It fails on an impedance of nought, which no loop has: the
// instrument did not measure, or its range is too coarse.
func FaultCurrent(p *rules.Pack, l Loop, t Terms) (Current, error) {
	volts, ohms, used, err := l.effective(p, t)
	if err != nil {
		return Current{}, fmt.Errorf("prospective fault current: %w", err)
	}
	if ohms.Value == 0 {
		return Current{}, fmt.Errorf("prospective fault current: the loop impedance reads nought: use an instrument that resolves it, or give the current as greater than it can show")
	}
	amps := volts.Value / ohms.Value
	if math.IsInf(amps, 0) {
		return Current{}, fmt.Errorf("prospective fault current: %v Ω is too small for a loop: measure it again", ohms.Value)
	}
	relative := 0.0 // of a voltage of nought there is no relative uncertainty
	if volts.Value > 0 {
		relative = volts.Relative()
	}
	c := Current{
		Estimate: measure.Estimate{Value: amps, U: float64(amps * measure.Quadrature(relative, ohms.Relative()))},
		Used:     used,
	}
	if c.Low, c.High = span(volts, ohms); math.IsInf(c.High, 1) {
		c.High, c.Unbounded = 0, true
	}
	return c, nil
}

// span encloses about 95 % of the currents that a voltage drives through an impedance, each moved by two standard
// uncertainties. high is +Inf where the impedance cannot be told from nought.
func span(volts, ohms measure.Estimate) (low, high float64) {
	low, high = max(0, volts.Value-float64(2*volts.U))/(ohms.Value+float64(2*ohms.U)), math.Inf(1)
	if least := ohms.Value - float64(2*ohms.U); least > 0 {
		high = (volts.Value + float64(2*volts.U)) / least
	}
	return low, high
}

// nominalPct is how far the voltage that an instrument reckons with may lie from the one that it finds [P]: a nominal
// voltage lies within the declared band.
const nominalPct = 10

// Span returns the prospective fault currents, in amperes, that an instrument can show which measured these loops: that
// of one of them, at the voltage that it finds or at a nominal one. high is +Inf where a loop cannot be told from nought.
func Span(loops ...Loop) (low, high float64) {
	low = math.Inf(1)
	for _, l := range loops {
		l.Volts.U = max(l.Volts.U, l.Volts.Value*nominalPct/200)
		from, to := span(l.Volts, l.Ohms)
		low, high = min(low, from), max(high, to)
	}
	return low, high
}

// CheckDeclaredFault judges the prospective fault current at the origin against
// the declared maximum for a single-phase supply. The terms' basis should be
// Highest: equipment must withstand the greatest current. The declared maximum
// means a loop of some hundredths of an ohm, finer than a field tester
// resolves, so close in to a substation the honest verdict is doubtful. A loop
// that reads nought is judged too, by its uncertainty, but has no Value.
func CheckDeclaredFault(p *rules.Pack, l Loop, t Terms, guard float64) (Check, error) {
	const quantity = FaultAmps
	volts, ohms, used, err := l.effective(p, t)
	if err != nil {
		return Check{}, fmt.Errorf("%s: %w", quantity, err)
	}
	limit := float64(p.Fault.DeclaredMaximum.Float() * 1000) // kA to A
	c := Check{
		Quantity: quantity, Unit: measure.Ampere,
		Limits: append([]rules.Number{p.Fault.DeclaredMaximum}, used...),
	}
	if ohms.Value > 0 {
		current, err := FaultCurrent(p, l, t)
		if err != nil {
			return Check{}, err
		}
		c.Value = current.Estimate
	}
	c, err = judged(c, margin(volts, ohms, limit), measure.AtMost(0), guard)
	if err == nil && ohms.Value == 0 {
		c.Because = LoopNought
	}
	return c, err
}

// margin returns U − I·Z in volts, which is positive when the loop drives more
// than I amperes and is linear in both measured quantities.
func margin(volts, ohms measure.Estimate, amps float64) measure.Estimate {
	return measure.Estimate{
		Value: volts.Value - float64(amps*ohms.Value),
		U:     measure.Quadrature(volts.U, float64(amps*ohms.U)),
	}
}
