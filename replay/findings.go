package replay

import (
	"maps"
	"math"
	"slices"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/protection"
	"meterwright/visit"
)

// Finding is that something which was read or entered does not fit the rest of the visit. It refuses nothing: somebody
// reads it again, while that can be done, or looks at it later.
type Finding struct {
	// Event is the line that does not fit, At when it was made, Step what it answers.
	Event string      `json:"event"`
	At    time.Time   `json:"at"`
	Step  string      `json:"step"`
	Code  FindingCode `json:"code"`
	// Got is what was read or entered, in Unit. From and To enclose what the rest of the visit gives; To is
	// nought where nothing bounds it.
	Got  float64      `json:"got"`
	From float64      `json:"from,omitzero"`
	To   float64      `json:"to,omitzero"`
	Unit measure.Unit `json:"unit,omitzero"`
	// Odd says why a reading that is asked for again cannot be.
	Odd visit.Odd `json:"odd,omitzero"`
	// Of is the role of an entry of which there are several.
	Of method.FieldRole `json:"of,omitzero"`
}

// FindingCode says what does not fit.
type FindingCode string

// The findings.
const (
	FindAgain    FindingCode = "again"         // a reading was asked for once more, and was not made since
	FindCurrent  FindingCode = "fault-current" // Got, From, To: what voltage and loop give
	FindLoad     FindingCode = "load-check"    // Got by the pulses; From, To: the load that was switched on
	FindBefore   FindingCode = "load-before"   // Got with everything off; From with the house on
	FindTime     FindingCode = "time"          // Got minutes from the act itself; Of
	FindTorque   FindingCode = "torque"        // Got; From, To: what the meter asks for
	FindVoltages FindingCode = "voltages"      // Got; From, To: what the voltages of the other two pairs leave
)

// FindingCodes lists every code in a fixed order.
func FindingCodes() []FindingCode {
	return []FindingCode{FindAgain, FindCurrent, FindLoad, FindBefore, FindTime, FindTorque, FindVoltages}
}

// What is compared within [P]: times of day that a person writes down, and readings one after the other under a load
// that changes. The driver of a terminal keeps its figure within TorquePct, ISO 6789-1 [M].
const (
	timeWithin  = 5 * time.Minute
	driftPct    = 3.0
	torquePct   = 6.0
	loadCurrent = "load-current"
	noLoad      = "no-load-current"
)

// Findings lists what does not fit, in the order of the lines.
func (c *Case) Findings() []Finding {
	if c.Visit == nil {
		return nil
	}
	f := &finder{a: c.Visit.Account(), m: c.Visit.Machine().Method, entered: map[method.FieldRole][]entered{}}
	f.gather()
	f.again()
	f.voltages()
	f.before()
	f.current()
	f.load()
	f.torque()
	f.times()
	slices.SortStableFunc(f.list, func(x, y Finding) int { return x.At.Compare(y.At) })
	return f.list
}

type finder struct {
	a       *visit.Account
	m       *method.Resolved
	entered map[method.FieldRole][]entered
	list    []Finding
}

// entered is one entry as it stands.
type entered struct {
	line  visit.EntryLine
	field *method.Field
	text  string
	value measure.Decimal // zero where it is no number
}

func (f *finder) gather() {
	for _, line := range f.a.Entries {
		s, _ := f.m.Step(line.Step)
		if s == nil || s.Record == nil || line.Corrects != "" {
			continue
		}
		standing := f.a.Standing(line.Event)
		for i := range s.Record.Fields {
			field := &s.Record.Fields[i]
			if text, ok := standing[field.ID]; ok && field.Role != "" {
				v, _ := measure.ParseDecimal(text)
				f.entered[field.Role] = append(f.entered[field.Role], entered{line, field, text, v})
			}
		}
	}
}

func (f *finder) add(event string, at time.Time, step string, x Finding) {
	x.Event, x.At, x.Step = event, at, step
	f.list = append(f.list, x)
}

func (f *finder) entry(e entered, x Finding) { f.add(e.line.Event, e.line.At, e.line.Step, x) }

