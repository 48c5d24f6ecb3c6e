package measure

import (
	"encoding/json"
	"math"
	"math/big"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// decimalForm is the accepted form, written a second way.
var decimalForm = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

func TestParseDecimalKeepsDigits(t *testing.T) {
	for _, tc := range []struct {
		in            string
		float         float64
		places, whole int
		resolution    float64
	}{
		{"0.30", 0.30, 2, 1, 0.01},
		{"04127.6", 4127.6, 1, 5, 0.1},
		{"-0.00", 0, 2, 1, 0.01},
		{"238", 238, 0, 3, 1},
		{"000000000000000000", 0, 0, 18, 1},
		{"999999999999999999", 999999999999999999, 0, 18, 1},
		{"0.00000000000000001", 1e-17, 17, 1, 1e-17},
	} {
		d, err := ParseDecimal(tc.in)
		if err != nil {
			t.Errorf("%q: %v", tc.in, err)
			continue
		}
		if d.String() != tc.in || d.Float() != tc.float || d.Places() != tc.places || d.WholeDigits() != tc.whole || d.Resolution() != tc.resolution {
			t.Errorf("%q: got %q, %v, %d places, %d whole, resolution %v", tc.in, d, d.Float(), d.Places(), d.WholeDigits(), d.Resolution())
		}
		if d.IsZero() {
			t.Errorf("%q counts as unset", tc.in)
		}
	}
}

func TestParseDecimalSaysHowToMend(t *testing.T) {
	for in, want := range map[string]string{
		"":                    "enter digits",
		"-":                   "enter digits",
		".5":                  "write 0 there",
		"-.5":                 "write 0 there",
		"5.":                  "remove the point",
		"1.2.3":               "more than one point",
		"1,234":               "comma",
		"0,3":                 "comma",
		"1 234":               "remove it",
		" 5":                  "remove it",
		"5\u00a0":             "remove it",
		"1e3":                 "write all the digits",
		"+5":                  "leave it out",
		"5-":                  "plain hyphen",
		"\u22125":             "plain hyphen",
		"--5":                 "plain hyphen",
		"\u0663":              "use the digits 0 to 9",
		"5V":                  "use the digits 0 to 9",
		"NaN":                 "use the digits 0 to 9",
		"0x10":                "use the digits 0 to 9",
		"1234567890123456789": "at most 18",
	} {
		d, err := ParseDecimal(in)
		if err == nil {
			t.Errorf("%q was accepted as %q", in, d)
			continue
		}
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %q does not say %q", in, err, want)
		}
	}
	if _, err := ParseDecimal(strings.Repeat("9", 100000)); err == nil || len(err.Error()) > 200 {
		t.Error("a very long number is accepted or fills the error")
	}
}

func drawDecimal(t *rapid.T, name string) Decimal {
	return MustDecimal(rapid.StringMatching(`-?[0-9]{1,9}(\.[0-9]{1,9})?`).Draw(t, name))
}

func rat(t *rapid.T, d Decimal) *big.Rat {
	r, ok := new(big.Rat).SetString(d.String())
	if !ok {
		t.Fatalf("math/big cannot read %q", d)
	}
	return r
}

