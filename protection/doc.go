// Package protection reckons whether a supply's protection answers its limits.
//
// It takes what was measured (voltage, loop impedance, electrode resistance)
// as values with standard uncertainties, and gives for each check a verdict of
// pass, doubtful or fail with its probability (JCGM 106:2012), together with
// the numbers of the rules that it was judged against, so that a page can show
// each number beside its source.
//
// Volts, amperes, ohms, seconds and square millimetres throughout; a.c. values
// are r.m.s. Ratios of measured quantities are never compared as such: I ≥ I₀
// is judged as U − I₀·Z ≥ 0, which is linear in what was measured and so stays
// right where the loop impedance is as small as its own uncertainty.
//
// A pass is about one number and one limit. It authorises nothing.
package protection

import (
	"fmt"

	"meterwright/measure"
	"meterwright/rules"
)

// Check is one quantity judged against one limit of the rules.
type Check struct {
	Quantity Quantity `json:"quantity"` // what was judged
	// Of is the earthing arrangement, or the kind of conductor, that it was judged for, where it hangs on one.
	Of     string           `json:"of,omitempty"`
	Value  measure.Estimate `json:"value"` // in Unit
	Unit   measure.Unit     `json:"unit"`
	Limits []rules.Number   `json:"limits"` // the limit or limits with their sources
	measure.Judgement
	// Because says what has to be known beside the verdict, or is empty.
	Because Because `json:"because,omitempty"`
}

// Quantity names what is judged.
type Quantity string

// The quantities.
const (
	LineVoltage  Quantity = "line-to-neutral-voltage"
	ExternalLoop Quantity = "external-loop-impedance"
	FaultAmps    Quantity = "prospective-fault-current"
	CrossSection Quantity = "least-cross-section"
)

// Because says what has to be known beside a verdict.
type Because string

// What has to be known.
const (
	// HoldsElectrode: the measured loop holds the consumer's electrode, which the declared maximum leaves out.
	HoldsElectrode Because = "holds-electrode"
	// LoopNought: the loop impedance reads nought, so that the fault current has no value.
	LoopNought Because = "loop-nought"
)

// judged fills the judgement in.
func judged(c Check, value measure.Estimate, limit measure.Limit, guard float64) (Check, error) {
	j, err := measure.Judge(value.Value, value.U, limit, guard)
	if err != nil {
		return Check{}, fmt.Errorf("%s: %w", c.Quantity, err)
	}
	c.Judgement = j
	return c, nil
}

// positive refuses an estimate that is not usable or is negative.
func positive(name string, e measure.Estimate) error {
	if err := e.Check(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if e.Value < 0 {
		return fmt.Errorf("%s is %v: it cannot be negative: read it again", name, e.Value)
	}
	return nil
}

// CheckVoltage judges a line-to-neutral voltage, in volts, against the declared
// band.
func CheckVoltage(p *rules.Pack, volts measure.Estimate, guard float64) (Check, error) {
	c := Check{
		Quantity: LineVoltage, Value: volts, Unit: measure.Volt,
		Limits: []rules.Number{p.Supply.MinimumVoltage, p.Supply.MaximumVoltage},
	}
	return judged(c, volts, p.Supply.Voltage(), guard)
}

// CheckExternalLoop judges a loop impedance measured at the origin, in ohms,
// against the declared maximum for the earthing arrangement ("TN-C-S", "TN-S"
// or "TT"). It is a declared limit, not a disconnection criterion; for that see
// FuseDisconnects.
//
// Where the measured loop holds the consumer's electrode, as in TT, and the
// declared maximum leaves it out, a loop above the maximum shows nothing about
// the supply: the verdict is then doubtful, never fail.
func CheckExternalLoop(p *rules.Pack, arrangement string, loop measure.Estimate, guard float64) (Check, error) {
	e, err := p.EarthingByID(arrangement)
	if err != nil {
		return Check{}, err
	}
	if err := positive("external loop impedance", loop); err != nil {
		return Check{}, err
	}
	c := Check{
		Quantity: ExternalLoop, Of: e.ID, Value: loop, Unit: measure.Ohm,
		Limits: []rules.Number{e.MaxExternal},
	}
	c, err = judged(c, loop, measure.AtMost(e.MaxExternal.Float()), guard)
	if err == nil && e.Loop == "supply-and-electrode" && c.Verdict != measure.Pass {
		c.Verdict = measure.Doubtful
		c.Because = HoldsElectrode
	}
	return c, err
}
