package instrument

import (
	"math"

	"meterwright/circuit"
	"meterwright/measure"
)

// Traits are the electrical values of one instrument. Usual gives those of a kind.
type Traits struct {
	// Ohm and Farad lie in parallel between two probes, or between each pair of
	// pins of a socket tester or of leads of a phase sequence indicator. The
	// capacitance of a non-contact detector is that of its tip.
	Ohm, Farad float64
	// LoadedOhm replaces Ohm while the load of a two-pole detector is pressed in.
	LoadedOhm float64
	// LampAmp is the current of a test lamp at 230 V.
	LampAmp float64
	// OnePoleFarad is what a two-pole detector is in series with the body when
	// it is held on one point: no more than a sensing electrode.
	OnePoleFarad float64
	// LitVolt is the least voltage at which something lights; OnePoleVolt the
	// same for a single-pole indication through the body.
	LitVolt, OnePoleVolt float64
}

// Trait is one row of the table of traits, for showing and for drawing.
type Trait struct {
	Kind             Kind
	Words, Unit      string
	Usual, Low, High float64
	Mark             string // S, P or M
	set              func(*Traits, float64)
}

// Set writes a value of this trait into t.
func (r Trait) Set(t *Traits, value float64) { r.set(t, value) }

func setOhm(t *Traits, v float64)     { t.Ohm = v }
func setFarad(t *Traits, v float64)   { t.Farad = v }
func setLoaded(t *Traits, v float64)  { t.LoadedOhm = v }
func setLamp(t *Traits, v float64)    { t.LampAmp = v }
func setLit(t *Traits, v float64)     { t.LitVolt = v }
func setSense(t *Traits, v float64)   { t.OnePoleFarad = v }
func setOnePole(t *Traits, v float64) { t.OnePoleVolt = v }

var traits = []Trait{
	{SocketTester, "each pair of pins", "ohm", 50e3, 20e3, 200e3, "P", setOhm},
	{SocketTester, "a pair lights from", "V", 90, 60, 150, "P", setLit},
	{NonContact, "tip on bare metal", "F", 1.5e-12, 0.5e-12, 5e-12, "P", setFarad},
	{NonContact, "lights from, tip to body", "V", 70, 20, 150, "P", setLit},
	{TwoPole, "idle", "ohm", 300e3, 200e3, 400e3, "P", setOhm},
	{TwoPole, "with its load pressed in", "ohm", 7e3, 3e3, 20e3, "P", setLoaded},
	{TwoPole, "lights from, IEC 61243-3", "V", 50, 35, 70, "M", setLit},
	{TwoPole, "single-pole, its sensing electrode", "F", 2e-12, 1e-12, 5e-12, "P", setSense},
	{TwoPole, "single-pole indication from", "V", 100, 80, 150, "P", setOnePole},
	{TestLamp, "current at 230 V", "A", 0.065, 0.020, 0.100, "P", setLamp},
	{TestLamp, "glows from", "V", 50, 35, 70, "P", setLit},
	{Voltmeter, "input resistance", "ohm", 10e6, 0.3e6, 10e6, "P", setOhm},
	{Voltmeter, "input capacitance with its leads", "F", 100e-12, 50e-12, 200e-12, "P", setFarad},
	{PhaseSequence, "each pair of leads", "ohm", 100e3, 50e3, 300e3, "P", setOhm},
	{PhaseSequence, "a pair counts from", "V", 100, 80, 200, "P", setLit},
}

// AllTraits returns the table of traits with its ranges and marks.
func AllTraits() []Trait { return append([]Trait(nil), traits...) }

// UsualTraits returns the usual traits of a kind.
func UsualTraits(k Kind) Traits {
	var t Traits
	for _, r := range traits {
		if r.Kind == k {
			r.set(&t, r.Usual)
		}
	}
	return t
}

// Instrument is one instrument as physics.
type Instrument struct {
	Kind      Kind
	Condition Condition
	Traits    Traits
	// Loaded presses the load of a two-pole detector in.
	Loaded bool
	// OnePole says that the body is the second pole.
	OnePole bool
}