// numbers goes through the readings of numbers that count, oldest first.
func (f *finder) numbers(yield func(*visit.Reading, measure.Estimate) bool) {
	for i := range f.a.Readings {
		r := &f.a.Readings[i]
		v, _, ok := r.Shows.Reading()
		if ok && !r.Withdrawn && r.Judged.Found != visit.FoundOdd && !yield(r, r.Kind.Accuracy().Estimate(v)) {
			return
		}
	}
}

// last returns the last reading of a kind that is wanted, made before a moment.
func (f *finder) last(kind instrument.Kind, before time.Time, want func(*visit.Reading) bool) (last *visit.Reading, value measure.Estimate) {
	for r, v := range f.numbers {
		if r.Kind == kind && (before.IsZero() || r.At.Before(before)) && want(r) {
			last, value = r, v
		}
	}
	return last, value
}

func (f *finder) again() {
	for i := range f.a.Readings {
		r := &f.a.Readings[i]
		since := func(x visit.Reading) bool { return x.Step == r.Step }
		if v, unit, _ := r.Shows.Reading(); r.Judged.Again && !r.Withdrawn && !slices.ContainsFunc(f.a.Readings[i+1:], since) {
			f.add(r.Event, r.At, r.Step, Finding{Code: FindAgain, Got: v.Float(), Unit: measure.Unit(unit), Odd: r.Judged.Odd})
		}
	}
}

// voltages: of three voltages between three points, none is more than the other two together.
func (f *finder) voltages() {
	type between struct {
		*visit.Reading
		v measure.Estimate
	}
	var made []between
	for r, v := range f.numbers {
		if r.Kind != instrument.Voltmeter || r.Bracket < 0 {
			continue
		}
		last := func(a, b string) (measure.Estimate, bool) {
			for _, x := range slices.Backward(made) {
				same := x.Point == a && x.Against == b || x.Point == b && x.Against == a
				if same && x.Bracket == r.Bracket && maps.Equal(x.Switches, r.Switches) {
					return x.v, true
				}
			}
			return measure.Estimate{}, false
		}
		for _, x := range slices.Backward(made) {
			third := x.Against
			if third == r.Point || third == r.Against {
				third = x.Point
			}
			one, ok := last(r.Point, third)
			two, also := last(r.Against, third)
			if !ok || !also {
				continue
			}
			within := 2*measure.Quadrature(one.U, two.U, v.U) + driftPct/100*max(one.Value, two.Value, v.Value)
			if from, to := math.Abs(one.Value-two.Value)-within, one.Value+two.Value+within; v.Value < from || v.Value > to {
				f.add(r.Event, r.At, r.Step, Finding{Code: FindVoltages, Got: v.Value, From: max(0, from), To: to, Unit: measure.Volt})
			}
			break
		}
		made = append(made, between{r, v})
	}
}

// before: a clamp that shows no more with the house on than with everything off may not be round the conductor.
func (f *finder) before() {
	off, none := f.last(instrument.Clamp, time.Time{}, func(r *visit.Reading) bool { return f.limit(r) == noLoad })
	if off == nil {
		return
	}
	on, some := f.last(instrument.Clamp, off.At, func(r *visit.Reading) bool { return f.limit(r) == loadCurrent })
	if on != nil && some.Value-none.Value < 2*measure.Quadrature(some.U, none.U) {
		f.add(off.Event, off.At, off.Step, Finding{Code: FindBefore, Got: none.Value, From: some.Value, Unit: measure.Ampere})
	}
}

// limit is the name of the limit that a reading was judged against.
func (f *finder) limit(r *visit.Reading) string {
	if s, _ := f.m.Step(r.Step); s != nil && s.Observe != nil {
		return s.Observe.Limit
	}
	return ""
}

// current: the fault current that an instrument shows is that of a loop which it measured.
func (f *finder) current() {
	for _, e := range f.entered[method.FaultCurrent] {
		volts, u := f.last(instrument.Voltmeter, time.Time{}, func(r *visit.Reading) bool { return f.limit(r) == "declared-voltage" })
		var loops []protection.Loop
		for r, z := range f.numbers {
			if r.Kind == instrument.LoopTester && z.Value > 0 {
				loops = append(loops, protection.Loop{Volts: u, Ohms: z})
			}
		}
		factor := map[string]float64{"kA": 1000, "A": 1}[e.field.Unit]
		got := e.value.Float() * factor
		if volts == nil || len(loops) == 0 || factor == 0 || e.value.IsZero() {
			continue
		}
		step := e.value.Resolution() * factor
		if from, to := protection.Span(loops...); got+step < from || got-step > to {
			f.entry(e, Finding{Code: FindCurrent, Got: got, From: from, To: finite(to), Unit: measure.Ampere})
		}
	}
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return 0
	}
	return v
}

