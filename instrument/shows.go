package instrument

import (
	"math"
	"strconv"

	"meterwright/circuit"
	"meterwright/measure"
)

// Seen is what the physics puts before an instrument.
type Seen struct {
	// Across holds, for each attachment of Load, the r.m.s. voltage across it.
	Across [3]float64
	// Turns is the imaginary part of V12·conj(V23) of a phase sequence indicator,
	// in square volts: above zero in the order L1, L2, L3.
	Turns float64
	// OpenVolt is the voltage before a test current flows, SourceOhm the
	// impedance that it flows through, for loop, continuity and RCD testers.
	OpenVolt  float64
	SourceOhm circuit.Phasor
	// RCDStuck says that the residual current device cannot operate.
	RCDStuck bool
	// Amp is the current in the jaw of a clamp meter.
	Amp float64
}

// Shown returns the number behind an indication, before rounding: volts at the
// instrument (at the first pair of three leads), ohms of a loop or continuity
// tester, amperes of a clamp meter or through an RCD tester.
func (in *Instrument) Shown(s *Seen) float64 {
	dead, weak := in.Condition == DeadInstrument, in.Condition == WeakBattery
	switch in.Kind {
	case LoopTester:
		z := s.SourceOhm.Abs()
		if in.Condition == WrongRange {
			z += noTripOhm
		}
		return z
	case Continuity:
		// It drives a direct current: a path through capacitances is none.
		r := s.SourceOhm.Re
		if weak {
			r *= 1.1
		}
		return r
	case RCDTester:
		if z := s.SourceOhm.Abs(); s.OpenVolt >= rcdLowVolt && z > 0 {
			return s.OpenVolt / z
		}
		return 0
	}
	x := float64(s.Across[0] * in.share())
	switch in.Kind {
	case Clamp:
		x = s.Amp
	case Voltmeter:
	default:
		return x
	}
	switch {
	case dead || in.Condition == WrongRange:
		return 0 // on a d.c. range an alternating quantity averages to nothing
	case weak:
		return float64(x * 1.2)
	}
	return x
}

// Indicate returns what the instrument shows of it, with the number of Shown.
func (in Instrument) Indicate(s Seen) (Indication, float64) {
	x := in.Shown(&s)
	dead := in.Condition == DeadInstrument
	unable := dead || in.leadOpen()
	switch in.Kind {
	case SocketTester:
		return in.socket(s, dead), x
	case NonContact, TwoPole, TestLamp:
		lit := in.Traits.LitVolt
		if in.OnePole && in.Kind == TwoPole {
			lit = in.Traits.OnePoleVolt
		}
		if in.Condition == WeakBattery {
			lit *= 2
		}
		if x >= lit && !dead && in.Condition != BlownLamp || in.Condition == StuckOn {
			return Show(Lit), x
		}
		return Show(Dark), x
	case Voltmeter:
		return number(x, 1, "V", voltmeterMost), x
	case LoopTester:
		if unable || in.Condition == WeakBattery || s.OpenVolt < loopLowVolt || s.OpenVolt > loopHighVolt {
			return Show(Over), x
		}
		return number(x, 2, "ohm", loopMostOhm), x
	case Continuity:
		if unable || s.OpenVolt > continuityMostVolt || s.SourceOhm.Abs() > continuityMostOhm {
			return Show(Over), x
		}
		return number(x, 2, "ohm", continuityMostOhm), x
	case PhaseSequence:
		return in.sequence(s, dead), x
	case Clamp:
		return number(x, 2, "A", clampMost), x
	case RCDTester:
		if unable || s.RCDStuck || x < testAmp {
			return Show(Holds), x
		}
		return Show(Trips), x
	}
	return Indication{}, 0
}

func (in Instrument) socket(s Seen, dead bool) Indication {
	if dead {
		return Show(Dark)
	}
	var lit [3]bool
	for i, v := range s.Across {
		lit[i] = v >= in.Traits.LitVolt
	}
	switch {
	case in.Condition == StuckOn || lit == [3]bool{true, true, false}:
		return Show(Healthy)
	case lit == [3]bool{}:
		return Show(Dark)
	}
	return Indication{shows: Wrong, detail: patternWords(lit)}
}

func patternWords(lit [3]bool) string {
	text := ""
	for i, pair := range [3]string{"line to neutral", "line to earth", "neutral to earth"} {
		if i > 0 {
			text += ", "
		}
		text += pair + " "
		if lit[i] {
			text += "lit"
		} else {
			text += "dark"
		}
	}
	return text
}

// Pattern reads the detail of a socket tester's wrong pattern, as Indicate writes
// it: bit 0 is set where line to neutral is lit, bit 1 line to earth, bit 2 neutral
// to earth. It is −1 for anything else.
func Pattern(i Indication) int {
	for k := range 8 {
		if i.shows == Wrong && i.detail == patternWords([3]bool{k&1 == 1, k&2 == 2, k&4 == 4}) {
			return k
		}
	}
	return -1
}

func (in Instrument) sequence(s Seen, dead bool) Indication {
	seen := 0
	for _, v := range s.Across {
		if v >= in.Traits.LitVolt {
			seen++
		}
	}
	switch {
	case dead || seen == 0:
		return Show(Dark)
	case seen < 3 || in.leadOpen() || unequal(s.Across):
		return Show(Missing)
	case s.Turns > 0:
		return Show(Forward)
	}
	return Show(Reverse)
}

// unequal reports whether the voltages between phases differ by more than a
// quarter, at which an indicator shows a phase as missing [P].
func unequal(v [3]float64) bool {
	return min(v[0], v[1], v[2]) < float64(0.75*max(v[0], v[1], v[2]))
}

// number rounds to places and shows over-range beyond most.
func number(x float64, places int, unit string, most float64) Indication {
	if !(x <= most) {
		return Show(Over)
	}
	scale := 1.0
	for range places {
		scale *= 10
	}
	n := int64(math.Round(float64(x * scale)))
	var room [24]byte
	text := room[:0]
	if n < 0 {
		n, text = -n, append(text, '-')
	}
	whole := int64(scale)
	text = strconv.AppendInt(text, n/whole, 10)
	if places > 0 {
		text = append(text, '.')
		for n %= whole; whole > 1; n %= whole {
			whole /= 10
			text = append(text, byte('0'+n/whole))
		}
	}
	d, err := measure.ParseDecimal(string(text))
	if err != nil {
		return Show(Over)
	}
	return ShowValue(d, unit)
}