// New returns an instrument of a kind in a condition, with the usual traits.
func New(k Kind, c Condition) Instrument {
	return Instrument{Kind: k, Condition: c, Traits: UsualTraits(k)}
}

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
	t := in.Traits
	y := circuit.Phasor{Re: reciprocal(t.Ohm), Im: omega * t.Farad}
	pair := func(a, b int) circuit.Attachment { return circuit.Attachment{A: a, B: b, Y: y} }
	share = 1
	switch in.Kind {
	case SocketTester, PhaseSequence:
		if len(ports) < 3 {
			return nil, 1
		}
		list = []circuit.Attachment{pair(ports[0], ports[1]), pair(ports[0], ports[2]), pair(ports[1], ports[2])}
		if in.Kind == PhaseSequence {
			list[1] = pair(ports[1], ports[2])
			list[2] = pair(ports[2], ports[0])
		}
	case NonContact, TwoPole, TestLamp, Voltmeter:
		if len(ports) < 2 {
			return nil, 1
		}
		if in.Kind == TwoPole && in.Loaded {
			y = circuit.Phasor{Re: reciprocal(t.LoadedOhm)}
		}
		if in.Kind == TwoPole && in.OnePole {
			y = circuit.Phasor{Im: omega * t.OnePoleFarad}
		}
		one := pair(ports[0], ports[1])
		if in.Kind == TestLamp {
			one.Y = circuit.Phasor{}
			one.Curve = in.lampCurve()
		}
		list = []circuit.Attachment{one}
	default:
		return nil, 1
	}
	if in.Condition == NotCoupled {
		share = uncoupledShare
	}
	if in.leadOpen() {
		// The lead in series with the instrument; a lamp is small beside it.
		lead := circuit.Phasor{Im: omega * leadFarad}
		for i := range list {
			own := list[i].Y
			if list[i].Curve != nil {
				own = list[i].Curve(0)
			}
			total := lead.Plus(own)
			list[i].Curve = nil
			list[i].Y = lead.Times(own).Over(total)
			share = lead.Abs() / total.Abs()
		}
	}
	if in.Condition == BlownLamp {
		for i := range list {
			list[i].Curve, list[i].Y = nil, circuit.Phasor{Im: omega * leadFarad}
		}
	}
	return list, share
}

// leadOpen reports whether a lead does not conduct. An intermittent lead is taken
// at its worst: it conducts at every proving and fails in between.
func (in Instrument) leadOpen() bool {
	return in.Condition == BrokenLead || in.Condition == IntermittentLead
}

func reciprocal(ohm float64) float64 {
	if ohm <= 0 {
		return 0
	}
	return 1 / ohm
}

// lampCurve is the conductance of a filament: cold a tenth of its hot
// resistance, from there with the root of the voltage [P].
func (in Instrument) lampCurve() circuit.Curve {
	if in.Traits.LampAmp <= 0 {
		return nil
	}
	hot := nominalVolt / in.Traits.LampAmp
	return func(v float64) circuit.Phasor {
		return circuit.Phasor{Re: 1 / float64(hot*(0.1+float64(0.9*math.Sqrt(v/nominalVolt))))}
	}
}

// nominalVolt is the voltage that ratings refer to: Electricity Safety, Quality
// and Continuity Regulations 2002, regulation 27 [S].
const nominalVolt = 230

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

// Indicate returns what the instrument shows of it, and the number before
// rounding: volts at the instrument, ohms, or amperes.
func (in Instrument) Indicate(s Seen) (Indication, float64) {
	_, share := in.Load(0, 1, 2)
	volt := float64(s.Across[0] * share)
	dead, weak := in.Condition == DeadInstrument, in.Condition == WeakBattery
	switch in.Kind {
	case SocketTester:
		return in.socket(s, dead), volt
	case NonContact, TwoPole, TestLamp:
		lit := in.Traits.LitVolt
		if in.OnePole && in.Kind == TwoPole {
			lit = in.Traits.OnePoleVolt
		}
		if weak {
			lit *= 2
		}
		on := volt >= lit && !dead && in.Condition != BlownLamp || in.Condition == StuckOn
		if on {
			return Show(Lit), volt
		}
		return Show(Dark), volt
	case Voltmeter:
		shown := volt
		switch {
		case dead || in.Condition == WrongRange:
			shown = 0 // on a d.c. range an alternating voltage averages to nothing
		case weak:
			shown *= 1.2
		}
		return number(shown, 1, "V", voltmeterMost), shown
	case LoopTester:
		z := s.SourceOhm.Abs()
		if in.Condition == WrongRange {
			z += noTripOhm
		}
		if dead || weak || in.leadOpen() || s.OpenVolt < loopLowVolt || s.OpenVolt > loopHighVolt {
			return Show(Over), z
		}
		return number(z, 2, "ohm", loopMostOhm), z
	case Continuity:
		// It drives a direct current: a path through capacitances is none.
		r := s.SourceOhm.Re
		if weak {
			r *= 1.1
		}
		if dead || in.leadOpen() || s.OpenVolt > continuityMostVolt || s.SourceOhm.Abs() > continuityMostOhm {
			return Show(Over), r
		}
		return number(r, 2, "ohm", continuityMostOhm), r
	case PhaseSequence:
		return in.sequence(s, dead), volt
	case Clamp:
		a := s.Amp
		switch {
		case dead || in.Condition == WrongRange:
			a = 0
		case weak:
			a *= 1.2
		}
		return number(a, 2, "A", clampMost), a
	case RCDTester:
		flows := 0.0
		if z := s.SourceOhm.Abs(); s.OpenVolt >= rcdLowVolt && z > 0 {
			flows = s.OpenVolt / z
		}
		if dead || in.leadOpen() || s.RCDStuck || flows < testAmp {
			return Show(Holds), flows
		}
		return Show(Trips), flows
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
	d, err := measure.FromScaled(int64(math.Round(float64(x*scale))), places)
	if err != nil {
		return Show(Over)
	}
	return ShowValue(d, unit)
}

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
	list, _ := in.Load(0, 1)
	if len(list) == 0 {
		return 0
	}
	low, high := 0.0, p.volt
	for range 60 {
		v := (low + high) / 2
		y := list[0].Y
		if list[0].Curve != nil {
			y = list[0].Curve(v)
		}
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
