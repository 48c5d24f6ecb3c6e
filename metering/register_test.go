package metering

import (
	"fmt"
	"math/big"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"meterwright/measure"
)

func dec(s string) measure.Decimal { return measure.MustDecimal(s) }

func register() Register {
	return Register{ID: "1", Digits: 5, Decimals: 1, Multiplier: dec("1"), Unit: measure.KilowattHour, Rate: "day", Direction: Import}
}

func TestAdvance(t *testing.T) {
	for _, tc := range []struct {
		from, to, multiplier, steps, quantity string
		rolled                                bool
	}{
		{"04127.6", "04130.2", "1", "2.6", "2.6", false},
		{"04127.6", "04127.6", "1", "0.0", "0.0", false},
		{"99999.9", "00000.0", "1", "0.1", "0.1", true},
		{"99980", "00020.5", "1", "40.5", "40.5", true},
		{"00100", "00150", "40", "50", "2000", false},
		{"00000.1", "00000.3", "0.1", "0.2", "0.02", false}, // 0.2 is not a binary fraction
	} {
		r := register()
		r.Multiplier = dec(tc.multiplier)
		a, err := advanceBetween(r, dec(tc.from), dec(tc.to))
		if err != nil || a.Steps.String() != tc.steps || a.Quantity.String() != tc.quantity || a.RolledOver != tc.rolled || a.Unit != measure.KilowattHour {
			t.Errorf("%s to %s: got %+v, %v", tc.from, tc.to, a, err)
		}
	}
}

// Counting on from any reading by any amount less than the span, as whole
// steps, must give that amount back.
func TestAdvanceUndoesCounting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := register()
		r.Digits = rapid.IntRange(1, 12).Draw(t, "digits")
		r.Decimals = rapid.IntRange(0, 6).Draw(t, "decimals")
		span := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(r.Digits+r.Decimals)), nil).Int64()
		from := rapid.Int64Range(0, span-1).Draw(t, "from")
		count := rapid.Int64Range(0, span-1).Draw(t, "count")
		show := func(n int64) measure.Decimal {
			text := fmt.Sprintf("%0*d", r.Digits+r.Decimals, n)
			if r.Decimals > 0 {
				text = text[:r.Digits] + "." + text[r.Digits:]
			}
			return dec(text)
		}
		to := (from + count) % span
		a, err := advanceBetween(r, show(from), show(to))
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := a.Steps.Scaled(); got != count || a.RolledOver != (to < from) {
			t.Fatalf("%s to %s: %d steps, want %d", show(from), show(to), got, count)
		}
	})
}

func TestFit(t *testing.T) {
	for in, want := range map[string]Misfit{
		"04127.6": "", "04127": "", "4127.6": TooFewDigits, "041276": TooManyDigits, "04127.63": TooManyPlaces, "-04127": Negative, "-0": Negative,
	} {
		if got := register().Fit(dec(in)); got != want || got.Shown() != (want == "" || want == TooFewDigits) {
			t.Errorf("%s: got %q", in, got)
		}
	}
	if got := register().Fit(measure.Decimal{}); got != NoReading || got.Shown() {
		t.Errorf("no reading: got %q", got)
	}
}

func TestRegisterRefuses(t *testing.T) {
	for name, spoil := range map[string]func(*Register){
		"no id":            func(r *Register) { r.ID = "" },
		"no digits":        func(r *Register) { r.Digits = 0 },
		"many digits":      func(r *Register) { r.Digits = 13 },
		"many decimals":    func(r *Register) { r.Decimals = 7 },
		"no multiplier":    func(r *Register) { r.Multiplier = measure.Decimal{} },
		"multiplier below": func(r *Register) { r.Multiplier = dec("-1") },
		"volts":            func(r *Register) { r.Unit = measure.Volt },
		"demand":           func(r *Register) { r.Unit = measure.Kilowatt },
		"no direction":     func(r *Register) { r.Direction = "" },
	} {
		r := register()
		spoil(&r)
		if _, err := advanceBetween(r, dec("0"), dec("1")); err == nil {
			t.Errorf("%s was accepted", name)
		}
		if (r.Check() == nil) != (name == "demand") {
			t.Errorf("%s: check gives %v", name, r.Check())
		}
	}
	if _, err := (Register{Digits: 19}).Span(); err == nil {
		t.Error("a register of 19 digits has a span")
	}
	r := register()
	r.Multiplier = dec("999999999999999999")
	if a, err := advanceBetween(r, dec("00000"), dec("99999")); err == nil {
		t.Errorf("an advance beyond 18 digits was given: %s", a.Quantity)
	}
	if _, err := advanceBetween(register(), dec("123456"), dec("00001")); err == nil || !strings.Contains(err.Error(), "read it again") {
		t.Errorf("a reading that cannot be shown gave %v", err)
	}
}

