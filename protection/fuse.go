package protection

import (
	"fmt"

	"meterwright/measure"
	"meterwright/rules"
)

// FuseCheck says whether a fuse disconnects a fault within a time. Pass: it
// does. Fail: it does not. Doubtful: the current lies between the gates, where
// two good fuses may differ, or the rules have no gate for the question, or the
// uncertainty is too large. The judgement's probability is that of the fault
// current reaching the gate at which disconnection is certain; with no such
// gate it is 0.
type FuseCheck struct {
	Standard string         `json:"standard"` // title of the fuse standard
	Rating   rules.Number   `json:"rating"`
	Seconds  float64        `json:"seconds"` // the time asked about
	Current  Current        `json:"current"` // prospective fault current, A
	Melts    []rules.Number `json:"melts"`   // the gate at which it must disconnect, with what it was reckoned from
	Holds    []rules.Number `json:"holds"`   // the gate at which it must not
	measure.Judgement
	Outcome FuseOutcome `json:"outcome"`
	// MustMelt and MustHold are the gates in amperes, 0 where the rules have none.
	MustMelt float64 `json:"must_melt"`
	MustHold float64 `json:"must_hold"`
}

// FuseOutcome says what is known of a fuse and a fault.
type FuseOutcome string

// The outcomes.
const (
	Disconnects     FuseOutcome = "disconnects"
	DoesNot         FuseOutcome = "does-not"
	NoGate          FuseOutcome = "no-gate"
	NotShownToReach FuseOutcome = "not-shown-to-reach"
	BetweenTheGates FuseOutcome = "between-the-gates"
)

// gate is a current, in amperes, with the numbers it comes from.
type gate struct {
	amps  float64
	from  []rules.Number
	found bool
}

// gates returns the lowest current at which the fuse must disconnect within the
// time, and the highest at which it must still hold after it.
//
// A fuse that melts within 0.1 s at some current melts within 0.4 s at it, and
// one that holds for 10 s holds for 5 s; nothing is interpolated between gates,
// because a standard promises nothing there.
func gates(f rules.Fuse, seconds float64) (melts, holds gate) {
	for _, g := range f.Gates {
		amps := g.Current.Float()
		switch {
		case g.Kind == rules.Melts && g.Time.Float() <= seconds && (!melts.found || amps < melts.amps):
			melts = gate{amps, []rules.Number{g.Current, g.Time}, true}
		case g.Kind == rules.Holds && g.Time.Float() >= seconds && (!holds.found || amps > holds.amps):
			holds = gate{amps, []rules.Number{g.Current, g.Time}, true}
		}
	}
	for _, z := range f.Impedances {
		amps := float64(z.Voltage.Float()*z.VoltageFactor.Float()) / z.Impedance.Float()
		if z.Time.Float() <= seconds && (!melts.found || amps < melts.amps) {
			melts = gate{amps, []rules.Number{z.Impedance, z.Voltage, z.VoltageFactor, z.Time}, true}
		}
	}
	return melts, holds
}

// FuseDisconnects says whether the fuse of a standard and rating, in amperes,
// disconnects a fault on the loop within the time, in seconds. The terms' basis
// should be Lowest: the least current must still disconnect. A standard or
// rating that the rules do not hold is an error, never a guess: the fuse is
// then not judged.
func FuseDisconnects(p *rules.Pack, standard string, rating, seconds float64, l Loop, t Terms, guard float64) (FuseCheck, error) {
	s, err := p.FuseStandardByID(standard)
	if err != nil {
		return FuseCheck{}, err
	}
	if !(seconds > 0) {
		return FuseCheck{}, fmt.Errorf("disconnection time is %v s: give one greater than nought", seconds)
	}
	fuse, err := fuseOf(s, rating)
	if err != nil {
		return FuseCheck{}, err
	}
	current, err := FaultCurrent(p, l, t)
	if err != nil {
		return FuseCheck{}, err
	}
	volts, ohms, _, err := l.effective(p, t)
	if err != nil {
		return FuseCheck{}, err
	}
	melts, holds := gates(fuse, seconds)
	c := FuseCheck{
		Standard: s.Title, Rating: fuse.Rating, Seconds: seconds,
		Current: current, Melts: melts.from, Holds: holds.from, MustMelt: melts.amps, MustHold: holds.amps,
	}
	if melts.found {
		m := margin(volts, ohms, melts.amps)
		if c.Judgement, err = measure.Judge(m.Value, m.U, measure.AtLeast(0), guard); err != nil {
			return FuseCheck{}, fmt.Errorf("fuse: %w", err)
		}
		if c.Verdict == measure.Pass {
			c.Outcome = Disconnects
			return c, nil
		}
		// Short of that gate it may still disconnect: not to be sure of it is
		// not to be sure of the contrary.
		c.Verdict = measure.Doubtful
	}
	if holds.found {
		m := margin(volts, ohms, holds.amps)
		j, err := measure.Judge(m.Value, m.U, measure.AtMost(0), guard)
		if err != nil {
			return FuseCheck{}, fmt.Errorf("fuse: %w", err)
		}
		if j.Verdict == measure.Pass {
			c.Verdict = measure.Fail
			c.Outcome = DoesNot
			return c, nil
		}
	}
	switch {
	case !melts.found:
		c.Outcome = NoGate
	case !holds.found:
		c.Outcome = NotShownToReach
	default:
		c.Outcome = BetweenTheGates
	}
	return c, nil
}

func fuseOf(s rules.FuseStandard, rating float64) (rules.Fuse, error) {
	known := ""
	for i, f := range s.Fuses {
		if f.Rating.Float() == rating {
			return f, nil
		}
		if i > 0 {
			known += ", "
		}
		known += f.Rating.Reading().String()
	}
	return rules.Fuse{}, fmt.Errorf("%s: the rules hold no data for a rating of %v A, only for %s: read the marking again, or leave the fuse unjudged", s.Title, rating, known)
}
