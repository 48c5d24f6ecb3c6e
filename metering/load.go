package metering

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"meterwright/measure"
)

// NotTypeLimits must be shown beside every load check.
const NotTypeLimits = "The errors permitted to a meter at type level do not judge a load check on site: it compares two uncertain powers under a load that may change."

// Count says how pulses were timed.
type Count uint8

// The ways of counting.
const (
	// PulseToPulse times from one pulse to the n-th after it: the count is exact.
	PulseToPulse Count = iota
	// FreeWindow counts pulses in a time that starts anywhere: the count may be
	// one out either way, taken as rectangular of half-width 1 (JCGM 100:2008,
	// 4.3.7).
	FreeWindow
)

// TimedLoad is a count of a meter's pulses, or of a disc's turns, over a time.
type TimedLoad struct {
	Pulses   int              `json:"pulses"`
	Count    Count            `json:"count"`
	Seconds  measure.Estimate `json:"seconds"`
	Constant float64          `json:"constant"` // imp/kWh, or turns/kWh
	// Ratio is the current-transformer ratio, such as 40 for 200/5, and 1 for a
	// whole-current meter or one whose constant already includes it.
	Ratio float64 `json:"ratio"`
}

// power returns the mean power in watts, P = 3.6×10⁶·n·ratio/(k·t), by
// definition of the meter constant, with the uncertainties of counting and
// timing in quadrature.
func (l TimedLoad) Power() (measure.Estimate, error) {
	if err := l.Seconds.Check(); err != nil {
		return measure.Estimate{}, fmt.Errorf("load check: time: %w", err)
	}
	switch {
	case l.Pulses < 1:
		return measure.Estimate{}, fmt.Errorf("load check: %d pulses: count at least one", l.Pulses)
	case !(l.Seconds.Value > 0):
		return measure.Estimate{}, fmt.Errorf("load check: time is %v s: give one greater than nought", l.Seconds.Value)
	case !(l.Constant > 0) || math.IsInf(l.Constant, 0):
		return measure.Estimate{}, fmt.Errorf("load check: meter constant is %v imp/kWh: give what stands on the meter", l.Constant)
	case !(l.Ratio > 0) || math.IsInf(l.Ratio, 0):
		return measure.Estimate{}, fmt.Errorf("load check: transformer ratio is %v: give 1 for a whole-current meter", l.Ratio)
	case l.Count != PulseToPulse && l.Count != FreeWindow:
		return measure.Estimate{}, fmt.Errorf("load check: way of counting %d is not known: use PulseToPulse or FreeWindow", l.Count)
	}
	n := float64(l.Pulses)
	watts := float64(3.6e6*n*l.Ratio) / float64(l.Constant*l.Seconds.Value)
	count := 0.0
	if l.Count == FreeWindow {
		count = 1 / math.Sqrt(3) / n
	}
	p := measure.Estimate{Value: watts, U: float64(watts * measure.Quadrature(count, l.Seconds.Relative()))}
	return p, p.Check()
}

// stopwatch is the standard uncertainty, in seconds, of a time taken by hand [P]: some 0.2 s at either end.
const stopwatch = 0.2

// ByHand is a count of pulses within a time that a person took with a stopwatch, as both were entered: one pulse out
// either way. ratio is that of the current transformers, and 1 where it is left empty.
func ByHand(pulses, seconds, constant, ratio string) (TimedLoad, error) {
	var vals [4]measure.Decimal
	for i, s := range []string{pulses, seconds, constant, cmp.Or(ratio, "1")} {
		d, err := measure.ParseDecimal(s)
		if err != nil {
			return TimedLoad{}, fmt.Errorf("load check: %w", err)
		}
		vals[i] = d
	}
	n, places := vals[0].Scaled()
	if places != 0 || n < 1 || n > 1_000_000 {
		return TimedLoad{}, fmt.Errorf("load check: %s pulses cannot be counted: give a whole number from 1 on", pulses)
	}
	u := measure.Quadrature(stopwatch, vals[1].Resolution()/math.Sqrt(12))
	return TimedLoad{Pulses: int(n), Count: FreeWindow, Seconds: measure.Estimate{Value: vals[1].Float(), U: u}, Constant: vals[2].Float(), Ratio: vals[3].Float()}, nil
}

