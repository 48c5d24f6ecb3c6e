// Package instrument is the vocabulary of what a visit tests with: the kinds of
// instrument, the sources that can prove each of them, and what they can show.
//
// An instrument is proved on a source that it can respond to. A proving unit
// that delivers a few milliamperes cannot light a loaded lamp, and a direct
// voltage cannot excite a detector that works by capacitance; so each kind
// names the sources that suit it.
package instrument

import (
	"fmt"
	"slices"

	"meterwright/measure"
)

// Kind names a kind of instrument by the trade's word for it.
type Kind string

// The kinds. The numbers of IEC standards beside them are from memory [M].
const (
	// SocketTester plugs into a socket and shows which pairs have voltage.
	SocketTester Kind = "socket-tester"
	// NonContact is a capacitive detector with one tip.
	NonContact Kind = "non-contact-detector"
	// TwoPole is a two-pole voltage detector, IEC 61243-3.
	TwoPole Kind = "two-pole-detector"
	// TestLamp draws tens of milliamperes through a lamp.
	TestLamp Kind = "loaded-test-lamp"
	// Voltmeter shows volts; IEC 61010-2-033.
	Voltmeter Kind = "voltmeter"
	// LoopTester shows loop impedance; IEC 61557-3.
	LoopTester Kind = "loop-tester"
	// Continuity shows the resistance of a dead joint; IEC 61557-4.
	Continuity Kind = "continuity-tester"
	// PhaseSequence shows the order of three phases; IEC 61557-7.
	PhaseSequence Kind = "phase-sequence-indicator"
	// Clamp shows current in a conductor; IEC 61010-2-032.
	Clamp Kind = "clamp-meter"
	// RCDTester draws a residual current; IEC 61557-6.
	RCDTester Kind = "rcd-tester"
)

// SourceKind names a kind of proving source.
type SourceKind string

// The kinds of proving source.
const (
	// ProvingUnit gives a known voltage at a few milliamperes, often direct.
	ProvingUnit SourceKind = "proving-unit"
	// LampSource gives a mains voltage that can light a loaded lamp.
	LampSource SourceKind = "loaded-proving-source"
	// FieldSource gives an alternating field that excites a capacitive tip.
	FieldSource SourceKind = "alternating-field-source"
	// KnownLive is a supply that another proved instrument shows to be live.
	KnownLive SourceKind = "known-live-supply"
	// KnownSocket is a socket known to be live and rightly joined.
	KnownSocket SourceKind = "known-live-socket"
	// CheckResistor is a resistor, or loop, of known value.
	CheckResistor SourceKind = "check-resistor"
	// KnownLoad is a conductor that carries a known current.
	KnownLoad SourceKind = "known-load"
)

// Shows is one class of what an instrument can indicate.
type Shows string

// The classes. No instrument can show anything else.
const (
	// Lit: the lamp or tone of a detector is on.
	Lit Shows = "lit"
	// Dark: nothing is shown.
	Dark Shows = "dark"
	// Value: a number with its unit.
	Value Shows = "value"
	// Over: above the range of the instrument.
	Over Shows = "over-range"
	// Healthy: the pattern that a socket tester shows for a rightly joined socket.
	Healthy Shows = "healthy"
	// Wrong: any other pattern of a socket tester.
	Wrong Shows = "wrong"
	// Forward and Reverse: the order of phases.
	Forward Shows = "forward"
	Reverse Shows = "reverse"
	// Missing: a phase is not seen.
	Missing Shows = "missing"
	// Trips and Holds: a residual current device did, or did not, operate.
	Trips Shows = "trips"
	Holds Shows = "holds"
)

// Model says what instruments of one kind can do.
type Model struct {
	Kind Kind
	// Words is the trade's name in a sentence.
	Words string
	// Shows lists the classes of indication that the kind can give.
	Shows []Shows
	// Unit is the unit of its values, empty where it shows none.
	Unit string
	// ProvedOn lists the sources that suit it [P].
	ProvedOn []SourceKind
	// Good lists what a working instrument shows on such a source.
	Good []Shows
	// Calibrated says that the kind has a calibration that falls due.
	Calibrated bool
	// OnePole says that it can be read with one probe and the body as the other.
	OnePole bool
}

