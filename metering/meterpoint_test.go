package metering

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"meterwright/rules"
)

var gb = rules.GB()

// The numbers here are built by hand from the published algorithm and belong to
// no premises. For 123456789012:
// 1×3+2×5+3×7+4×13+5×17+6×19+7×23+8×29+9×31+0×37+1×41+2×43 = 1084,
// 1084 mod 11 = 6, 6 mod 10 = 6.
func TestParseMeterPoint(t *testing.T) {
	for in, want := range map[string]string{
		"1234567890126":          "12 3456 7890 126",
		"12 3456 7890 126":       "12 3456 7890 126",
		" 1 2 3456 7890   126  ": "12 3456 7890 126",
		"0000000000000":          "00 0000 0000 000",
		// First digit 7: 21 mod 11 = 10, mod 10 = 0.
		"7000000000000": "70 0000 0000 000",
	} {
		m, err := ParseMeterPoint(gb.MeterPoint, in)
		if err != nil || m.String() != want || m.Digits() != strings.ReplaceAll(want, " ", "") || m.IsZero() {
			t.Errorf("%q: got %q, %v; want %q", in, m, err, want)
		}
	}
}

func TestParseMeterPointSaysWhichDigit(t *testing.T) {
	for in, want := range map[string]string{
		"1234567890124":         "digit 13, the check digit, is 4 but digits 1 to 12 give 6",
		"2134567890126":         "the check digit", // first two exchanged
		"123456789012":          "has 12 digits: it needs 13",
		"":                      "has 0 digits",
		"12345678901267":        "more than 13 digits",
		"01801123" + "12345678": "enter only the lower line",
		"12345O7890126":         "'O' after 5 digits",
		"123456789012６":         "after 12 digits is not a digit",
		"1234-5678-9012-6":      "enter digits and spaces only",
	} {
		m, err := ParseMeterPoint(gb.MeterPoint, in)
		if err == nil || !m.IsZero() {
			t.Errorf("%q was accepted as %q", in, m)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %q does not say %q", in, err, want)
		}
	}
}

func drawMeterPoint(t *rapid.T) string {
	core := rapid.StringMatching(`[0-9]{12}`).Draw(t, "core")
	check, err := CheckDigit(gb.MeterPoint, core)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%s%d", core, check)
}

// A single misread digit, and two neighbours exchanged, change the sum modulo
// 11, as no weight and no difference of neighbouring weights is a multiple of
// 11. Only remainders 10 and 0, which both give the check digit 0, escape.
func TestCheckDigitFindsSlips(t *testing.T) {
	weights := gb.MeterPoint.Weights.Ints()
	remainder := func(s string) int {
		sum := 0
		for i, w := range weights {
			sum += int(s[i]-'0') * w
		}
		return sum % 11
	}
	rapid.Check(t, func(t *rapid.T) {
		good := drawMeterPoint(t)
		try := func(bad string) {
			_, err := ParseMeterPoint(gb.MeterPoint, bad)
			escapes := bad == good || good[12] == '0' && remainder(good)+remainder(bad) == 10 && remainder(good) != remainder(bad)
			if bad[12] == good[12] && (err == nil) != escapes {
				t.Fatalf("%s for %s: %v", bad, good, err)
			}
		}
		for i := range 12 {
			for d := byte('0'); d <= '9'; d++ {
				try(good[:i] + string(d) + good[i+1:])
			}
			if i < 11 {
				try(good[:i] + string(good[i+1]) + string(good[i]) + good[i+2:])
			}
		}
		for d := byte('0'); d <= '9'; d++ {
			if _, err := ParseMeterPoint(gb.MeterPoint, good[:12]+string(d)); (err == nil) != (d == good[12]) {
				t.Fatalf("check digit %c for %s: %v", d, good, err)
			}
		}
	})
}

func TestCheckDigitRefuses(t *testing.T) {
	for _, core := range []string{"", "12345678901", "1234567890123", "12345678901x"} {
		if d, err := CheckDigit(gb.MeterPoint, core); err == nil {
			t.Errorf("%q gave %d", core, d)
		}
	}
	if _, err := ParseMeterPoint(rules.MeterPointFormat{}, "0"); err == nil {
		t.Error("an empty format accepted a number")
	}
}

func FuzzParseMeterPoint(f *testing.F) {
	for _, s := range []string{"1234567890126", "12 3456 7890 126", "", "0000000000000", "12345678901267", "x", "\xff", "٣"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMeterPoint(gb.MeterPoint, s)
		if err != nil {
			return
		}
		if strings.ReplaceAll(s, " ", "") != m.Digits() {
			t.Fatalf("%q became %q", s, m.Digits())
		}
		if back, err := ParseMeterPoint(gb.MeterPoint, m.String()); err != nil || back != m {
			t.Fatalf("%q is shown as %q, which comes back as %q (%v)", s, m, back, err)
		}
	})
}
