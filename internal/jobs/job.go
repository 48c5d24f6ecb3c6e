// Package jobs is what is known of a visit before anybody goes out: a [Job], the one form in
// which the store, the pages, the scripts and the reports have it.
//
// [Job.Check] finds what cannot be: a number that no meter point has, a kind of instrument that
// does not exist, a date that no calendar has. Files of jobs are read by package jobfile; whether
// a job can be carried out by a method is for package intake to say.
package jobs

import (
	"cmp"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/site"
)

// Job is one job. Names of people do not stand in it.
type Job struct {
	// Reference is the reference of whoever gave the job.
	Reference string `json:"job"`
	// Fictional says that premises, people and numbers are invented.
	Fictional bool `json:"fictional,omitempty"`
	// Employer is whose job it is.
	Employer string `json:"employer,omitempty"`
	Address  string `json:"address"`
	// MeterPoint is the meter-point number, with its check digit.
	MeterPoint string `json:"meter_point"`
	// Meter is the number of the meter that is expected there.
	Meter string `json:"meter"`
	// Appointment is when somebody is expected: a day with what follows it, as in
	// "2026-11-24 09:00" or "2026-11-24 in the morning", or words without a day.
	Appointment string `json:"appointment,omitempty"`
	// Site is the service position as the job claims it.
	Site site.Spec `json:"site"`
	// Method and Overlays name what is followed.
	Method   string   `json:"method,omitempty"`
	Overlays []string `json:"overlays,omitempty"`
	Work     Work     `json:"work,omitzero"`
	// Hazards and Dependants are what is known before the visit.
	Hazards    []string   `json:"hazards,omitempty"`
	Dependants []string   `json:"dependants,omitempty"`
	Registers  []Register `json:"registers,omitempty"`
	// Person is the identifier of who goes, never a name.
	Person string `json:"person,omitempty"`
	Kit    Kit    `json:"kit,omitzero"`
}

// Work says what is to be done beyond the exchange.
type Work struct {
	FitIsolator bool `json:"fit_isolator,omitempty"`
}

// Register is one register of the meter that comes off, with its earlier readings.
type Register struct {
	// Entry is the field of the method at which its final reading is entered.
	Entry    string `json:"entry"`
	Digits   int    `json:"digits"`
	Decimals int    `json:"decimals,omitempty"`
	// Multiplier is 1 unless the nameplate says otherwise.
	Multiplier string `json:"multiplier,omitempty"`
	Unit       string `json:"unit,omitempty"`
	Rate       string `json:"rate,omitempty"`
	// Direction is import (the default) or export.
	Direction string    `json:"direction,omitempty"`
	Earlier   []Reading `json:"earlier,omitempty"`
}

// Reading is one earlier reading.
type Reading struct {
	On      string `json:"on"`
	Reading string `json:"reading"`
}

// Kit is what the person carries.
type Kit struct {
	Instruments []Tool `json:"instruments,omitempty"`
	Protection  []Worn `json:"protection,omitempty"`
}

// Tool is one instrument with the source on which it is proved.
type Tool struct {
	Kind instrument.Kind `json:"kind"`
	ID   string          `json:"id"`
	// Due is the day on which its calibration falls due.
	Due      string `json:"calibration_due,omitempty"`
	Leads    string `json:"leads,omitempty"`
	ProvedOn Source `json:"proved_on"`
}

// Source is a proving source.
type Source struct {
	Kind    instrument.SourceKind `json:"kind"`
	ID      string                `json:"id,omitempty"`
	Nominal string                `json:"nominal,omitempty"`
}

// Worn is a piece of protection.
type Worn struct {
	Item string `json:"item"`
	ID   string `json:"id,omitempty"`
	// Due is the day on which its test falls due.
	Due string `json:"test_due,omitempty"`
}

// Fault is one thing wrong with a job, at an RFC 6901 pointer into it, and how to mend it.
type Fault struct{ At, Problem, Mend string }

func bad(at, mend, format string, args ...any) *Fault {
	return &Fault{at, fmt.Sprintf(format, args...), mend}
}

// maxWords bounds each text of a job in bytes.
const maxWords = 500