var models = []Model{
	{SocketTester, "socket tester", []Shows{Healthy, Wrong, Dark}, "", []SourceKind{KnownSocket}, []Shows{Healthy}, false, false},
	{NonContact, "non-contact detector", []Shows{Lit, Dark}, "", []SourceKind{FieldSource, KnownLive}, []Shows{Lit}, false, true},
	{TwoPole, "two-pole detector", []Shows{Lit, Dark}, "", []SourceKind{ProvingUnit, KnownLive}, []Shows{Lit}, true, true},
	{TestLamp, "loaded test lamp", []Shows{Lit, Dark}, "", []SourceKind{LampSource, KnownLive}, []Shows{Lit}, false, false},
	{Voltmeter, "voltmeter", []Shows{Value, Over}, "V", []SourceKind{ProvingUnit, KnownLive}, []Shows{Value}, true, false},
	{LoopTester, "loop tester", []Shows{Value, Over}, "ohm", []SourceKind{CheckResistor}, []Shows{Value}, true, false},
	{Continuity, "continuity tester", []Shows{Value, Over}, "ohm", []SourceKind{CheckResistor}, []Shows{Value}, true, false},
	{PhaseSequence, "phase sequence indicator", []Shows{Forward, Reverse, Missing, Dark}, "", []SourceKind{KnownLive}, []Shows{Forward, Reverse}, false, false},
	{Clamp, "clamp meter", []Shows{Value, Over}, "A", []SourceKind{KnownLoad}, []Shows{Value}, true, false},
	{RCDTester, "RCD tester", []Shows{Trips, Holds, Value, Over}, "ms", []SourceKind{CheckResistor}, []Shows{Value}, true, false},
}

// Models returns every kind with its properties, in a fixed order. The caller
// must not change the slices inside.
func Models() []Model { return slices.Clone(models) }

// Lookup returns the model of a kind.
func Lookup(k Kind) (Model, bool) {
	for _, m := range models {
		if m.Kind == k {
			return m, true
		}
	}
	return Model{}, false
}

// OnePole reports whether the kind can be read with the body as its other pole.
func (k Kind) OnePole() bool {
	i := Index(k)
	return i >= 0 && models[i].OnePole
}

// Index returns the place of the kind in Models, or -1.
func Index(k Kind) int {
	for i := range models {
		if models[i].Kind == k {
			return i
		}
	}
	return -1
}

// Suits reports whether a source of that kind can prove an instrument of kind k.
func Suits(s SourceKind, k Kind) bool {
	m, ok := Lookup(k)
	return ok && slices.Contains(m.ProvedOn, s)
}

// SourceKinds lists every kind of proving source.
func SourceKinds() []SourceKind {
	return []SourceKind{ProvingUnit, LampSource, FieldSource, KnownLive, KnownSocket, CheckResistor, KnownLoad}
}

// Allows returns an error, naming what the kind can show, when it cannot give
// an indication of that class.
func (m Model) Allows(s Shows) error {
	if slices.Contains(m.Shows, s) {
		return nil
	}
	return fmt.Errorf("a %s cannot show %q: it shows %s", m.Words, s, list(m.Shows))
}

func list(shows []Shows) string {
	text := ""
	for i, s := range shows {
		switch {
		case i == 0:
		case i == len(shows)-1:
			text += " or "
		default:
			text += ", "
		}
		text += string(s)
	}
	return text
}

// Accuracy returns the accuracy that is assumed for a kind whose own data
// sheet is not known: default figures of common practice [P].
func (k Kind) Accuracy() measure.Accuracy {
	switch k {
	case Voltmeter:
		return measure.Accuracy{RelativePct: 1.5, Digits: 3}
	case LoopTester:
		return measure.Accuracy{RelativePct: 5, AbsoluteFixed: 0.03}
	case Continuity:
		return measure.Accuracy{RelativePct: 3, Digits: 2}
	case Clamp:
		return measure.Accuracy{RelativePct: 2, Digits: 5}
	case RCDTester:
		return measure.Accuracy{RelativePct: 2, Digits: 2}
	}
	return measure.Accuracy{}
}

// Most returns the greatest number that the display of a kind can show, in its unit, or nought where it
// shows none: figures of common practice [P].
func (k Kind) Most() float64 {
	switch k {
	case Voltmeter:
		return 1000
	case LoopTester, Continuity, RCDTester:
		return 2000
	case Clamp:
		return 200
	}
	return 0
}

// leastProving is the least that an instrument must show on a proving source
// whose own value is not stated [P]: half of the least voltage or current that
// such sources give.
var leastProving = map[Kind]float64{Voltmeter: 50, Clamp: 0.5}

// ProvedBy reports whether what an instrument showed on a source that suits it
// is what a working one shows. A nominal value of the source, such as "230 V",
// must be met within a tenth [P]; without one, a voltmeter must show at least
// 50 V and a clamp meter at least 0.5 A [P].
func (k Kind) ProvedBy(shows Indication, nominal string) bool {
	m, ok := Lookup(k)
	if !ok || !slices.Contains(m.Good, shows.Shows()) {
		return false
	}
	v, unit, isValue := shows.Reading()
	if !isValue {
		return true
	}
	if unit != m.Unit {
		return false
	}
	if nominal != "" {
		n, err := ParseIndication(nominal)
		want, nunit, ok := n.Reading()
		if err != nil || !ok || nunit != unit {
			return false
		}
		diff := v.Float() - want.Float()
		return max(diff, -diff) <= want.Float()/10
	}
	return v.Float() >= leastProving[k]
}
