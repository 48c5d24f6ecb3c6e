package diagnose

import (
	"math"

	"meterwright/instrument"
	"meterwright/world"
)

// slip is the part of all readings that are none: a wrong word, a wrong line [P].
const slip = 0.01

// span is the range that a slip spreads over evenly, in the unit of the kind.
func span(k instrument.Kind) float64 {
	switch k {
	case instrument.Voltmeter:
		return 500
	case instrument.LoopTester, instrument.Continuity:
		return 200
	case instrument.Clamp:
		return 100
	}
	return 500
}

// signal is what a reading is made of, before thresholds and rounding.
type signal [3]float64

// sensed reduces a reading to its signal.
func sensed(in instrument.Instrument, r *world.Reading) signal {
	s := &r.Seen
	switch in.Kind {
	case instrument.SocketTester:
		return signal{s.Across[0], s.Across[1], s.Across[2]}
	case instrument.PhaseSequence:
		return signal{min(s.Across[0], s.Across[1], s.Across[2]), max(s.Across[0], s.Across[1], s.Across[2]), s.Turns}
	case instrument.LoopTester, instrument.Continuity:
		return signal{r.Shown, s.OpenVolt, s.SourceOhm.Abs()}
	}
	return signal{r.Shown, s.OpenVolt, 0}
}

// threshold is the spread of the voltage from which instruments of a kind light,
// even over the logarithm of its range.
type threshold struct{ low, ratio float64 }

func (t threshold) at(volt float64) float64 {
	if volt <= t.low || t.ratio <= 0 {
		return 0
	}
	if l := log(volt/t.low) / t.ratio; l < 1 {
		return l
	}
	return 1
}

// student is the density of Student's distribution with four degrees of freedom,
// at z standard deviations.
func student(z float64) float64 {
	q := 1 + float64(float64(z*z)/4)
	return 0.375 / float64(float64(q*q)*math.Sqrt(q))
}

// gauge is one observation made ready for its likelihood.
type gauge struct {
	in      instrument.Instrument
	shows   instrument.Shows
	pattern int // of a socket tester's lamps, −1 where it was not noted
	value   float64
	sigma   float64 // standard uncertainty of the reading
	step    float64 // of the display
	light   threshold
}

// of returns the probability of the observation under a signal, which is for a
// supply of 230 V, when the supply has scale times that.
func (g *gauge) of(s signal, scale float64) float64 {
	return float64(slip*g.atRandom()) + float64((1-slip)*g.proper(s, scale))
}

// atRandom is the probability of the observation as a slip.
func (g *gauge) atRandom() float64 {
	if g.shows == instrument.Value {
		return min(0.5, g.step/span(g.in.Kind))
	}
	if g.pattern >= 0 {
		return 0.125
	}
	return 0.33
}

func (g *gauge) proper(s signal, scale float64) float64 {
	c := g.in.Condition
	switch g.in.Kind {
	case instrument.NonContact, instrument.TwoPole, instrument.TestLamp:
		p := g.light.at(float64(s[0] * scale))
		switch {
		case c == instrument.StuckOn:
			p = 1
		case c == instrument.DeadInstrument || c == instrument.BlownLamp:
			p = 0
		}
		return either(g.shows == instrument.Lit, p)
	case instrument.SocketTester:
		return g.socket(s, scale)
	case instrument.PhaseSequence:
		a, b := float64(s[0]*scale), float64(s[1]*scale)
		want := instrument.Reverse
		switch {
		case c == instrument.DeadInstrument || b < 80:
			want = instrument.Dark
		case a < 140 || a < float64(0.75*b) || c == instrument.BrokenLead:
			want = instrument.Missing
		case s[2] > 0:
			want = instrument.Forward
		}
		return either(true, bit(want == g.shows))
	case instrument.RCDTester:
		return either(true, bit(g.trips(s) == (g.shows != instrument.Holds)))
	case instrument.LoopTester:
		open := float64(s[1] * scale)
		works := c != instrument.DeadInstrument && c != instrument.WeakBattery && c != instrument.BrokenLead && open >= 195 && open <= 260 && s[0] < 1999
		return g.number(s[0], works)
	case instrument.Continuity:
		works := c != instrument.DeadInstrument && c != instrument.BrokenLead && float64(s[1]*scale) <= 10 && s[2] < 1999
		return g.number(s[0], works)
	}
	x := float64(s[0] * scale)
	return g.number(x, x < 1000)
}

func (g *gauge) trips(s signal) bool { return s[0] >= 0.030 }

// number is the probability of a shown number, or of over-range, where the
// instrument would show x or works not at all.
func (g *gauge) number(x float64, works bool) float64 {
	if g.shows == instrument.Over {
		return bit(!works)
	}
	if g.shows != instrument.Value || !works {
		return 0
	}
	p := float64(student((g.value-x)/g.sigma)*g.step) / g.sigma
	return min(1, p)
}

func (g *gauge) socket(s signal, scale float64) float64 {
	c := g.in.Condition
	var p [3]float64
	for i := range p {
		p[i] = g.light.at(float64(s[i] * scale))
	}
	healthy := float64(float64(p[0]*p[1]) * (1 - p[2]))
	dark := float64(float64((1-p[0])*(1-p[1])) * (1 - p[2]))
	switch c {
	case instrument.DeadInstrument:
		healthy, dark = 0, 1
	case instrument.StuckOn:
		healthy, dark = 1, 0
	}
	switch g.shows {
	case instrument.Healthy:
		return healthy
	case instrument.Dark:
		return dark
	}
	if g.pattern >= 0 && c != instrument.DeadInstrument && c != instrument.StuckOn {
		all := 1.0
		for i := range p {
			all = float64(all * either(g.pattern>>i&1 == 1, p[i]))
		}
		return all
	}
	return max(0, 1-healthy-dark)
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func either(yes bool, p float64) float64 {
	if yes {
		return p
	}
	return 1 - p
}

// peak is the greatest probability that any signal gives the observation.
func (g *gauge) peak() float64 {
	if g.shows == instrument.Value && g.sigma > 0 {
		return min(1, float64(0.375*g.step)/g.sigma)
	}
	return 1
}

// unexplained is the probability of an observation when nothing is known.
func (g *gauge) unexplained() float64 {
	if g.shows == instrument.Value {
		return min(0.5, float64(5*g.step)/span(g.in.Kind))
	}
	return 0.33
}
