package instrument

import (
	"math"
	"testing"

	"meterwright/measure"
)

// A sound instrument is proved on every source that suits it; one that is dead
// or has a broken lead is not; an intermittent lead passes, which is why another
// instrument exists.
func TestProving(t *testing.T) {
	for _, m := range Models() {
		for _, src := range SourceKinds() {
			shown := New(m.Kind, Sound).Prove(src)
			if Suits(src, m.Kind) && !m.Kind.ProvedBy(shown, "") {
				t.Errorf("%s on %s shows %v, which does not prove it", m.Kind, src, shown)
			}
		}
		for _, c := range []Condition{DeadInstrument, BrokenLead, IntermittentLead} {
			shown := New(m.Kind, c).Prove(m.ProvedOn[len(m.ProvedOn)-1])
			pass := c == IntermittentLead
			if c == BrokenLead && (m.Kind == SocketTester || m.Kind == NonContact || m.Kind == Clamp) {
				continue // they have no leads
			}
			if got := m.Kind.ProvedBy(shown, ""); got != pass {
				t.Errorf("%s %s: proved %v with %v", m.Kind, c, got, shown)
			}
		}
	}
}

// Common practice [P]: a proving unit gives a few milliamperes, often direct.
func TestProvingUnitCannotProve(t *testing.T) {
	if got := New(TestLamp, Sound).Prove(ProvingUnit); got != Show(Dark) {
		t.Errorf("a lamp on a proving unit: %v", got)
	}
	if got := New(NonContact, Sound).Prove(ProvingUnit); got != Show(Dark) {
		t.Errorf("a non-contact detector on a proving unit: %v", got)
	}
}

func TestConditionsShow(t *testing.T) {
	live := Seen{Across: [3]float64{230}, OpenVolt: 230, Amp: 5}
	live.SourceOhm.Re = 0.25
	none := Seen{}
	for _, c := range []struct {
		in   Instrument
		seen Seen
		want string
	}{
		{New(TwoPole, Sound), live, "lit"},
		{New(TwoPole, Sound), none, "dark"},
		{New(TwoPole, StuckOn), none, "lit"},
		{New(TwoPole, DeadInstrument), live, "dark"},
		{New(TwoPole, BrokenLead), live, "dark"},
		{New(TwoPole, WeakBattery), Seen{Across: [3]float64{90}}, "dark"},
		{New(NonContact, NotCoupled), live, "dark"},
		{New(TestLamp, BlownLamp), live, "dark"},
		{New(Voltmeter, Sound), live, "230.0 V"},
		{New(Voltmeter, WeakBattery), live, "276.0 V"},
		{New(Voltmeter, WrongRange), live, "0.0 V"},
		{New(Voltmeter, BrokenLead), live, "1.4 V"}, // 230 V × 0.63 nS / |100 + 32j nS|: 2 pF in series with 10 MΩ ∥ 100 pF
		{New(Voltmeter, Sound), Seen{Across: [3]float64{1200}}, "over-range"},
		{New(LoopTester, Sound), live, "0.25 ohm"},
		{New(LoopTester, WrongRange), live, "0.55 ohm"},
		{New(LoopTester, Sound), none, "over-range"},
		{New(Continuity, Sound), live, "over-range"},
		{New(Clamp, Sound), live, "5.00 A"},
		{New(Clamp, DeadInstrument), live, "0.00 A"},
		{New(SocketTester, Sound), Seen{Across: [3]float64{230, 230, 0}}, "healthy"},
		{New(SocketTester, Sound), Seen{Across: [3]float64{230, 0, 230}}, "wrong: line to neutral lit, line to earth dark, neutral to earth lit"},
		{New(SocketTester, Sound), none, "dark"},
		{New(PhaseSequence, Sound), Seen{Across: [3]float64{400, 400, 400}, Turns: -1}, "reverse"},
		{New(PhaseSequence, Sound), Seen{Across: [3]float64{400, 200, 200}, Turns: 1}, "missing"},
		{New(RCDTester, Sound), live, "trips"},
	} {
		got, _ := c.in.Indicate(c.seen)
		if got.String() != c.want {
			t.Errorf("%s %s: got %v, want %s", c.in.Kind, c.in.Condition, got, c.want)
		}
		if m, _ := Lookup(c.in.Kind); m.Allows(got.Shows()) != nil {
			t.Errorf("%s cannot show %v", c.in.Kind, got)
		}
	}
}

// A 65 mA lamp: about 390 Ω in series takes a tenth of the voltage away (the
// handbook's figure [P] takes the hot resistance as constant).
func TestLampFindsJoints(t *testing.T) {
	in := New(TestLamp, Sound)
	full := in.voltOn(proving{volt: 230, ohm: 1e-6})
	left := in.voltOn(proving{volt: 230, ohm: 390})
	if math.Abs(full-230) > 0.01 || math.Abs(left/230-0.9) > 0.01 {
		t.Errorf("got %.2f V and %.2f V", full, left)
	}
}

// Rounding to the digits of the display, against the decimal arithmetic of
// package measure.
func TestNumber(t *testing.T) {
	for _, x := range []float64{0, 0.04, 0.05, 0.449, 0.95, 9.95, 230.04, 999.94, -0.04, -0.2, -12.34} {
		for places := range 4 {
			scaled := math.Round(x * math.Pow10(places))
			want, err := measure.FromScaled(int64(scaled), places)
			if err != nil {
				t.Fatal(err)
			}
			got, _, ok := number(x, places, "V", 1000).Reading()
			if !ok || got.String() != want.String() {
				t.Errorf("%g with %d places is %s, want %s", x, places, got, want)
			}
		}
	}
	if number(math.NaN(), 1, "V", 1000) != Show(Over) || number(1000.1, 1, "V", 1000) != Show(Over) {
		t.Error("a number beyond the range is shown")
	}
}

func TestTraitsHoldTheirRange(t *testing.T) {
	for _, r := range AllTraits() {
		if !(r.Low <= r.Usual && r.Usual <= r.High) || r.Mark == "" {
			t.Errorf("%s %s: %g is not within %g to %g, or there is no mark", r.Kind, r.Words, r.Usual, r.Low, r.High)
		}
	}
}
