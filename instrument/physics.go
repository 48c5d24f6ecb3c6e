package instrument

import (
	"math"
	"strconv"

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

// usual holds the usual traits by the place of the kind in models.
var usual = func() []Traits {
	list := make([]Traits, len(models))
	for _, r := range traits {
		r.set(&list[Index(r.Kind)], r.Usual)
	}
	return list
}()

// UsualTraits returns the usual traits of a kind.
func UsualTraits(k Kind) Traits {
	if i := Index(k); i >= 0 {
		return usual[i]
	}
	return Traits{}
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
