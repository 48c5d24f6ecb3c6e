package instrument

import (
	"math"

	"meterwright/circuit"
)

const (
	omega = 2 * math.Pi * 50
	// leadFarad is what is left across a broken lead [P].
	leadFarad = 2e-12
	// uncoupledShare is the part of the voltage that a detector without its
	// counter-capacitance still sees [P].
	uncoupledShare = 0.1
	// Limits of a loop test: the range of voltage in which it starts [P].
	loopLowVolt, loopHighVolt = 195, 260
	// loopMostOhm and continuityMostOhm are ends of range [P].
	loopMostOhm, continuityMostOhm = 1999, 1999
	// continuityMostVolt is above what a continuity tester works with [P].
	continuityMostVolt = 10
	voltmeterMost      = 1000 // V [P]
	clampMost          = 600  // A [P]
	noTripOhm          = 0.3  // what a no-trip mode adds [P]
	// testAmp is the residual current of an RCD test at IΔn, 30 mA: BS 7671 [S].
	testAmp = 0.030
	// rcdLowVolt is the least voltage at which a residual test starts [P].
	rcdLowVolt = 100
)

// Poles is how many points the kind is put on: 3 for a socket tester (line,
// neutral, earth) and a phase sequence indicator, otherwise 2. A kind that can be
// read single-pole is put on one point and the body.
func (k Kind) Poles() int {
	switch k {
	case SocketTester, PhaseSequence:
		return 3
	case NonContact, Clamp:
		return 1
	}
	return 2
}

// Passive reports whether the kind shows what it finds without driving a
// current of its own: what Load describes.
func (k Kind) Passive() bool {
	switch k {
	case LoopTester, Continuity, RCDTester, Clamp:
		return false
	}
	return true
}

// Load returns what the instrument puts on the ports, as attachments, and the
// share of the voltage across each that the instrument itself gets: less than
// one where a lead is broken. Kinds that are not passive put nothing on.
func (in Instrument) Load(ports ...int) (list []circuit.Attachment, share float64) {
	if !in.Kind.Passive() || len(ports) < 2 || in.threeLeads() && len(ports) < 3 {
		return nil, 1
	}
	if !in.threeLeads() {
		one := circuit.Attachment{A: ports[0], B: ports[1]}
		if in.Bends() {
			one.Curve = func(volt float64) circuit.Phasor { return in.Admittance(volt) }
		} else {
			one.Y = in.Admittance(0)
		}
		return []circuit.Attachment{one}, in.share()
	}
	return in.AppendLoad(nil, [3]int{ports[0], ports[1], ports[2]}), in.share()
}

// AppendLoad appends what a kind with three leads, a socket tester or a phase
// sequence indicator, puts on three ports.
func (in *Instrument) AppendLoad(dst []circuit.Attachment, ports [3]int) []circuit.Attachment {
	y := in.Admittance(0)
	pair := func(a, b int) circuit.Attachment { return circuit.Attachment{A: ports[a], B: ports[b], Y: y} }
	if in.Kind == PhaseSequence {
		return append(dst, pair(0, 1), pair(1, 2), pair(2, 0))
	}
	return append(dst, pair(0, 1), pair(0, 2), pair(1, 2))
}

func (in *Instrument) threeLeads() bool {
	return in.Kind == SocketTester || in.Kind == PhaseSequence
}

// Bends reports whether the admittance depends on the voltage, as that of a
// filament does.
func (in *Instrument) Bends() bool {
	return in.Kind == TestLamp && in.Traits.LampAmp > 0 && in.Condition != BlownLamp && !in.leadOpen()
}

// Admittance returns what lies between two probes of a passive kind, in siemens,
// with that many volts across it, a broken lead in series.
func (in *Instrument) Admittance(volt float64) circuit.Phasor {
	if in.Condition == BlownLamp {
		return circuit.Phasor{Im: omega * leadFarad}
	}
	if !in.leadOpen() {
		return in.own(volt)
	}
	// A lamp is cold behind a broken lead.
	lead, own := circuit.Phasor{Im: omega * leadFarad}, in.own(0)
	return lead.Times(own).Over(lead.Plus(own))
}

// own is the admittance without its leads.
func (in *Instrument) own(volt float64) circuit.Phasor {
	t := &in.Traits
	switch {
	case in.Kind == TestLamp:
		return in.filament(volt)
	case in.Kind == TwoPole && in.OnePole:
		return circuit.Phasor{Im: omega * t.OnePoleFarad}
	case in.Kind == TwoPole && in.Loaded:
		return circuit.Phasor{Re: reciprocal(t.LoadedOhm)}
	}
	return circuit.Phasor{Re: reciprocal(t.Ohm), Im: omega * t.Farad}
}

// share is the part of the voltage across a pair that the instrument gets.
func (in *Instrument) share() float64 {
	switch {
	case !in.Kind.Passive():
		return 1
	case in.leadOpen():
		lead, own := circuit.Phasor{Im: omega * leadFarad}, in.own(0)
		return lead.Abs() / lead.Plus(own).Abs()
	case in.Condition == NotCoupled:
		return uncoupledShare
	}
	return 1
}

// leadOpen reports whether a lead does not conduct. An intermittent lead is taken
// at its worst: it conducts at every proving and fails in between.
func (in *Instrument) leadOpen() bool {
	return in.Condition == BrokenLead || in.Condition == IntermittentLead
}

func reciprocal(ohm float64) float64 {
	if ohm <= 0 {
		return 0
	}
	return 1 / ohm
}

// filament is the conductance of a lamp: cold a tenth of its hot resistance, from
// there with the root of the voltage [P].
func (in *Instrument) filament(volt float64) circuit.Phasor {
	if in.Traits.LampAmp <= 0 {
		return circuit.Phasor{}
	}
	hot := nominalVolt / in.Traits.LampAmp
	return circuit.Phasor{Re: 1 / float64(hot*(0.1+float64(0.9*math.Sqrt(volt/nominalVolt))))}
}

// nominalVolt is the voltage that ratings refer to: Electricity Safety, Quality
// and Continuity Regulations 2002, regulation 27 [S].
const nominalVolt = 230