// Check returns the first thing wrong with the job, or nil. It writes the meter point in its
// agreed form.
func (j *Job) Check(format rules.MeterPointFormat) *Fault {
	for _, must := range []struct{ at, value, mend string }{
		{"/job", j.Reference, "write the reference of the job"},
		{"/address", j.Address, "write where the work is"},
		{"/meter_point", j.MeterPoint, "write the meter-point number"},
		{"/meter", j.Meter, "write the number of the meter that is expected"},
	} {
		if f := text(must.at, must.value); f != nil {
			return f
		}
		if strings.TrimSpace(must.value) == "" {
			return bad(must.at, must.mend, "%s is missing", strings.ReplaceAll(must.at[1:], "_", " "))
		}
	}
	point, err := metering.ParseMeterPoint(format, j.MeterPoint)
	if err != nil {
		return bad("/meter_point", "", "%s", err)
	}
	j.MeterPoint = point.String()
	if f := j.checkSite(); f != nil {
		return f
	}
	day, _, err := splitAppointment(j.Appointment)
	if err != nil {
		return bad("/appointment", "write 2026-11-24 09:00, the day alone, or words", "%s", err)
	}
	for _, list := range []struct {
		at    string
		words []string
	}{{"/hazards", j.Hazards}, {"/dependants", j.Dependants}, {"/overlays", j.Overlays}} {
		for i, w := range list.words {
			if f := text(fmt.Sprintf("%s/%d", list.at, i), w); f != nil {
				return f
			}
		}
	}
	for i := range j.Registers {
		if f := j.Registers[i].check(fmt.Sprintf("/registers/%d", i), day); f != nil {
			return f
		}
	}
	return j.Kit.check()
}

func text(at, s string) *Fault {
	if len(s) > maxWords {
		return bad(at, fmt.Sprintf("keep it under %d bytes", maxWords), "this is too long")
	}
	if strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == '\uFFFD' }) {
		return bad(at, "keep it to one line of text", "this has a line break or a control character")
	}
	return nil
}

func (j *Job) checkSite() *Fault {
	err := j.Site.Validate()
	if err == nil {
		return nil
	}
	first, _, _ := strings.Cut(err.Error(), "\n")
	field, problem, _ := strings.Cut(first, ": ")
	return bad("/site/"+field, "", "%s: %s", field, problem)
}

// check looks at a register; appointment is the day of the visit, or empty.
func (r *Register) check(at, appointment string) *Fault {
	if r.Entry == "" {
		return bad(at+"/entry", "name the field of the method at which it is entered", "entry is missing")
	}
	m, err := r.Metering()
	if err != nil {
		return bad(at, "", "%s", err)
	}
	last := time.Time{}
	for i, e := range r.Earlier {
		here := fmt.Sprintf("%s/earlier/%d", at, i)
		day, err := date(e.On)
		if err != nil {
			return bad(here+"/on", "", "%s", err)
		}
		if !day.After(last) {
			return bad(here+"/on", "put the oldest first", "%s is not later than the reading before it", e.On)
		}
		if appointment != "" && e.On > appointment {
			return bad(here+"/on", "earlier readings are from before the visit", "%s is after the appointment on %s", e.On, appointment)
		}
		last = day
		v, err := measure.ParseDecimal(e.Reading)
		if err != nil {
			return bad(here+"/reading", "", "%s", err)
		}
		if misfit := m.Fit(v); !misfit.Shown() {
			return bad(here+"/reading", "", "%s cannot be shown by a register of %d digits and %d decimals", e.Reading, m.Digits, m.Decimals)
		}
	}
	return nil
}

// Metering returns the register as the arithmetic of package metering takes it.
func (r *Register) Metering() (metering.Register, error) {
	multiplier, err := measure.ParseDecimal(cmp.Or(r.Multiplier, "1"))
	if err != nil {
		return metering.Register{}, fmt.Errorf("multiplier: %w", err)
	}
	unit := measure.KilowattHour
	if r.Unit != "" {
		if unit, err = measure.ParseUnit(r.Unit); err != nil {
			return metering.Register{}, fmt.Errorf("unit: %w", err)
		}
	}
	m := metering.Register{ID: r.Entry, Digits: r.Digits, Decimals: r.Decimals, Multiplier: multiplier, Unit: unit, Rate: r.Rate, Direction: cmp.Or(metering.Direction(r.Direction), metering.Import)}
	return m, m.Check()
}

