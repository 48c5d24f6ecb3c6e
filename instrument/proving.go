package instrument

import (
	"math"

	"meterwright/circuit"
)

// proving is what a source puts before an instrument [P].
type proving struct {
	volt, ohm float64 // behind a resistance
	direct    bool    // not alternating
	amp       float64
	check     float64 // ohms
}

var provings = map[SourceKind]proving{
	ProvingUnit:   {volt: 230, ohm: 60e3, direct: true},
	LampSource:    {volt: 230, ohm: 100},
	FieldSource:   {volt: 230, ohm: 10e6},
	KnownLive:     {volt: 230, ohm: 0.5},
	KnownSocket:   {volt: 230, ohm: 0.5},
	CheckResistor: {check: 1},
	KnownLoad:     {amp: 10},
}

// Prove returns what the instrument shows on a proving source that works. An
// intermittent lead conducts then: that is what makes it a trap.
func (in Instrument) Prove(source SourceKind) Indication {
	p, ok := provings[source]
	if !ok {
		return Indication{}
	}
	if in.Condition == IntermittentLead {
		in.Condition = Sound
	}
	var s Seen
	switch in.Kind {
	case SocketTester:
		if source == KnownSocket {
			s.Across = [3]float64{p.volt, p.volt, 0}
		}
	case PhaseSequence:
		if source == KnownLive {
			between := nominalVolt * math.Sqrt(3)
			s.Across, s.Turns = [3]float64{between, between, between}, 1
		}
	case LoopTester, RCDTester, Continuity:
		s.SourceOhm = circuit.Phasor{Re: p.check}
		switch {
		case source != CheckResistor:
			s.SourceOhm.Re = p.ohm
			s.OpenVolt = p.volt
		case in.Kind != Continuity:
			s.OpenVolt = nominalVolt // a check box is fed from a known supply
		}
		if in.Kind == RCDTester && source == CheckResistor {
			shown, _ := in.Indicate(s)
			if shown.Shows() == Trips {
				return number(25, 0, "ms", 2000)
			}
			return shown
		}
	case Clamp:
		s.Amp = p.amp
	default:
		s.Across[0] = in.voltOn(p)
		if in.Kind == NonContact && (p.direct || source == LampSource) {
			s.Across[0] = 0
		}
	}
	shown, _ := in.Indicate(s)
	return shown
}

// voltOn is the voltage at the instrument on a source with a resistance, for a
// lamp by halving the interval, since less voltage is left the more it draws.
func (in Instrument) voltOn(p proving) float64 {
	if !in.Kind.Passive() {
		return 0
	}
	low, high := 0.0, p.volt
	for range 60 {
		v := (low + high) / 2
		y := in.Admittance(v)
		if in.Kind == NonContact {
			y = circuit.Phasor{Im: omega * in.Traits.Farad}
		}
		// |V| = E/|1 + Z·Y|
		left := p.volt / circuit.Phasor{Re: 1 + float64(p.ohm*y.Re), Im: float64(p.ohm * y.Im)}.Abs()
		if left > v {
			low = v
		} else {
			high = v
		}
	}
	return (low + high) / 2
}
