package world

import (
	"math"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
)

// Each test here is a blind spot of an instrument, the reason why another test
// exists. Every one states the floor, the coupling and the load it is about.

func expand(t testing.TB, spec site.Spec) *site.Site {
	t.Helper()
	s, err := site.Expand(spec)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

type setting struct {
	param string
	value float64
}

// position makes a world of a site with departures, acts done, and values set.
func position(t testing.TB, spec site.Spec, acts []site.ActID, values []setting, ids ...string) *World {
	t.Helper()
	s := expand(t, spec)
	v := site.Usual()
	for _, set := range values {
		if err := v.Set(set.param, set.value); err != nil {
			t.Fatal(err)
		}
	}
	setup := Setup{Site: s, Values: &v}
	for _, a := range acts {
		var err error
		if setup.Switching, err = s.Do(setup.Switching, a); err != nil {
			t.Fatal(err)
		}
	}
	for _, id := range ids {
		d, err := s.DepartureNamed(id)
		if err != nil {
			t.Fatal(err)
		}
		setup.Departures = append(setup.Departures, d)
	}
	w, err := New(setup)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func shows(t *testing.T, w *World, want string, k instrument.Kind, points ...site.PointID) Reading {
	t.Helper()
	r, err := w.Read(w.Instrument(k), points...)
	if err != nil {
		t.Fatal(err)
	}
	if want != "" && r.Indication.String() != want {
		t.Errorf("%s on %v shows %v (%.3g, open %.1f V), want %s", k, points, r.Indication, r.Shown, r.Open, want)
	}
	return r
}

func within(t *testing.T, what string, got, low, high float64) {
	t.Helper()
	if !(got >= low && got <= high) {
		t.Errorf("%s is %.4g, not within %g to %g", what, got, low, high)
	}
}

func volts(t *testing.T, w *World, p site.PointID) float64 {
	t.Helper()
	v, err := w.Volts(p)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

var (
	tncs    = site.Spec{Arrangement: site.TNCS, Reference: true}
	loadOff = []site.ActID{"switch-off-house"}
	carrier = []site.ActID{"switch-off-house", "withdraw-carrier"}
	box     = site.PointID("metalwork.box")
	damp    = setting{"floor-ohm", 1000}
)

// Reversed PEN at the supply of a TN-C-S position, with the fuse in and out.
// Floor: damp concrete, 1 kΩ. Coupling: person 100 pF and 100 MΩ to earth,
// 20 pF to the metal. Load: 500 W. House electrode 500 Ω (plastic pipes), star
// point 5 Ω, so that the metal stands near, not at, 230 V.
func TestReversedPEN(t *testing.T) {
	values := []setting{damp, {"load-watt", 500}, {"house-electrode-ohm", 500}, {"star-electrode-ohm", 5}}
	for _, acts := range [][]site.ActID{nil, carrier} {
		w := position(t, tncs, acts, values, "reversed/service")
		if acts == nil {
			shows(t, w, "healthy", instrument.SocketTester, "socket.l", "socket.n", "socket.e")
			r := shows(t, w, "", instrument.Voltmeter, "meter.l-in", "meter.n-in")
			within(t, "line to neutral at the meter", r.Shown, 225, 231)
			r = shows(t, w, "", instrument.Voltmeter, "meter.l-in", site.MET)
			within(t, "line to earth at the meter", r.Shown, 225, 231)
			r = shows(t, w, "", instrument.Voltmeter, "meter.n-in", site.MET)
			within(t, "neutral to earth at the meter", r.Shown, 0, 1)
			// Every pair at the meter is as a healthy position has it.
			healthy := position(t, tncs, nil, values)
			terminals := []site.PointID{"meter.l-in", "meter.l-out", "meter.n-in", "meter.n-out", site.MET}
			for i, a := range terminals {
				for _, b := range terminals[:i] {
					want := shows(t, healthy, "", instrument.TwoPole, a, b)
					shows(t, w, want.Indication.String(), instrument.TwoPole, a, b)
				}
			}
			shows(t, w, "lit", instrument.TestLamp, "cutout.n", "cutout.l-supply")
			shows(t, w, "dark", instrument.TestLamp, site.MET, "cutout.n")
		} else {
			// The fuse is out and everything seems dead against the installation's own earth.
			for _, p := range []site.PointID{"cutout.l-load", "meter.l-in", "meter.l-out", "meter.n-in", "meter.n-out"} {
				shows(t, w, "dark", instrument.TwoPole, p, site.MET)
			}
		}
		within(t, "metalwork to true earth", volts(t, w, box), 220, 231)
		r := shows(t, w, "lit", instrument.TwoPole, box, site.Reference)
		within(t, "metalwork to the independent reference", r.Open, 220, 231)
		shows(t, w, "lit", instrument.TwoPole, "meter.n-in", site.Reference)
		shows(t, w, "lit", instrument.NonContact, box)
		touch, err := w.Touches()
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range touch {
			if h.Part == box {
				// 775 Ω × 0.8 and 1 kΩ of floor: about 140 mA.
				within(t, "current through a person", h.MilliAmps, 120, 150)
			}
		}

		// The same with the person touching the metal: the detector is dark.
		w = position(t, tncs, acts, values, "reversed/service", "follows-metal/body")
		shows(t, w, "dark", instrument.NonContact, box)
		within(t, "the person to true earth", volts(t, w, site.Body), 215, 231)
		// On an insulating floor, close to the metal: 320 pF to it against 100 pF to
		// earth leaves 230 × 100/420 ≈ 55 V between tip and body, under 70 V.
		w = position(t, tncs, acts, values, "reversed/service", "insulated/body")
		shows(t, w, "dark", instrument.NonContact, box)
		// Kneeling on damp ground (1 nF, 1 MΩ) it is lit.
		w = position(t, tncs, acts, append(values[:len(values):len(values)], setting{"body-farad", 1e-9}, setting{"body-ohm", 1e6}), "reversed/service")
		shows(t, w, "lit", instrument.NonContact, box)
	}
}

// The rule of the capacitive divider: tip to body is V/(1 + C_live/C_earth),
// half at 1:1. No leakage to earth to speak of.
func TestDetectorDivider(t *testing.T) {
	values := []setting{{"house-electrode-ohm", 500}, {"body-farad", 100e-12}, {"body-metal-farad", 100e-12}, {"body-ohm", 1e14}}
	w := position(t, tncs, nil, values, "reversed/service")
	r := shows(t, w, "lit", instrument.NonContact, box)
	within(t, "tip to body as a share", r.Shown/volts(t, w, box), 0.49, 0.51)
}

// On TT the same exchange shows at the socket. Rod 80 Ω, load 500 W.
func TestReversedServiceOnTT(t *testing.T) {
	w := position(t, site.Spec{Arrangement: site.TT, Reference: true}, nil, []setting{{"rod-ohm", 80}}, "reversed/service")
	shows(t, w, "wrong: line to neutral lit, line to earth dark, neutral to earth lit", instrument.SocketTester, "socket.l", "socket.n", "socket.e")
	within(t, "metalwork to true earth", volts(t, w, box), 0, 5)
}

// A weak neutral of 1, 10, 100 and 1,000 Ω in the tail, on TN-C-S, with the load
// off and the instruments at the meter: the voltmeter sees nothing, the lamp
// sees hundreds of ohms, the loop tester sees each.
func TestWeakNeutral(t *testing.T) {
	lampHealthy := 0.0
	for _, c := range []struct {
		ohm                     float64
		lampLow, lampHigh, loop float64
	}{
		{0, 0.999, 1.001, 0}, {1, 0.999, 1.001, 1}, {10, 0.99, 1, 10}, {100, 0.96, 0.99, 100}, {1000, 0.70, 0.85, 1000},
	} {
		s := expand(t, tncs)
		v := site.Usual()
		w, err := New(Setup{Site: s, Values: &v, Switching: put(t, s, loadOff), Departures: weakTail(c.ohm)})
		if err != nil {
			t.Fatal(err)
		}
		lamp := shows(t, w, "lit", instrument.TestLamp, "meter.n-in", "meter.l-in")
		if c.ohm == 0 {
			lampHealthy = lamp.Shown
		}
		within(t, "share of the voltage left to the lamp", lamp.Shown/lampHealthy, c.lampLow, c.lampHigh)
		meter := shows(t, w, "", instrument.Voltmeter, "meter.l-in", "meter.n-in")
		// 1 kΩ beside the meter's own 7 kΩ of capacitive reactance is seen, 100 Ω is not.
		if c.ohm <= 100 {
			within(t, "volts on the voltmeter", meter.Shown, 228.5, 230.1)
		} else {
			within(t, "volts on the voltmeter", meter.Shown, 224, 228.5)
		}
		loop := shows(t, w, "", instrument.LoopTester, "meter.l-in", "meter.n-in")
		within(t, "the loop tester", loop.Shown-c.loop, -0.06*c.loop, 0.2)
		earth := shows(t, w, "", instrument.LoopTester, "meter.l-in", site.MET)
		within(t, "the earth loop, which does not use that joint", earth.Shown, 0.03, 0.3)
	}
}

// The same joints under a load of 2 kW (26.45 Ω, unity power factor): by Ohm's law
// 26.45/(26.45 + R) of the voltage is left, less what source and service take.
func TestWeakNeutralUnderLoad(t *testing.T) {
	for _, ohm := range []float64{1, 10, 100, 1000} {
		s := expand(t, tncs)
		v := site.Usual()
		v[site.Load1Watt], v[site.LoadPF] = 2000, 1
		w, err := New(Setup{Site: s, Values: &v, Departures: weakTail(ohm)})
		if err != nil {
			t.Fatal(err)
		}
		r := shows(t, w, "", instrument.Voltmeter, "meter.l-out", "meter.n-out")
		want := 230 * 26.45 / (26.45 + ohm)
		within(t, "line to neutral", r.Shown, 0.985*want, 1.005*want+0.5)
		r = shows(t, w, "", instrument.Voltmeter, "meter.n-out", site.MET)
		within(t, "neutral to earth", r.Shown, 0.985*(230-want)-1, 1.005*(230-want)+1)
	}
}

func weakTail(ohm float64) []site.Departure {
	if ohm == 0 {
		return nil
	}
	return []site.Departure{{ID: "weak/tail.n", Changes: []site.Change{{Op: site.Weaken, On: []string{"tail-in.n"}, Ohm: ohm}}}}
}

func put(t testing.TB, s *site.Site, acts []site.ActID) site.Switching {
	t.Helper()
	w := site.Switching{}
	var err error
	for _, a := range acts {
		if w, err = s.Do(w, a); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

// Phantom voltage: 30 m of cable (3 nF) beside a live one, carrier out, load off.
// The voltmeter takes it for real and the lamp stays dark.
func TestPhantomVoltage(t *testing.T) {
	w := position(t, tncs, append(carrier, "take-tails-out"), nil, "phantom/tails")
	v := shows(t, w, "", instrument.Voltmeter, "cutout.l-load", site.MET)
	within(t, "volts on the voltmeter", v.Shown, 200, 231)
	l := shows(t, w, "dark", instrument.TestLamp, site.MET, "cutout.l-load")
	within(t, "volts on the lamp", l.Shown, 0, 1)
	// The load of a two-pole detector, 7 kΩ, brings it down; 300 kΩ do not wholly.
	in := w.Instrument(instrument.TwoPole)
	in.Loaded = true
	r, err := w.Read(in, "cutout.l-load", site.MET)
	if err != nil || r.Indication != instrument.Show(instrument.Dark) {
		t.Errorf("the loaded two-pole detector shows %v, %v", r.Indication, err)
	}
}

// Open PEN on a single-phase position: 2 kW (26.45 Ω) into 20 Ω of house
// electrode leaves 230 × 20/46.45 ≈ 99 V on the metalwork. Star point at true
// earth; no neighbour beyond the break.
func TestOpenPEN(t *testing.T) {
	w := position(t, tncs, nil, []setting{{"load-watt", 2000}, {"load-power-factor", 1}, {"house-electrode-ohm", 20},
		{"star-electrode-ohm", 1e-3}, {"filter-farad", 1e-12}, {"meter-farad", 1e-10}, {"meter-ohm", 1e9}}, "open/service.n")
	within(t, "metalwork to true earth", volts(t, w, box), 98.3, 99.6)
	r := shows(t, w, "", instrument.Voltmeter, box, site.Reference)
	within(t, "metalwork to the independent reference", r.Shown, 97, 100)
	shows(t, w, "lit", instrument.NonContact, box)
	// Line to neutral has fallen by the same, and the socket tester sees nothing of it.
	r = shows(t, w, "", instrument.Voltmeter, "socket.l", "socket.n")
	within(t, "line to neutral", r.Shown, 125, 136)
	shows(t, w, "healthy", instrument.SocketTester, "socket.l", "socket.n", "socket.e")
}

// The PEN of a three-phase main is open before the service, with the neighbours'
// loads beyond the break in balance (2 kW on each phase with the house's): line
// to neutral reads 230 V while nothing ties the neutral to the transformer. Take
// one phase of load away and it moves.
func TestOpenPENInThreePhaseMain(t *testing.T) {
	balanced := []setting{{"load-watt", 500}, {"neighbours-l1-watt", 1500}, {"neighbours-l2-watt", 2000}, {"neighbours-l3-watt", 2000},
		{"load-power-factor", 1}, {"house-electrode-ohm", 20}}
	w := position(t, tncs, nil, balanced, "open/main.n")
	r := shows(t, w, "", instrument.Voltmeter, "meter.l-in", "meter.n-in")
	within(t, "line to neutral", r.Shown, 227, 231)
	within(t, "metalwork to true earth", volts(t, w, box), 0, 3)
	balanced[2].value = 100
	w = position(t, tncs, nil, balanced, "open/main.n")
	within(t, "metalwork to true earth", volts(t, w, box), 20, 120)
}

// Lost neutral on a three-phase position as Millman's theorem: the star point of
// the loads stands at ΣE·Y/ΣY against the supply's. TN-S, so that the neutral is
// not earthed here; loads 500, 2,000 and 5,000 W at unity power factor.
func TestLostNeutralAsMillman(t *testing.T) {
	p := [3]float64{500, 2000, 5000}
	spec := site.Spec{Arrangement: site.TNS, Phases: 3, Reference: true}
	w := position(t, spec, nil, []setting{{"load-watt", p[0]}, {"load-l2-watt", p[1]}, {"load-l3-watt", p[2]}, {"load-power-factor", 1},
		{"filter-farad", 1e-14}, {"wiring-m", 1e-3}, {"meter-farad", 1e-12}, {"meter-ohm", 1e9}}, "open/service.n")
	// E are the voltages at the cut-out, taken from the model; Y = P/230².
	var re, im, sum float64
	for i := range 3 {
		e, _ := w.Node("cutout.l"+string(rune('1'+i))+"-supply", 0)
		y := p[i] / (230 * 230)
		re, im, sum = re+e.Re*y, im+e.Im*y, sum+y
	}
	want := math.Hypot(re/sum, im/sum)
	got := volts(t, w, "cutout.n")
	if math.Abs(got-want) > 0.3 {
		t.Errorf("the neutral stands at %.2f V, by Millman's theorem %.2f V", got, want)
	}
	within(t, "the neutral", got, 100, 140)
	r := shows(t, w, "", instrument.Voltmeter, "meter.l1-in", "meter.n-in")
	within(t, "L1 to neutral", r.Shown, 300, 350)
	shows(t, w, "forward", instrument.PhaseSequence, "meter.l1-in", "meter.l2-in", "meter.l3-in")
}

// Below about 100 V the non-contact detector is dark on metal that hurts. Open PEN,
// 2 kW into 12 Ω: 230 × 12/38.45 ≈ 72 V; the person (100 pF, with 20 pF to the
// metal) leaves 72 × 100/120 ≈ 60 V between tip and body, under its 70 V. The
// reference shows it. Floor: damp concrete, 1 kΩ.
func TestDetectorDarkBelowItsThreshold(t *testing.T) {
	w := position(t, tncs, nil, []setting{damp, {"load-watt", 2000}, {"load-power-factor", 1}, {"house-electrode-ohm", 12},
		{"star-electrode-ohm", 1e-3}, {"filter-farad", 1e-12}, {"meter-farad", 1e-10}, {"meter-ohm", 1e9}}, "open/service.n")
	within(t, "metalwork to true earth", volts(t, w, box), 69, 73)
	r := shows(t, w, "dark", instrument.NonContact, box)
	within(t, "tip to body", r.Shown, 57, 62)
	shows(t, w, "dark", instrument.TwoPole, box, site.Body)
	shows(t, w, "lit", instrument.TwoPole, box, site.Reference)
	touch, err := w.Touches()
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range touch {
		if h.Part == box {
			within(t, "current through a person", h.MilliAmps, LetGoMilliAmp, DangerMilliAmp)
		}
	}
}

// Held by the wrong end, or without the capacitance of a hand, the detector is dark
// on live metal. Reversed PEN, 500 W, the person as usual.
func TestDetectorNotCoupled(t *testing.T) {
	w := position(t, tncs, nil, nil, "reversed/service", "not-coupled/detector")
	shows(t, w, "dark", instrument.NonContact, box)
	within(t, "metalwork to true earth", volts(t, w, box), 220, 231)
}

// Lit on dead: a person lifted by something live (200 pF to it, 100 pF to earth)
// lights the detector on earthed metal, and a screw that is joined to nothing and
// lies beside a line (20 pF, against some picofarads to earth) lights it too,
// though it cannot be felt: 230 V through 20 pF are 1.4 µA.
func TestDetectorLitOnDead(t *testing.T) {
	w := position(t, tncs, nil, nil, "lifted/body")
	shows(t, w, "lit", instrument.NonContact, box)
	within(t, "metalwork to true earth", volts(t, w, box), 0, 1)

	s := expand(t, tncs)
	screw := site.Departure{ID: "floating/screw", Changes: []site.Change{
		{Op: site.Part, On: []string{"bond.box"}}, {Op: site.Couple, On: []string{"main.l1", "metalwork.box"}, Farad: 20e-12}}}
	v := site.Usual()
	v[site.BodyMetalFarad] = 2e-12
	w, err := New(Setup{Site: s, Values: &v, Departures: []site.Departure{screw}})
	if err != nil {
		t.Fatal(err)
	}
	shows(t, w, "lit", instrument.NonContact, box)
	shows(t, w, "dark", instrument.TestLamp, box, site.MET)
	touch, err := w.Touches()
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range touch {
		if h.Part == box {
			within(t, "current through a person", h.MilliAmps, 0, 0.005)
		}
	}
}

// A single-pole indication through the body shares the detector's blindness: the
// person on live metal (reversed PEN) sees nothing at the neutral.
func TestOnePoleFollowsTheBody(t *testing.T) {
	w := position(t, tncs, carrier, nil, "reversed/service")
	shows(t, w, "lit", instrument.TwoPole, site.CutoutN, site.Body)
	w = position(t, tncs, carrier, nil, "reversed/service", "follows-metal/body")
	shows(t, w, "dark", instrument.TwoPole, site.CutoutN, site.Body)
}

// A socket tester (50 kΩ, lit from 90 V) sees no weak joint: with 50 Ω in the
// neutral or the earth of the socket and nothing plugged in it shows healthy.
func TestSocketTesterSeesNoWeakJoint(t *testing.T) {
	for _, id := range []string{"failing/socket.n", "failing/socket.e"} {
		w := position(t, tncs, nil, nil, id)
		shows(t, w, "healthy", instrument.SocketTester, "socket.l", "socket.n", "socket.e")
	}
	w := position(t, tncs, nil, nil, "failing/socket.e")
	r := shows(t, w, "", instrument.LoopTester, "socket.l", "socket.e")
	within(t, "the loop tester", r.Shown, 50, 51)
}

// A lost phase is held near the neutral by the loads, 230 V from the other two: the
// phase sequence indicator shows it as missing, and each of its pairs has voltage.
// A motor that turns on two phases would hold the lost one further up; the model
// has none.
func TestPhaseSequenceOfALostPhase(t *testing.T) {
	spec := site.Spec{Arrangement: site.TNS, Phases: 3, Reference: true}
	w := position(t, spec, nil, nil, "open/service.l3")
	r := shows(t, w, "missing", instrument.PhaseSequence, "meter.l1-in", "meter.l2-in", "meter.l3-in")
	within(t, "L1 to L2", r.Seen.Across[0], 390, 400)
	within(t, "L2 to the lost L3", r.Seen.Across[1], 220, 235)
}

// A two-pole detector is misled by a reference that is itself live.
func TestLiveReference(t *testing.T) {
	w := position(t, tncs, carrier, []setting{{"house-electrode-ohm", 500}}, "reversed/service", "joined/reference")
	shows(t, w, "dark", instrument.TwoPole, box, site.Reference)
	within(t, "metalwork to true earth", volts(t, w, box), 220, 231)
}

// Bonding in parallel hides an open supply earth: TN-S, pipes of 1 Ω, star point 1 Ω.
func TestBondingHidesOpenEarth(t *testing.T) {
	spec := site.Spec{Arrangement: site.TNS, Metalwork: []string{"box", "water-pipe"}}
	values := []setting{{"house-electrode-ohm", 1}, {"star-electrode-ohm", 1}}
	w := position(t, spec, nil, values, "open/service.e")
	r := shows(t, w, "", instrument.LoopTester, "meter.l-out", site.MET)
	within(t, "loop impedance", r.Shown, 1.9, 2.5)
	shows(t, w, "healthy", instrument.SocketTester, "socket.l", "socket.n", "socket.e")
	// With a plastic pipe the same break is plain.
	values[0].value = 5000
	w = position(t, spec, nil, values, "open/service.e")
	shows(t, w, "over-range", instrument.LoopTester, "meter.l-out", site.MET)
}

// A blown lamp looks like a dead circuit, and a socket tester is blind to neutral
// and earth exchanged.
func TestBlownLampAndSocketExchange(t *testing.T) {
	w := position(t, tncs, nil, nil, "blown/lamp")
	shows(t, w, "dark", instrument.TestLamp, "cutout.n", "cutout.l-supply")
	w = position(t, tncs, nil, nil, "exchanged/socket.n-e")
	shows(t, w, "healthy", instrument.SocketTester, "socket.l", "socket.n", "socket.e")
}

// An inverter that goes on without the supply keeps the load side live after the
// carrier is out; locked off, it does not.
func TestBackFeed(t *testing.T) {
	spec := site.Spec{Arrangement: site.TNCS, Sources: []site.Source{site.Inverter}}
	w := position(t, spec, []site.ActID{"withdraw-carrier"}, nil, "back-feed/inverter")
	shows(t, w, "lit", instrument.TwoPole, "cutout.l-load", site.CutoutN)
	if len(w.Groups()) != 2 {
		t.Errorf("the island is not on its own: groups %v", w.Groups())
	}
	w = position(t, spec, []site.ActID{"lock-off-inverter", "withdraw-carrier"}, nil, "back-feed/inverter")
	shows(t, w, "dark", instrument.TwoPole, "cutout.l-load", site.CutoutN)
	w = position(t, spec, []site.ActID{"withdraw-carrier"}, nil)
	shows(t, w, "dark", instrument.TwoPole, "cutout.l-load", site.CutoutN)
}

// What the meter registers when conductors or transformers are exchanged.
func TestRegisters(t *testing.T) {
	sum := func(w *World) (p float64) {
		for _, r := range w.Registers() {
			p += r.Watts
		}
		return p
	}
	healthy := sum(position(t, tncs, nil, nil))
	within(t, "healthy", healthy, 480, 520)
	within(t, "in and out exchanged", sum(position(t, tncs, nil, nil, "exchanged/in-out")), -520, -480)
	within(t, "bypassed", sum(position(t, tncs, nil, nil, "bypass/meter")), 200, 300)
	ct := site.Spec{Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated}
	whole := sum(position(t, ct, nil, nil))
	within(t, "three phases", whole, 1550, 1650)
	// One transformer reversed of three with 500, 400 and 700 W.
	within(t, "L1 reversed", sum(position(t, ct, nil, nil, "polarity/ct.l1")), whole-1020, whole-980)
	within(t, "L2 shorted", sum(position(t, ct, nil, nil, "shorted/ct.l2")), whole-410, whole-380)
	within(t, "L3 without its voltage fuse", sum(position(t, ct, nil, nil, "blown/voltage-fuse.l3")), whole-720, whole-680)
}
