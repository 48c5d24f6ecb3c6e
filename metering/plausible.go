package metering

import (
	"fmt"
	"time"

	"meterwright/measure"
	"meterwright/rules"
)

// Plausibility says whether a reading fits what went before. Its zero value is
// Doubtful, so that nothing left out reads as plausible.
type Plausibility uint8

// The degrees of plausibility.
const (
	Doubtful Plausibility = iota
	Plausible
	Implausible
)

// String returns "plausible", "doubtful" or "implausible".
func (p Plausibility) String() string {
	switch p {
	case Plausible:
		return "plausible"
	case Implausible:
		return "implausible"
	}
	return "doubtful"
}

// MarshalText writes what String returns.
func (p Plausibility) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// DatedReading is a register's reading at an instant.
type DatedReading struct {
	At      time.Time       `json:"at"`
	Reading measure.Decimal `json:"reading"`
}

// Because says why a reading is plausible, doubtful or implausible.
type Because string

// The reasons, beside the misfits of digits.
const (
	NothingEarlier   Because = "nothing-earlier"
	TooFewEarlier    Because = "too-few-earlier"
	WithinBand       Because = "within"
	FarAbove         Because = "far-above"
	AboveBand        Because = "above"
	BelowBand        Because = "below"
	NotMoved         Because = "not-moved"
	RolloverExplains Because = "rollover-explains"
	RolloverUnknown  Because = "rollover-unknown"
	RolloverNot      Because = "rollover-does-not"
)

// Finding is the outcome of judging a reading. Low and High enclose the daily means that would
// be plausible. DailyLow and DailyHigh are the
// lowest and highest daily means between earlier readings and Daily is the one
// up to the judged reading, all in the register's unit a day with its
// multiplier; they are 0 where they could not be worked out.
type Finding struct {
	Plausibility Plausibility           `json:"plausibility"`
	Because      Because                `json:"because"`
	Misfit       Misfit                 `json:"misfit,omitempty"`
	Register     Register               `json:"-"`
	Reading      measure.Decimal        `json:"-"`
	Last         measure.Decimal        `json:"-"`
	Low          float64                `json:"low"`
	High         float64                `json:"high"`
	Daily        float64                `json:"daily"`
	DailyLow     float64                `json:"daily_low"`
	DailyHigh    float64                `json:"daily_high"`
	Advance      Advance                `json:"advance"`
	Band         rules.PlausibilityBand `json:"-"` // the stated band, with its sources
}

// JudgeReading judges a final reading against earlier readings of the same
// register, oldest first, by its daily mean: plausible inside the band that the
// earlier daily means span, widened by the band's factors; doubtful beside it;
// implausible far above it. A reading lower than the last is implausible unless
// a rollover gives a daily mean inside the widened band. Earlier readings that
// went down leave their interval out of the band. It fails on a register
// that cannot be, on earlier readings out of order, and on a final reading that
// is not later than the last.
func JudgeReading(r Register, band rules.PlausibilityBand, earlier []DatedReading, final DatedReading) (Finding, error) {
	if err := r.cumulative(); err != nil {
		return Finding{}, err
	}
	f := Finding{Band: band, Register: r, Reading: final.Reading, Misfit: r.Fit(final.Reading)}
	if !f.Misfit.Shown() {
		f.Plausibility = Implausible
		return f, nil
	}
	if len(earlier) == 0 {
		f.Because = NothingEarlier
		return f, nil
	}
	for i, e := range earlier {
		if i > 0 && !e.At.After(earlier[i-1].At) {
			return Finding{}, fmt.Errorf("register %s: earlier reading %d is not later than the one before it: give them oldest first", r.ID, i+1)
		}
	}
	last := earlier[len(earlier)-1]
	if !final.At.After(last.At) {
		return Finding{}, fmt.Errorf("register %s: the final reading is not later than the last one: check the dates", r.ID)
	}
	history := false
	for i := 1; i < len(earlier); i++ {
		a, daily, err := dailyMean(r, earlier[i-1], earlier[i])
		if err != nil {
			return Finding{}, err
		}
		if a.RolledOver {
			// It may be a corrected estimate as well as a rollover, and taking
			// the one for the other would open the band to anything.
			continue
		}
		if !history {
			history = true
			f.DailyLow, f.DailyHigh = daily, daily
		}
		f.DailyLow, f.DailyHigh = min(f.DailyLow, daily), max(f.DailyHigh, daily)
	}
	advance, daily, err := dailyMean(r, last, final)
	if err != nil {
		return Finding{}, err
	}
	f.Advance, f.Daily = advance, daily
	f.Last = last.Reading
	f.weigh(band, history)
	if f.Misfit != "" && f.Plausibility == Plausible {
		f.Plausibility = Doubtful
	} else {
		f.Misfit = ""
	}
	return f, nil
}

// weigh sets the plausibility from the daily mean and says why.
func (f *Finding) weigh(band rules.PlausibilityBand, history bool) {
	f.Low = float64(f.DailyLow * band.DoubtfulBelow.Float())
	f.High = float64(f.DailyHigh * band.DoubtfulAbove.Float())
	far := float64(f.DailyHigh * band.ImplausibleAbove.Float())
	inside := history && f.Daily >= f.Low && f.Daily <= f.High
	f.Plausibility = Doubtful
	switch {
	case f.Advance.RolledOver && inside:
		f.Plausibility, f.Because = Plausible, RolloverExplains
	case f.Advance.RolledOver && !history:
		f.Because = RolloverUnknown
	case f.Advance.RolledOver:
		f.Plausibility, f.Because = Implausible, RolloverNot
	case !history:
		f.Because = TooFewEarlier
	case inside:
		f.Plausibility, f.Because = Plausible, WithinBand
	case f.Daily > far:
		f.Plausibility, f.Because = Implausible, FarAbove
	case f.Daily > f.High:
		f.Because = AboveBand
	case f.Advance.Steps.Sign() == 0:
		f.Because = NotMoved
	default:
		f.Because = BelowBand
	}
}

// dailyMean returns the advance and its mean in the register's unit a day.
func dailyMean(r Register, from, to DatedReading) (Advance, float64, error) {
	a, err := advanceBetween(r, from.Reading, to.Reading)
	if err != nil {
		return Advance{}, 0, err
	}
	return a, a.Quantity.Float() / (to.At.Sub(from.At).Hours() / 24), nil
}
