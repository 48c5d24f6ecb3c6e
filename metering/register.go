package metering

import (
	"errors"
	"fmt"
	"math/big"

	"meterwright/measure"
)

// Direction says which way the energy of a register flows.
type Direction string

// The directions.
const (
	Import Direction = "import" // from the network to the premises
	Export Direction = "export" // from the premises to the network
)

// Register is one register of a meter.
type Register struct {
	ID         string          `json:"id"`
	Digits     int             `json:"digits"`     // before the point, 1 to 12
	Decimals   int             `json:"decimals"`   // after the point, 0 to 6
	Multiplier measure.Decimal `json:"multiplier"` // "1" unless the nameplate says otherwise
	Unit       measure.Unit    `json:"unit"`
	Rate       string          `json:"rate,omitzero"` // such as "day"
	Direction  Direction       `json:"direction"`
}

// Check refuses a register that no meter has.
func (r Register) Check() error {
	switch {
	case r.ID == "":
		return errors.New("register has no id: give what the meter shows beside it")
	case r.Digits < 1 || r.Digits > 12:
		return fmt.Errorf("register %s has %d digits: give 1 to 12, those before the point", r.ID, r.Digits)
	case r.Decimals < 0 || r.Decimals > 6:
		return fmt.Errorf("register %s has %d decimals: give 0 to 6", r.ID, r.Decimals)
	case r.Multiplier.Sign() <= 0:
		return fmt.Errorf("register %s has the multiplier %q: give 1, or what stands on the nameplate", r.ID, r.Multiplier)
	case r.Unit != measure.KilowattHour && r.Unit != measure.KilovarHour && r.Unit != measure.Kilowatt && r.Unit != measure.KilovoltAmpere:
		return fmt.Errorf("register %s has the unit %q: use kWh, kvarh, kW or kVA", r.ID, string(r.Unit))
	case r.Direction != Import && r.Direction != Export:
		return fmt.Errorf("register %s has the direction %q: use import or export", r.ID, string(r.Direction))
	}
	return nil
}

// cumulative refuses registers of demand, which do not add up.
func (r Register) cumulative() error {
	if err := r.Check(); err != nil {
		return err
	}
	if r.Unit != measure.KilowattHour && r.Unit != measure.KilovarHour {
		return fmt.Errorf("register %s is of demand (%s): it has no advance", r.ID, r.Unit)
	}
	return nil
}

// Misfit is how the digits of a reading do not agree with its register.
type Misfit string

// The misfits. A register cannot show what the first four are about.
const (
	NoReading     Misfit = "no-reading"
	Negative      Misfit = "negative"
	TooManyDigits Misfit = "too-many-digits"
	TooManyPlaces Misfit = "too-many-decimals"
	TooFewDigits  Misfit = "too-few-digits"
)

// Shown reports whether a register can show a reading with such digits at all.
func (m Misfit) Shown() bool { return m == "" || m == TooFewDigits }

// Fit says how a reading's digits agree with the register; it is "" when they do. Leading zeros are
// digits of the display, so "4127" read from a register of five digits may have lost one.
func (r Register) Fit(reading measure.Decimal) Misfit {
	whole, places := reading.WholeDigits(), reading.Places()
	switch {
	case reading.IsZero():
		return NoReading
	case reading.Sign() < 0 || reading.String()[0] == '-':
		return Negative
	case whole > r.Digits:
		return TooManyDigits
	case places > r.Decimals:
		return TooManyPlaces
	case whole < r.Digits:
		return TooFewDigits
	}
	return ""
}

// Advance is what a register counted between two readings.
type Advance struct {
	Steps      measure.Decimal `json:"steps"`    // difference of the readings
	Quantity   measure.Decimal `json:"quantity"` // Steps × multiplier, in Unit
	Unit       measure.Unit    `json:"unit"`
	RolledOver bool            `json:"rolled_over"` // the register passed its last number once
}

// advanceBetween returns what the register counted from the earlier to the
// later reading, exactly. A later reading that is lower is taken for one
// rollover; whether one explains it is for Plausible to say.
func advanceBetween(r Register, earlier, later measure.Decimal) (Advance, error) {
	if err := r.cumulative(); err != nil {
		return Advance{}, err
	}
	for _, reading := range []measure.Decimal{earlier, later} {
		if m := r.Fit(reading); !m.Shown() {
			return Advance{}, fmt.Errorf("register %s: %q cannot be shown by a register of %d digits and %d decimals (%s): read it again", r.ID, reading, r.Digits, r.Decimals, m)
		}
	}
	a := Advance{Unit: r.Unit}
	steps, err := later.Sub(earlier)
	if err == nil && steps.Sign() < 0 {
		a.RolledOver = true
		var span measure.Decimal
		if span, err = r.Span(); err == nil {
			steps, err = steps.Add(span)
		}
	}
	if err != nil {
		return Advance{}, fmt.Errorf("register %s: advance from %s to %s: %w", r.ID, earlier, later, err)
	}
	a.Steps = steps
	if a.Quantity, err = steps.Mul(r.Multiplier); err != nil {
		return Advance{}, fmt.Errorf("register %s: advance %s times multiplier %s: %w", r.ID, steps, r.Multiplier, err)
	}
	return a, nil
}

// Span returns the count at which the register starts again, 10^Digits.
func (r Register) Span() (measure.Decimal, error) {
	if r.Digits < 1 || r.Digits > 12 {
		return measure.Decimal{}, fmt.Errorf("register %s has %d digits: give 1 to 12", r.ID, r.Digits)
	}
	span := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(r.Digits)), nil)
	return measure.FromScaled(span.Int64(), 0)
}