// Invented readings: about 10 kWh a day.
func history(readings ...string) []DatedReading {
	start := time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)
	rows := make([]DatedReading, len(readings))
	for i, s := range readings {
		rows[i] = DatedReading{At: start.AddDate(0, 0, 30*i), Reading: dec(s)}
	}
	return rows
}

func TestJudgeReading(t *testing.T) {
	for _, tc := range []struct {
		name     string
		readings []string // the last is judged
		want     Plausibility
		because  Because
		misfit   Misfit
	}{
		{"as before", []string{"04000", "04300", "04570", "04880.5"}, Plausible, WithinBand, ""},
		{"a rollover", []string{"99400", "99700", "99990", "00295"}, Plausible, RolloverExplains, ""},
		{"lower, no rollover", []string{"04000", "04300", "04570", "04470"}, Implausible, RolloverNot, ""},
		{"lower, nothing to tell by", []string{"99990", "00295"}, Doubtful, RolloverUnknown, ""},
		{"above", []string{"04000", "04300", "04570", "05500"}, Doubtful, AboveBand, ""},
		{"far above", []string{"04000", "04300", "04570", "45700"}, Implausible, FarAbove, ""},
		{"below", []string{"04000", "04300", "04570", "04600"}, Doubtful, BelowBand, ""},
		{"not moved", []string{"04000", "04300", "04570", "04570"}, Doubtful, NotMoved, ""},
		{"leading zero left out", []string{"04000", "04300", "04570", "4880.5"}, Doubtful, WithinBand, TooFewDigits},
		{"decimal read as digit", []string{"04000", "04300", "04570", "048805"}, Implausible, "", TooManyDigits},
		{"no history", []string{"04880.5"}, Doubtful, NothingEarlier, ""},
		{"one earlier", []string{"04570", "04880.5"}, Doubtful, TooFewEarlier, ""},
		{"empty premises stay empty", []string{"04000", "04000", "04000"}, Plausible, WithinBand, ""},
		// A corrected estimate went down: it must not open the band.
		{"a correction earlier", []string{"04000", "04300", "04250", "04550", "45500"}, Implausible, FarAbove, ""},
	} {
		rows := history(tc.readings...)
		last := len(rows) - 1
		f, err := JudgeReading(register(), gb.Plausible, rows[:last], rows[last])
		if err != nil || f.Plausibility != tc.want || f.Because != tc.because || f.Misfit != tc.misfit {
			t.Errorf("%s: got %s, %q, %q (%v), want %s", tc.name, f.Plausibility, f.Because, f.Misfit, err, tc.want)
		}
		if f.Band.DoubtfulAbove.Source == "" {
			t.Errorf("%s: the band is not stated", tc.name)
		}
	}
}

func TestJudgeReadingDailyMeans(t *testing.T) {
	r := register()
	r.Multiplier = dec("2")
	rows := history("04000", "04300", "04570", "04880")
	f, err := JudgeReading(r, gb.Plausible, rows[:3], rows[3])
	if err != nil || f.DailyLow != 18 || f.DailyHigh != 20 || f.Advance.Quantity.String() != "620" || f.Daily != 620.0/30 {
		t.Errorf("got %+v, %v", f, err)
	}
}

func TestJudgeReadingRefuses(t *testing.T) {
	rows := history("04000", "04300", "04570")
	swapped := []DatedReading{rows[1], rows[0]}
	if _, err := JudgeReading(register(), gb.Plausible, swapped, rows[2]); err == nil {
		t.Error("earlier readings out of order were accepted")
	}
	if _, err := JudgeReading(register(), gb.Plausible, rows, rows[2]); err == nil {
		t.Error("a final reading at the time of the last was accepted")
	}
	if _, err := JudgeReading(Register{}, gb.Plausible, nil, rows[2]); err == nil {
		t.Error("no register was accepted")
	}
	broken := history("04000", "043000", "04570")
	if _, err := JudgeReading(register(), gb.Plausible, broken[:2], broken[2]); err == nil {
		t.Error("an earlier reading that cannot be shown was accepted")
	}
	for p, want := range map[Plausibility]string{Doubtful: "doubtful", Plausible: "plausible", Implausible: "implausible"} {
		if text, err := p.MarshalText(); err != nil || string(text) != want {
			t.Errorf("%d is %q", p, text)
		}
	}
}
