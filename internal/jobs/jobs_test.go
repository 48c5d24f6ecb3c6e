package jobs

import (
	"testing"
	"time"

	"meterwright/metering"
	"meterwright/rules"
)

func TestAppointment(t *testing.T) {
	for _, c := range []struct {
		text, day, hour string
		bad             bool
	}{
		{"2026-11-24 09:00", "2026-11-24", "09:00", false},
		{"2026-11-24T09:00", "2026-11-24", "09:00", false},
		{"2026-11-24", "2026-11-24", "", false},
		{" 2026-11-24, in the morning", "2026-11-24", "in the morning", false},
		{"2026-11-24 Tuesday", "2026-11-24", "Tuesday", false},
		{"09:00", "", "09:00", false},
		{"24 November 2026, morning", "", "24 November 2026, morning", false},
		{"", "", "", false},
		{"2026-02-30 09:00", "", "2026-02-30 09:00", true},
		{"24/11/2026 09:00", "", "24/11/2026 09:00", true},
		{"24.11.26", "", "24.11.26", true},
	} {
		j := Job{Appointment: c.text}
		if j.Day() != c.day || j.Hour() != c.hour {
			t.Errorf("%q: day %q, hour %q", c.text, j.Day(), j.Hour())
		}
		if _, _, err := splitAppointment(c.text); (err != nil) != c.bad {
			t.Errorf("%q: %v", c.text, err)
		}
	}
}

func TestJudgeRollover(t *testing.T) {
	r := Register{Entry: "x", Digits: 5, Earlier: []Reading{{"2026-02-24", "97210"}, {"2026-05-24", "98330"}, {"2026-08-24", "99410"}}}
	f, err := r.Judge(rules.GB().Plausible, "00480", time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	// 100000 − 99410 + 480, by hand.
	if f.Plausibility != metering.Plausible || !f.Advance.RolledOver || f.Advance.Quantity.String() != "1070" {
		t.Errorf("%+v", f)
	}
}
