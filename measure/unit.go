package measure

import (
	"fmt"
	"strings"
)

// Unit is a unit of measurement, spelled as it stands in data: plain ASCII,
// such as "ohm". The set is closed; ParseUnit refuses anything else.
type Unit string

// The units that readings, limits and model parameters use.
const (
	One            Unit = "1" // dimensionless, such as a power factor
	Volt           Unit = "V"
	Ampere         Unit = "A"
	Milliampere    Unit = "mA"
	Kiloampere     Unit = "kA"
	Ohm            Unit = "ohm"
	Megohm         Unit = "Mohm"
	Watt           Unit = "W"
	Kilowatt       Unit = "kW"
	KilowattHour   Unit = "kWh"
	KilovarHour    Unit = "kvarh"
	KilovoltAmpere Unit = "kVA"
	Hertz          Unit = "Hz"
	Second         Unit = "s"
	Millisecond    Unit = "ms"
	Minute         Unit = "min"
	Day            Unit = "d"
	Impulse        Unit = "imp"
	ImpulsePerKWh  Unit = "imp/kWh"
	NewtonMetre    Unit = "N.m"
	Percent        Unit = "%"
	Picofarad      Unit = "pF"
	Millimetre     Unit = "mm"
	SquareMM       Unit = "mm2"
	Metre          Unit = "m"
	Celsius        Unit = "degC"
	AdiabaticK     Unit = "A.s0.5/mm2" // the k of an adiabatic check
)

// units lists every unit with its spelling in text for people, in the order in
// which a form offers them.
var units = [...]struct {
	unit Unit
	text string
}{
	{Volt, "V"}, {Ampere, "A"}, {Milliampere, "mA"}, {Kiloampere, "kA"},
	{Ohm, "Ω"}, {Megohm, "MΩ"}, {Watt, "W"}, {Kilowatt, "kW"},
	{KilowattHour, "kWh"}, {KilovarHour, "kvarh"}, {KilovoltAmpere, "kVA"},
	{Hertz, "Hz"}, {Second, "s"}, {Millisecond, "ms"}, {Minute, "min"}, {Day, "d"},
	{Impulse, "imp"}, {ImpulsePerKWh, "imp/kWh"}, {NewtonMetre, "N·m"},
	{Percent, "%"}, {Picofarad, "pF"}, {Millimetre, "mm"}, {SquareMM, "mm²"},
	{Metre, "m"}, {Celsius, "°C"}, {AdiabaticK, "A·√s/mm²"}, {One, ""},
}

// ParseUnit reads a unit in its data spelling ("ohm", "N.m") or its text
// spelling ("Ω", "N·m"). The old ohm sign, U+2126, is taken for Ω.
func ParseUnit(s string) (Unit, error) {
	if s != "" {
		text := strings.ReplaceAll(s, "\u2126", "Ω")
		for _, row := range units {
			if s == string(row.unit) || text == row.text {
				return row.unit, nil
			}
		}
	}
	known := make([]string, len(units))
	for i, row := range units {
		known[i] = string(row.unit)
	}
	return "", fmt.Errorf("unit %q is not known: use one of %s", shorten(s), strings.Join(known, ", "))
}

// Valid reports whether u is one of the closed set.
func (u Unit) Valid() bool {
	for _, row := range units {
		if u == row.unit {
			return true
		}
	}
	return false
}

// String returns the unit as people read it: "Ω" for "ohm", and nothing for the
// dimensionless unit. string(u) is the data spelling.
func (u Unit) String() string {
	for _, row := range units {
		if u == row.unit {
			return row.text
		}
	}
	return string(u)
}

// MarshalText writes the data spelling. An empty unit stays empty.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u), nil }

// UnmarshalText reads what MarshalText wrote: the data spelling only, so that
// accepted data re-encodes to the same bytes.
func (u *Unit) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*u = ""
		return nil
	}
	parsed, err := ParseUnit(string(text))
	if err != nil {
		return err
	}
	if string(parsed) != string(text) {
		return fmt.Errorf("unit %q is spelled %q in data", text, string(parsed))
	}
	*u = parsed
	return nil
}

// Reading is a value with its unit, as an instrument showed it. The zero
// Reading is unset.
type Reading struct {
	Value Decimal `json:"value"`
	Unit  Unit    `json:"unit"`
}

// IsZero reports whether r is unset.
func (r Reading) IsZero() bool { return r == Reading{} }

// String returns the digits as entered and the unit as people read it:
// "0.30 Ω". A percent sign stands off too, as SI prescribes.
func (r Reading) String() string {
	if text := r.Unit.String(); text != "" {
		return r.Value.String() + " " + text
	}
	return r.Value.String()
}
