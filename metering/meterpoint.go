// Package metering reckons with what a meter shows.
//
// It checks meter-point numbers, works out the advance of a register between
// two readings with its rollover, judges whether a final reading is plausible,
// compares a timed load with a reference, and looks up the errors permitted to
// a meter at type level. Readings are decimals and advances are exact; energy
// is in the register's unit, power in watts, time in seconds.
package metering

import (
	"fmt"
	"strings"

	"meterwright/rules"
)

// MeterPoint is a meter-point number whose check digit agrees. The zero
// MeterPoint is unset. Equal numbers are ==, however they were spaced.
type MeterPoint struct {
	digits string
	shown  string
}

// ParseMeterPoint reads a meter-point number of the country's format, with or
// without spaces between digits. An error says which digit is wrong and, for
// the check digit, what it should be if the others are right.
func ParseMeterPoint(format rules.MeterPointFormat, s string) (MeterPoint, error) {
	core64, _ := format.CoreDigits.Value.Scaled()
	core := int(core64)
	var digits []byte
	for _, r := range s {
		switch {
		case r == ' ':
		case r >= '0' && r <= '9':
			if len(digits) > core {
				return MeterPoint{}, fmt.Errorf("meter-point number has more than %d digits: enter only the lower line", core+1)
			}
			digits = append(digits, byte(r))
		default:
			return MeterPoint{}, fmt.Errorf("meter-point number: %q after %d digits is not a digit: enter digits and spaces only", r, len(digits))
		}
	}
	if len(digits) != core+1 {
		return MeterPoint{}, fmt.Errorf("meter-point number has %d digits: it needs %d, of which the last checks the others", len(digits), core+1)
	}
	want, err := CheckDigit(format, string(digits[:core]))
	if err != nil {
		return MeterPoint{}, err
	}
	if got := int(digits[core] - '0'); got != want {
		return MeterPoint{}, fmt.Errorf("meter-point number: digit %d, the check digit, is %d but digits 1 to %d give %d: one of the %d was misread, or two were exchanged; read them again", core+1, got, core, want, core+1)
	}
	return MeterPoint{digits: string(digits), shown: grouped(format, string(digits))}, nil
}

// CheckDigit returns the check digit of the core digits: each digit times its
// weight, summed, modulo 11, modulo 10 in Great Britain (published by the
// industry [S]). The core holds digits only, as many as the format has weights.
func CheckDigit(format rules.MeterPointFormat, core string) (int, error) {
	weights := format.Weights.Ints()
	first, _ := format.FirstModulus.Value.Scaled()
	second, _ := format.SecondModulus.Value.Scaled()
	if len(core) != len(weights) || len(core) == 0 || first < 1 || second < 1 {
		return 0, fmt.Errorf("meter-point number has %d core digits: the format has %d weights", len(core), len(weights))
	}
	sum := 0
	for i := range len(core) {
		if core[i] < '0' || core[i] > '9' {
			return 0, fmt.Errorf("meter-point number: digit %d is %q: enter digits only", i+1, core[i])
		}
		sum += int(core[i]-'0') * weights[i]
	}
	return sum % int(first) % int(second), nil
}

func grouped(format rules.MeterPointFormat, digits string) string {
	var groups []string
	for _, size := range format.Groups.Ints() {
		size = min(max(size, 0), len(digits))
		groups = append(groups, digits[:size])
		digits = digits[size:]
	}
	if digits != "" {
		groups = append(groups, digits)
	}
	return strings.Join(groups, " ")
}

// Digits returns the number without spaces, the check digit last.
func (m MeterPoint) Digits() string { return m.digits }

// String returns the number in the groups in which it is read out.
func (m MeterPoint) String() string { return m.shown }

// IsZero reports whether m is unset.
func (m MeterPoint) IsZero() bool { return m == MeterPoint{} }
