package instrument

import (
	"errors"
	"fmt"
	"strings"

	"meterwright/measure"
)

// Indication is what an instrument showed, as the person read it. Indications
// are comparable.
type Indication struct {
	shows  Shows
	value  measure.Decimal
	unit   string
	detail string
}

// Show returns an indication without a number.
func Show(s Shows) Indication { return Indication{shows: s} }

// ShowValue returns an indication of a number in a unit.
func ShowValue(v measure.Decimal, unit string) Indication {
	return Indication{shows: Value, value: v, unit: unit}
}

// Shows returns the class of the indication.
func (i Indication) Shows() Shows { return i.shows }

// Reading returns the number and unit of a Value; ok is false for any other class.
func (i Indication) Reading() (v measure.Decimal, unit string, ok bool) {
	return i.value, i.unit, i.shows == Value
}

// Detail returns what was added about the pattern of a socket tester, or "".
func (i Indication) Detail() string { return i.detail }

// IsZero reports whether nothing has been read.
func (i Indication) IsZero() bool { return i.shows == "" }

// String writes the indication as it stands in a record: "lit", "238.1 V",
// "over-range", "wrong: neutral lamp out". ParseIndication reads it back.
func (i Indication) String() string {
	switch {
	case i.shows == Value:
		return i.value.String() + " " + i.unit
	case i.detail != "":
		return string(i.shows) + ": " + i.detail
	}
	return string(i.shows)
}

var units = []string{"V", "A", "mA", "ohm", "ms", "s", "Hz", "W", "N.m", "kWh"}

// maxDetail is the longest detail, in bytes, that an indication may carry.
const maxDetail = 120

// ParseIndication reads what String writes.
func ParseIndication(s string) (Indication, error) {
	if s == "" {
		return Indication{}, errors.New("nothing was read: give what the instrument shows, for example lit, dark or 238.1 V")
	}
	for _, c := range []Shows{Lit, Dark, Over, Healthy, Forward, Reverse, Missing, Trips, Holds, Wrong} {
		if s == string(c) {
			return Show(c), nil
		}
	}
	if detail, ok := strings.CutPrefix(s, string(Wrong)+": "); ok {
		if len(detail) > maxDetail {
			return Indication{}, fmt.Errorf("the detail of the pattern is %d bytes long: keep it under %d", len(detail), maxDetail)
		}
		if detail == "" || strings.TrimSpace(detail) != detail || strings.ContainsFunc(detail, func(r rune) bool { return r < ' ' || r == '\uFFFD' }) {
			return Indication{}, errors.New("the detail of the pattern must be plain words on one line")
		}
		return Indication{shows: Wrong, detail: detail}, nil
	}
	number, unit, ok := strings.Cut(s, " ")
	if !ok {
		return Indication{}, fmt.Errorf("%.40q is no indication: write lit, dark, over-range, healthy, wrong, forward, reverse, missing, trips, holds, or a number with a space and its unit, like 238.1 V", s)
	}
	known := false
	for _, u := range units {
		known = known || u == unit
	}
	if !known {
		return Indication{}, fmt.Errorf("%.40q is no unit of an instrument: write one of %s", unit, strings.Join(units, ", "))
	}
	v, err := measure.ParseDecimal(number)
	if err != nil {
		return Indication{}, err
	}
	return ShowValue(v, unit), nil
}

// MarshalText writes the indication for a record.
func (i Indication) MarshalText() ([]byte, error) { return []byte(i.String()), nil }

// UnmarshalText reads an indication from a record.
func (i *Indication) UnmarshalText(b []byte) error {
	got, err := ParseIndication(string(b))
	if err != nil {
		return err
	}
	*i = got
	return nil
}

// Condition is a way in which an instrument can be at fault.
type Condition string

// The conditions that the trade knows [P]. Sound is the
// healthy one.
const (
	Sound            Condition = "sound"
	DeadInstrument   Condition = "dead"
	StuckOn          Condition = "stuck-on"
	WeakBattery      Condition = "weak-battery"
	BrokenLead       Condition = "broken-lead"
	IntermittentLead Condition = "intermittent-lead"
	WrongRange       Condition = "wrong-range"
	BlownLamp        Condition = "blown-lamp"
	NotCoupled       Condition = "not-coupled"
)
