package measure

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// maxDigits is the largest number of digits that a Decimal holds. Any such
// number, scaled to an integer, fits in an int64.
const maxDigits = 18

// Decimal is a decimal number with its digits exactly as entered: leading and
// trailing zeros are kept. The zero Decimal is unset, which is not the number
// nought. Two Decimals are == only if they were written alike; use Cmp to
// compare what they amount to.
type Decimal struct {
	text string
}

// ParseDecimal reads an optional leading "-", digits, and optionally a point
// followed by digits, with at most MaxDigits digits in all. It refuses anything
// else (commas, exponents, spaces, digits of other scripts) with an error that
// says how to mend it.
func ParseDecimal(s string) (Decimal, error) {
	if s == "" {
		return Decimal{}, errors.New("number is empty: enter digits, such as 0.30")
	}
	body := strings.TrimPrefix(s, "-")
	digits, points := 0, 0
	for i, r := range body {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case r == '.':
			points++
			if points > 1 {
				return Decimal{}, fmt.Errorf("number %q has more than one point: keep one", shorten(s))
			}
			if i == 0 {
				return Decimal{}, fmt.Errorf("number %q has no digit before its point: write 0 there, as in 0.5", shorten(s))
			}
		default:
			return Decimal{}, fmt.Errorf("number %q: %s", shorten(s), mend(r))
		}
	}
	switch {
	case digits == 0:
		return Decimal{}, fmt.Errorf("number %q has no digits: enter digits, such as 0.30", shorten(s))
	case strings.HasSuffix(body, "."):
		return Decimal{}, fmt.Errorf("number %q ends in a point: remove the point or write the digits after it", shorten(s))
	case digits > maxDigits:
		return Decimal{}, fmt.Errorf("number %q has %d digits: at most %d can be kept", shorten(s), digits, maxDigits)
	}
	return Decimal{text: s}, nil
}

// MustDecimal is ParseDecimal for constants in source code. It panics on text
// that ParseDecimal refuses, so it never takes input.
func MustDecimal(s string) Decimal {
	d, err := ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

// mend says why the character cannot stand in a number and what to do instead.
func mend(r rune) string {
	switch {
	case r == ',':
		return "a comma cannot stand in a number: use a point for decimals and nothing between thousands"
	case r == ' ' || r == '\t' || r == '\u00a0' || r == '\u202f':
		return "a space cannot stand in a number: remove it"
	case r == 'e' || r == 'E':
		return "an exponent cannot stand in a number: write all the digits"
	case r == '+':
		return "a plus sign cannot stand in a number: leave it out"
	case r == '-' || r == '\u2212' || r == '\u2013':
		return "a minus sign must be a plain hyphen and stand first"
	}
	return fmt.Sprintf("the character %q cannot stand in a number: use the digits 0 to 9 and one point", r)
}

// shorten keeps an error readable when somebody pastes a page into a number.
func shorten(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// String returns the digits exactly as entered, or "" for an unset Decimal.
func (d Decimal) String() string { return d.text }

// IsZero reports whether d is unset. The number nought, "0" or "0.00", is set.
func (d Decimal) IsZero() bool { return d.text == "" }

// Float returns the nearest float64, and 0 for an unset Decimal.
func (d Decimal) Float() float64 {
	if d.text == "" {
		return 0
	}
	f, err := strconv.ParseFloat(d.text, 64)
	if err != nil {
		return 0 // Not reached: 18 digits are always within range.
	}
	return f
}

// Places returns the number of digits after the point.
func (d Decimal) Places() int {
	i := strings.IndexByte(d.text, '.')
	if i < 0 {
		return 0
	}
	return len(d.text) - i - 1
}

// WholeDigits returns the number of digits before the point, leading zeros
// included: 5 for "04127.6". A register's digits are counted by it.
func (d Decimal) WholeDigits() int {
	whole, _, _ := strings.Cut(strings.TrimPrefix(d.text, "-"), ".")
	return len(whole)
}

// Resolution returns the size of one step of the last digit, 10^-Places.
func (d Decimal) Resolution() float64 { return math.Pow10(-d.Places()) }

// Scaled returns the number as an integer of its last digit's steps, with the
// count of places: "-0.30" gives -30 and 2. It is exact.
func (d Decimal) Scaled() (unscaled int64, places int) {
	if d.text == "" {
		return 0, 0
	}
	n, err := strconv.ParseInt(strings.Replace(d.text, ".", "", 1), 10, 64)
	if err != nil {
		return 0, 0 // Not reached: 18 digits always fit in an int64.
	}
	return n, d.Places()
}

// FromScaled returns the Decimal of unscaled × 10^-places with that many
// digits after the point. It refuses more than MaxDigits digits.
func FromScaled(unscaled int64, places int) (Decimal, error) {
	return fromBig(big.NewInt(unscaled), places)
}

func fromBig(n *big.Int, places int) (Decimal, error) {
	if places < 0 {
		return Decimal{}, fmt.Errorf("number with %d decimal places: give 0 or more", places)
	}
	text := new(big.Int).Abs(n).String()
	if len(text) > maxDigits || places >= maxDigits {
		return Decimal{}, fmt.Errorf("result needs %d digits with %d decimal places: at most %d digits can be kept", len(text), places, maxDigits)
	}
	if len(text) <= places {
		text = strings.Repeat("0", places-len(text)+1) + text
	}
	if places > 0 {
		text = text[:len(text)-places] + "." + text[len(text)-places:]
	}
	if n.Sign() < 0 {
		text = "-" + text
	}
	return Decimal{text: text}, nil
}

// big returns the number as an integer of steps of 10^-places, which must be
// at least d.Places.
func (d Decimal) big(places int) *big.Int {
	n, own := d.Scaled()
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places-own)), nil)
	return scale.Mul(scale, big.NewInt(n))
}