// The oracle for the arithmetic is math/big's rational numbers.
func TestDecimalArithmeticIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawDecimal(t, "a"), drawDecimal(t, "b")
		ra, rb := rat(t, a), rat(t, b)
		if a.Cmp(b) != ra.Cmp(rb) || a.Sign() != ra.Sign() {
			t.Fatalf("%s and %s compare as %d, sign %d", a, b, a.Cmp(b), a.Sign())
		}
		for _, op := range []struct {
			name string
			got  func() (Decimal, error)
			want *big.Rat
		}{
			{"+", func() (Decimal, error) { return a.Add(b) }, new(big.Rat).Add(ra, rb)},
			{"-", func() (Decimal, error) { return a.Sub(b) }, new(big.Rat).Sub(ra, rb)},
			{"×", func() (Decimal, error) { return a.Mul(b) }, new(big.Rat).Mul(ra, rb)},
		} {
			got, err := op.got()
			if err != nil {
				continue // too many digits: TestDecimalArithmeticRefuses
			}
			if rat(t, got).Cmp(op.want) != 0 {
				t.Fatalf("%s %s %s = %s, want %s", a, op.name, b, got, op.want)
			}
			if _, err := ParseDecimal(got.String()); err != nil {
				t.Fatalf("%s %s %s = %s, which does not parse: %v", a, op.name, b, got, err)
			}
		}
		n, places := a.Scaled()
		back, err := FromScaled(n, places)
		if err != nil || back.Cmp(a) != 0 || back.Places() != a.Places() {
			t.Fatalf("%s scaled is %d and %d and comes back as %s (%v)", a, n, places, back, err)
		}
	})
}

func TestDecimalArithmeticRefuses(t *testing.T) {
	big18 := MustDecimal("999999999999999999")
	if d, err := big18.Add(MustDecimal("1")); err == nil {
		t.Errorf("19 digits were kept: %s", d)
	}
	if d, err := big18.Mul(big18); err == nil {
		t.Errorf("36 digits were kept: %s", d)
	}
	if d, err := big18.Sub(MustDecimal("0.1")); err == nil {
		t.Errorf("19 digits were kept: %s", d)
	}
	if d, err := FromScaled(1, -1); err == nil {
		t.Errorf("negative places were taken: %s", d)
	}
	if d, err := FromScaled(1, 18); err == nil {
		t.Errorf("19 digits were written: %s", d)
	}
	if d, err := FromScaled(math.MinInt64, 0); err == nil {
		t.Errorf("19 digits were written: %s", d)
	}
}

func TestDecimalUnset(t *testing.T) {
	var d Decimal
	if !d.IsZero() || d.String() != "" || d.Float() != 0 || d.Places() != 0 || d.WholeDigits() != 0 || d.Cmp(MustDecimal("0.0")) != 0 {
		t.Error("the unset Decimal is not empty, or does not compare as nought")
	}
	short, long, again := MustDecimal("0.3"), MustDecimal("0.30"), MustDecimal("0.30")
	if short == long || long != again {
		t.Error("== must compare the digits as written")
	}
}

func TestDecimalJSON(t *testing.T) {
	type row struct {
		D Decimal `json:"d"`
		O Decimal `json:"o,omitzero"`
	}
	out, err := json.Marshal(row{D: MustDecimal("04127.60")})
	if err != nil || string(out) != `{"d":"04127.60"}` {
		t.Fatalf("got %s, %v", out, err)
	}
	var in row
	if err := json.Unmarshal(out, &in); err != nil || in.D.String() != "04127.60" || !in.O.IsZero() {
		t.Fatalf("got %+v, %v", in, err)
	}
	if err := json.Unmarshal([]byte(`{"d":""}`), &in); err != nil || !in.D.IsZero() {
		t.Fatalf("empty text: got %+v, %v", in, err)
	}
	for _, bad := range []string{`{"d":0.30}`, `{"d":"1,5"}`, `{"d":true}`} {
		if err := json.Unmarshal([]byte(bad), &in); err == nil {
			t.Errorf("%s was accepted", bad)
		}
	}
}

func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"0.30", "04127.6", "-0", "", ".5", "5.", "1,2", "1e9", "٣", "\xff", "123456789012345678", "1234567890123456789"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDecimal(s)
		digits := 0
		for _, c := range []byte(s) {
			if c >= '0' && c <= '9' {
				digits++
			}
		}
		if want := decimalForm.MatchString(s) && digits <= maxDigits; want != (err == nil) {
			t.Fatalf("%q: accepted %v, want %v (%v)", s, err == nil, want, err)
		}
		if err != nil {
			return
		}
		text, err := d.MarshalText()
		if err != nil || string(text) != s {
			t.Fatalf("%q re-encodes as %q (%v)", s, text, err)
		}
	})
}