// load: the power by the pulses of a meter is that of the load that was switched on, or where nobody wrote that down,
// no other decade than that of the house before.
func (f *finder) load() {
	for _, e := range f.entered[method.LoadPulses] {
		beside := func(role method.FieldRole) string {
			for _, x := range f.entered[role] {
				if x.line.Event == e.line.Event && x.field.Rate == e.field.Rate && x.field.Direction == e.field.Direction {
					return x.text
				}
			}
			return ""
		}
		l, err := metering.ByHand(e.text, beside(method.LoadSeconds), beside(method.LoadConstant), beside(method.TransformerRatio))
		if err != nil {
			continue
		}
		power, err := l.Power()
		if err != nil {
			continue
		}
		if rated, err := measure.ParseDecimal(beside(method.LoadEstimate)); err == nil && rated.Sign() > 0 {
			load := metering.Rated(rated.Float())
			c, err := metering.CompareWith(l, load, metering.LoadTolerancePct, measure.DefaultGuard)
			if err == nil && c.Agreement.Verdict == measure.Fail {
				f.entry(e, Finding{Code: FindLoad, Got: power.Value, From: load.Value - 2*load.U, To: load.Value + 2*load.U, Unit: measure.Watt})
			}
			continue
		}
		_, volts := f.last(instrument.Voltmeter, time.Time{}, func(r *visit.Reading) bool { return f.limit(r) == "declared-voltage" })
		_, amps := f.last(instrument.Clamp, e.line.At, func(r *visit.Reading) bool { return f.limit(r) == loadCurrent })
		if seen := volts.Value * amps.Value; seen > 0 && (power.Value > 10*seen || power.Value < seen/10) {
			f.entry(e, Finding{Code: FindLoad, Got: power.Value, From: seen / 10, To: 10 * seen, Unit: measure.Watt})
		}
	}
}

// torque: terminals were tightened to what the meter asks for.
func (f *finder) torque() {
	for i, e := range f.entered[method.Torque] {
		figures := f.entered[method.TorqueFigure]
		if i >= len(figures) || e.value.IsZero() || figures[i].value.Sign() <= 0 {
			continue
		}
		figure := figures[i].value.Float()
		from, to := figure*(1-torquePct/100), figure*(1+torquePct/100)
		if got := e.value.Float(); got < from || got > to {
			f.entry(e, Finding{Code: FindTorque, Got: got, From: from, To: to, Unit: measure.NewtonMetre})
		}
	}
}

// times: a time that was written down is that of the act.
func (f *finder) times() {
	if len(f.a.Supply) == 0 {
		return
	}
	first, last := f.a.Supply[0], f.a.Supply[len(f.a.Supply)-1]
	for _, x := range []struct {
		role  method.FieldRole
		act   time.Time
		event string
	}{{method.OffTime, first.Off, first.OffEvent}, {method.OnTime, last.On, last.OnEvent}} {
		if x.act.IsZero() {
			continue
		}
		if i := slices.IndexFunc(f.a.Acts, func(l visit.ActLine) bool { return l.Event == x.event }); i >= 0 && f.a.Acts[i].Happened != "" {
			if at, err := time.Parse(time.RFC3339, f.a.Acts[i].Happened); err == nil {
				x.act = at
			}
		}
		for _, e := range f.entered[x.role] {
			at, err := time.Parse("15:04", e.text)
			if err != nil {
				continue
			}
			day := time.Date(x.act.Year(), x.act.Month(), x.act.Day(), at.Hour(), at.Minute(), 0, 0, x.act.Location())
			apart := day.Sub(x.act.Truncate(time.Minute)).Abs()
			if apart = min(apart, (24*time.Hour - apart).Abs()); apart > timeWithin {
				f.entry(e, Finding{Code: FindTime, Got: apart.Minutes(), Unit: measure.Minute, Of: x.role})
			}
		}
	}
}