// Cmp compares what two Decimals amount to, exactly: -1 if d < e, 0 if they are
// equal ("0.3" and "0.30" are), 1 if d > e. An unset Decimal counts as 0.
func (d Decimal) Cmp(e Decimal) int {
	places := max(d.Places(), e.Places())
	return d.big(places).Cmp(e.big(places))
}

// Sign returns -1, 0 or 1. An unset Decimal and "-0" give 0.
func (d Decimal) Sign() int {
	n, _ := d.Scaled()
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}

// Add returns d + e exactly, with the places of the finer of the two. It fails
// if the result needs more than MaxDigits digits.
func (d Decimal) Add(e Decimal) (Decimal, error) {
	places := max(d.Places(), e.Places())
	sum := d.big(places)
	return fromBig(sum.Add(sum, e.big(places)), places)
}

// Sub returns d - e exactly, with the places of the finer of the two. It fails
// if the result needs more than MaxDigits digits.
func (d Decimal) Sub(e Decimal) (Decimal, error) {
	places := max(d.Places(), e.Places())
	diff := d.big(places)
	return fromBig(diff.Sub(diff, e.big(places)), places)
}

// Mul returns d × e exactly, with the places of both added. It fails if the
// result needs more than MaxDigits digits.
func (d Decimal) Mul(e Decimal) (Decimal, error) {
	product := d.big(d.Places())
	return fromBig(product.Mul(product, e.big(e.Places())), d.Places()+e.Places())
}

// MarshalText writes the digits as entered, so that JSON holds a string and an
// unset Decimal is the empty string.
func (d Decimal) MarshalText() ([]byte, error) { return []byte(d.text), nil }

// UnmarshalText reads what MarshalText wrote. A JSON number is refused by the
// JSON decoder, since a number there may lose its digits on the way.
func (d *Decimal) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*d = Decimal{}
		return nil
	}
	parsed, err := ParseDecimal(string(text))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}
