package jobs

import (
	"fmt"
	"strings"
	"time"
)

// Day returns the day of the appointment as 2026-11-24, or nothing where it names none.
func (j *Job) Day() string {
	day, _, _ := splitAppointment(j.Appointment)
	return day
}

// Hour returns what the appointment says beside its day: a time, or words.
func (j *Job) Hour() string {
	_, hour, err := splitAppointment(j.Appointment)
	if err != nil {
		return j.Appointment
	}
	return hour
}

// splitAppointment parts the day from the rest. The error says that what looks like a day is
// none: in words it would be taken for an appointment without a day.
func splitAppointment(s string) (day, hour string, err error) {
	s = strings.TrimSpace(s)
	const length = len(time.DateOnly)
	if len(s) == length || len(s) > length && strings.IndexByte(" T,", s[length]) >= 0 {
		if _, err := time.Parse(time.DateOnly, s[:length]); err == nil {
			return s[:length], strings.TrimLeft(strings.TrimPrefix(s[length:], "T"), " ,"), nil
		}
	}
	numbers := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune("-/. T", r) })
	if len(numbers) >= 3 && digits(numbers[0]) && digits(numbers[1]) && digits(numbers[2]) {
		return "", "", fmt.Errorf("%.40q begins like a date and is none of this form", s)
	}
	return "", s, nil
}

func digits(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(r rune) bool { return r < '0' || r > '9' })
}
