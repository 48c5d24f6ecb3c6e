package measure

import (
	"fmt"
	"math"
)

// Accuracy is what an instrument's maker states: a reading lies within
// ± (RelativePct % of the reading + Digits steps of the last digit +
// AbsoluteFixed in the reading's unit). A two-pole voltmeter of ±(1.5 % + 3
// digits) is Accuracy{RelativePct: 1.5, Digits: 3}.
type Accuracy struct {
	RelativePct   float64 `json:"relative_pct,omitzero"`
	Digits        float64 `json:"digits,omitzero"`
	AbsoluteFixed float64 `json:"absolute,omitzero"`
}

// Check refuses an accuracy that is negative or not finite.
func (a Accuracy) Check() error {
	for _, f := range []struct {
		name  string
		value float64
	}{{"relative per cent", a.RelativePct}, {"digits", a.Digits}, {"absolute part", a.AbsoluteFixed}} {
		if !(f.value >= 0) || math.IsInf(f.value, 0) {
			return fmt.Errorf("accuracy: %s is %v: give 0 or more", f.name, f.value)
		}
	}
	return nil
}

// HalfWidth returns the stated accuracy at the reading, in the reading's unit.
func (a Accuracy) HalfWidth(reading Decimal) float64 {
	relative := float64(math.Abs(reading.Float()) * a.RelativePct / 100)
	return relative + float64(a.Digits*reading.Resolution()) + a.AbsoluteFixed
}

// StandardUncertainty returns the standard uncertainty of a reading, in the
// reading's unit. The stated accuracy is the half-width of a rectangular
// distribution (divide by √3) and the display's last digit is another, of full
// width one step (divide by √12); the two add in quadrature. Source: JCGM
// 100:2008 (GUM) 4.3.7 and F.2.2.1.
func (a Accuracy) StandardUncertainty(reading Decimal) float64 {
	return Quadrature(a.HalfWidth(reading)/math.Sqrt(3), reading.Resolution()/math.Sqrt(12))
}

// Estimate returns the reading as a number with its standard uncertainty.
func (a Accuracy) Estimate(reading Decimal) Estimate {
	return Estimate{Value: reading.Float(), U: a.StandardUncertainty(reading)}
}

// Estimate is a value with its standard uncertainty U, both in one unit that
// the name of the variable or field says.
type Estimate struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// Relative returns U / |Value|, or +Inf when the value is nought and U is not.
func (e Estimate) Relative() float64 {
	switch {
	case e.U == 0:
		return 0
	case e.Value == 0:
		return math.Inf(1)
	}
	return e.U / math.Abs(e.Value)
}

// Check refuses an estimate that is not finite or whose uncertainty is negative.
func (e Estimate) Check() error {
	if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
		return fmt.Errorf("value %v is not a finite number: measure it again", e.Value)
	}
	if !(e.U >= 0) || math.IsInf(e.U, 0) {
		return fmt.Errorf("standard uncertainty %v of value %v: give a finite number, 0 or more", e.U, e.Value)
	}
	return nil
}

// Quadrature returns the square root of the sum of squares, the way in which
// independent standard uncertainties add (JCGM 100:2008, 5.1.2). It is summed
// in the order given, with no fused operation, so every build gives the same
// bits.
func Quadrature(parts ...float64) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += float64(p * p)
	}
	return math.Sqrt(sum)
}