// Judge judges a final reading against the earlier ones.
func (r *Register) Judge(band rules.PlausibilityBand, reading string, at time.Time) (metering.Finding, error) {
	m, err := r.Metering()
	if err != nil {
		return metering.Finding{}, err
	}
	v, err := measure.ParseDecimal(reading)
	if err != nil {
		return metering.Finding{}, err
	}
	var earlier []metering.DatedReading
	for _, e := range r.Earlier {
		day, err := date(e.On)
		if err != nil {
			return metering.Finding{}, err
		}
		was, err := measure.ParseDecimal(e.Reading)
		if err != nil {
			return metering.Finding{}, err
		}
		earlier = append(earlier, metering.DatedReading{At: day, Reading: was})
	}
	return metering.JudgeReading(m, band, earlier, metering.DatedReading{At: at, Reading: v})
}

func (k *Kit) check() *Fault {
	for i, t := range k.Instruments {
		at := fmt.Sprintf("/kit/instruments/%d", i)
		model, ok := instrument.Lookup(t.Kind)
		if !ok {
			return bad(at+"/kind", "", "%.40q is no kind of instrument: write one of %s", string(t.Kind), kinds())
		}
		if t.ID == "" {
			return bad(at+"/id", "give the number on its label", "the %s has no number", model.Words)
		}
		if !instrument.Suits(t.ProvedOn.Kind, t.Kind) {
			return bad(at+"/proved_on/kind", "", "%.40q does not suit a %s: write one of %s", string(t.ProvedOn.Kind), model.Words, join(model.ProvedOn))
		}
		if n := t.ProvedOn.Nominal; n != "" {
			if _, err := instrument.ParseIndication(n); err != nil {
				return bad(at+"/proved_on/nominal", "", "%s", err)
			}
		}
		if f := due(at+"/calibration_due", t.Due); f != nil {
			return f
		}
	}
	for i, p := range k.Protection {
		at := fmt.Sprintf("/kit/protection/%d", i)
		if p.Item == "" {
			return bad(at+"/item", "name it as the method does", "the item is missing")
		}
		if f := due(at+"/test_due", p.Due); f != nil {
			return f
		}
	}
	return nil
}

func due(at, day string) *Fault {
	if day == "" {
		return nil
	}
	if _, err := date(day); err != nil {
		return bad(at, "", "%s", err)
	}
	return nil
}

func date(s string) (time.Time, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("%.40q is no date: write it like 2026-11-24", s)
	}
	return t, nil
}

func kinds() string {
	var words []string
	for _, m := range instrument.Models() {
		words = append(words, string(m.Kind))
	}
	return strings.Join(words, ", ")
}

func join[T ~string](list []T) string {
	words := make([]string, len(list))
	for i, w := range list {
		words[i] = string(w)
	}
	return strings.Join(words, ", ")
}

// Tool returns the first instrument of the kind, or the one with the id when it is not empty.
func (k *Kit) Tool(kind instrument.Kind, id string) (Tool, bool) {
	i := slices.IndexFunc(k.Instruments, func(t Tool) bool { return t.Kind == kind && (id == "" || t.ID == id) })
	if i < 0 {
		return Tool{}, false
	}
	return k.Instruments[i], true
}

// Wear returns the first piece of protection of that name, or the one with the id when it is
// not empty.
func (k *Kit) Wear(item, id string) (Worn, bool) {
	i := slices.IndexFunc(k.Protection, func(w Worn) bool { return w.Item == item && (id == "" || w.ID == id) })
	if i < 0 {
		return Worn{}, false
	}
	return k.Protection[i], true
}

// ForMethod returns the job as far as a method depends on it.
func (j *Job) ForMethod() method.Job {
	return method.Job{Site: j.Site, FitIsolator: j.Work.FitIsolator}
}

// Body returns the job as it is kept in a store.
func (j *Job) Body() (jsontext.Value, error) {
	b, err := json.Marshal(j, json.Deterministic(true))
	if err != nil {
		return nil, fmt.Errorf("job %s: %w", j.Reference, err)
	}
	return b, nil
}

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