// LoadTolerancePct is how far a load check may lie from the load that was switched on, and RatingPct how far that load
// may lie from what stands on it [P].
const (
	LoadTolerancePct = 10.0
	RatingPct        = 10.0
)

// Rated is the power of a load by what stands on it, in watts: its rating within ±RatingPct, rectangular (JCGM 100:2008,
// 4.3.7).
func Rated(watts float64) measure.Estimate {
	return measure.Estimate{Value: watts, U: watts * RatingPct / 100 / math.Sqrt(3)}
}

// Reference is a power reckoned from a clamp meter, a voltmeter and a power
// factor, with their uncertainties.
type Reference struct {
	Volts       measure.Estimate `json:"volts"`
	Amps        measure.Estimate `json:"amps"`
	PowerFactor measure.Estimate `json:"power_factor"` // 0 to 1; {1, 0} only for a load known to be resistive
}

// power returns volts × amperes × power factor in watts, with the three
// uncertainties propagated to first order (JCGM 100:2008, 5.1.2).
func (r Reference) power() (measure.Estimate, error) {
	for _, part := range []struct {
		name string
		e    measure.Estimate
		most float64
	}{{"volts", r.Volts, math.MaxFloat64}, {"amperes", r.Amps, math.MaxFloat64}, {"power factor", r.PowerFactor, 1}} {
		if err := part.e.Check(); err != nil {
			return measure.Estimate{}, fmt.Errorf("reference power: %s: %w", part.name, err)
		}
		if part.e.Value <= 0 || part.e.Value > part.most {
			return measure.Estimate{}, fmt.Errorf("reference power: %s is %v: a comparison needs a value greater than nought, and a power factor of at most 1", part.name, part.e.Value)
		}
	}
	watts := float64(r.Volts.Value*r.Amps.Value) * r.PowerFactor.Value
	p := measure.Estimate{
		Value: watts,
		U:     float64(watts * measure.Quadrature(r.Volts.Relative(), r.Amps.Relative(), r.PowerFactor.Relative())),
	}
	return p, p.Check()
}

// Comparison is a meter's timed power against a reference.
type Comparison struct {
	Meter        measure.Estimate  `json:"meter"`         // W
	Reference    measure.Estimate  `json:"reference"`     // W
	DeviationPct measure.Estimate  `json:"deviation_pct"` // (meter − reference) / reference, %
	Agreement    measure.Judgement `json:"agreement"`
	Statement    string            `json:"statement"` // NotTypeLimits
}

// Compare compares the timed load with the reference and judges whether they
// agree within ± tolerancePct, which the method states. It does not judge the
// meter: see NotTypeLimits.
func Compare(l TimedLoad, r Reference, tolerancePct, guard float64) (Comparison, error) {
	reference, err := r.power()
	if err != nil {
		return Comparison{}, err
	}
	return CompareWith(l, reference, tolerancePct, guard)
}

// CompareWith is Compare with a power in watts that is known otherwise.
func CompareWith(l TimedLoad, reference measure.Estimate, tolerancePct, guard float64) (Comparison, error) {
	if !(tolerancePct > 0) {
		return Comparison{}, errors.New("load check: tolerance must be greater than nought: give the one that the method states, in per cent")
	}
	if err := reference.Check(); err != nil || reference.Value <= 0 {
		return Comparison{}, fmt.Errorf("load check: the power to compare with is %v W: give one greater than nought", reference.Value)
	}
	meter, err := l.Power()
	if err != nil {
		return Comparison{}, err
	}
	ratio := meter.Value / reference.Value
	deviation := measure.Estimate{
		Value: float64(100 * (ratio - 1)),
		U:     float64(100 * ratio * measure.Quadrature(meter.Relative(), reference.Relative())),
	}
	c := Comparison{Meter: meter, Reference: reference, DeviationPct: deviation, Statement: NotTypeLimits}
	c.Agreement, err = measure.Judge(deviation.Value, deviation.U, measure.Between(-tolerancePct, tolerancePct), guard)
	if err != nil {
		return Comparison{}, fmt.Errorf("load check: %w", err)
	}
	return c, nil
}
