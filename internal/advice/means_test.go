package advice

import (
	"slices"
	"strings"
	"testing"

	"meterwright/diagnose"
	"meterwright/instrument"
	"meterwright/method"
	"meterwright/say/en"
	"meterwright/site"
	"meterwright/visit"
)

// TestDoubts: a dangerous departure that fits much better than nothing wrong is named however rare
// it is, and nobody is told beside it that nothing was found.
func TestDoubts(t *testing.T) {
	p, err := newPlace(site.Spec{Arrangement: site.TNCS})
	if err != nil {
		t.Fatal(err)
	}
	s := &session{place: p, after: make([]float64, len(p.order))}
	for i := range p.order {
		if p.order[i].Kind != "" || len(p.order[i].Changes) > 0 {
			s.after[i] = 2 // The readings speak for it.
		}
	}
	x := diagnose.Explanation{Groups: []diagnose.Group{{IDs: [][]string{{}}, Probability: 0.6}}}
	for _, id := range []string{"none/supply", "low/supply", "high/supply", "looped/neighbour", "blown/lamp"} {
		x.Groups = append(x.Groups, diagnose.Group{IDs: [][]string{{id}}, Probability: 0.06})
	}
	x.Groups = append(x.Groups, diagnose.Group{IDs: [][]string{{"open/tail.n"}}, Probability: 0.009, Danger: true}, diagnose.Group{IDs: [][]string{{"reversed/service"}}, Probability: 0, Danger: true})
	var quiet visit.Advised
	s.fits(&quiet, x, gathered{})
	if len(quiet.Fits) != maxFits+1 || !quiet.Fits[0].Healthy() || quiet.Fits[0].Yet != "" {
		t.Errorf("without a doubt: %+v", quiet.Fits)
	}
	var later visit.Advised
	if s.fits(&later, x, gathered{earlier: true}); later.Fits[0].Yet != visit.YetEarlier || later.Quiet() {
		t.Errorf("after an earlier reading that was not as expected: %+v", later.Fits[0])
	}
	x.Doubts = []string{"reversed/service"}
	var out visit.Advised
	s.fits(&out, x, gathered{})
	last := out.Fits[len(out.Fits)-1]
	if len(out.Fits) != maxFits+2 || out.Fits[0].Yet != visit.YetRare || !last.Danger || last.Departures[0][0] != "reversed/service" {
		t.Errorf("with a doubt: %+v", out.Fits)
	}
	// One in a hundred is credible, and named beside whatever is likeliest.
	x.Doubts, x.Groups[6].Probability = nil, 0.01
	var credible visit.Advised
	s.fits(&credible, x, gathered{})
	if last = credible.Fits[len(credible.Fits)-1]; last.Departures[0][0] != "open/tail.n" || credible.Quiet() {
		t.Errorf("with a credible danger: %+v", credible.Fits)
	}
	// Where no reading speaks for it, it is not mentioned.
	clear(s.after)
	var silent visit.Advised
	if s.fits(&silent, x, gathered{}); len(silent.Fits) != 1 || !silent.Quiet() {
		t.Errorf("what no reading speaks for: %+v", silent.Fits)
	}
}

// touchable is what a bare hand meets on a service position as it stands, from TRADE's list of parts: metalwork,
// the earthing terminal, the earth contact of a socket; and the terminals once their cover, the carrier or the
// meter is off [P].
func touchable(p string, switches map[string]string) bool {
	part, _, _ := strings.Cut(p, ".")
	switch part {
	case "metalwork", "earthing":
		return true
	case "meter":
		return switches["cover"] == "off" || switches["meter"] == "out" || switches["tails"] == "out"
	case "cutout":
		return switches["carrier"] == "out" && !(strings.HasSuffix(p, "-supply") && switches["contact"] == "shrouded")
	}
	return p == "socket.e"
}

// TestWhatIsRealIsNotReadAgain: whatever the model makes of it, a reading that raised a stop of the method, or
// that puts 50 V or more on what can be touched, is nowhere asked for again, and that nothing is wrong is not
// the first that is said after it. What else is not as expected, and nothing explains, is asked for again. The
// model here has nothing but "nothing wrong" to say of anything.
func TestWhatIsRealIsNotReadAgain(t *testing.T) {
	calm := diagnose.Explanation{Groups: []diagnose.Group{{IDs: [][]string{{}}, Probability: 0.999}, {IDs: [][]string{{"blown/lamp"}}, Probability: 0.001}}}
	words, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	stopped, touched, again := 0, 0, 0
	for id, spec := range map[string]site.Spec{shipped: {Arrangement: site.TT, Reference: true, Metalwork: []string{"box", "water"}}, "gb-three-phase-exchange": {Arrangement: site.TNCS, Phases: 3}} {
		m := machine(t, id, spec)
		p, err := newPlace(m.Method.Claims)
		if err != nil {
			t.Fatal(err)
		}
		speaker := words.Of(m.Method)
		for d := drive(t, m); d.v.Outcome() == visit.NotEnded && d.v.Next().Step != ""; {
			st, _ := m.Method.Step(d.v.Position())
			if st.Observe != nil {
				for _, shown := range everyIndication(t, instrument.Kind(st.Observe.With), st.Observe.Bounds) {
					one := &driver{t: t, v: visit.Fold(m, d.log), n: d.n, mono: d.mono, wall: d.wall}
					before := len(one.v.Account().Stops)
					if !one.do(visit.Observed{Step: st.ID, Shows: shown}) {
						t.Fatalf("%s: %s is not taken", st.ID, shown)
					}
					r := one.v.Account().Readings[len(one.v.Account().Readings)-1]
					if r.Judged.Found != visit.FoundUnexpected && r.Judged.Found != visit.FoundRemarked {
						continue
					}
					s := &session{place: p, after: make([]float64, len(p.order)), refused: map[string]bool{}}
					g := observations(one.v, p.site)
					s.seen = g.list
					var out visit.Advised
					s.fits(&out, calm, g)
					if err := s.repeat(&out, m.Method); err != nil {
						t.Fatal(err)
					}
					raised := len(one.v.Account().Stops) > before
					value, unit, isValue := shown.Reading()
					volts := isValue && unit == "V" && value.Float() >= 50 || shown.Shows() == instrument.Lit
					real := raised || volts && (touchable(r.Point, r.Switches) || touchable(r.Against, r.Switches))
					asked := slices.Contains(out.Repeat, r.Event)
					switch {
					case real && asked:
						t.Errorf("%s: %s is to be read again", st.ID, shown)
					case real && strings.HasPrefix(speaker.Meaning(&out.Fits[0]), "nothing"):
						t.Errorf("%s: after %s nothing wrong is said first", st.ID, shown)
					case !real && !asked && st.Observe.With != string(instrument.RCDTester) && shown.Shows() == instrument.Value:
						t.Errorf("%s: %s fits nothing, and is not asked for again", st.ID, shown)
					}
					if raised {
						stopped++
					} else if real {
						touched++
					}
					if asked {
						again++
					}
				}
			}
			d.must(expected(d.v, st))
		}
	}
	t.Logf("%d readings raised a stop, %d put a voltage on what can be touched, %d are to be repeated", stopped, touched, again)
	if stopped < 100 || again == 0 {
		t.Error("not everything was tried")
	}
}

// everyIndication is every class that an instrument shows, and numbers from nothing to beyond any limit.
func everyIndication(t *testing.T, kind instrument.Kind, b *method.Bounds) []instrument.Indication {
	t.Helper()
	model, _ := instrument.Lookup(kind)
	var list []instrument.Indication
	for _, c := range model.Shows {
		if c != instrument.Value {
			list = append(list, instrument.Show(c))
		}
	}
	if b != nil {
		for _, n := range []string{"0.00", "0.35", "1.90", "12.0", "49.9", "50.0", "63.0", "180.0", "230.0", "257.0", "398.0"} {
			list = append(list, shows(t, n+" "+b.Unit))
		}
	}
	return list
}

// TestWhatIsExplainedIsNotReadAgain: a socket without voltage is read again where a blown lamp is likeliest, which
// changes no voltmeter, and not where the supply has failed or its line has a joint of 1 Ω, which shows under load
// alone: by Ohm's law 500 W take 2 V there and 7 kW 30 V, and the band ends 14 V below 230 V.
func TestWhatIsExplainedIsNotReadAgain(t *testing.T) {
	m := machine(t, shipped, site.Spec{Arrangement: site.TNCS})
	p, err := newPlace(m.Method.Claims)
	if err != nil {
		t.Fatal(err)
	}
	st, _ := m.Method.Step("socket-line-neutral")
	if st == nil {
		t.Fatal("no step reads the voltage at the socket")
	}
	for _, c := range []struct {
		shows, departure, probability string
		again                         bool
	}{
		{"0.00 V", "blown/lamp", "0.9", true},
		{"0.00 V", "none/supply", "0.9", false},
		{"0.00 V", "none/supply", "0.1", false},
		{"0.00 V", "none/supply", "0.09", true},
		{"200.0 V", "weak/service.l", "0.5", false},
	} {
		points, _ := pointsOf(p.site, instrument.Voltmeter, st.Observe.At, st.Observe.Against)
		s := &session{place: p, seen: []seen{{event: "e", step: st.ID, odd: true, Observation: diagnose.Observation{Kind: instrument.Voltmeter, Points: points, Shows: shows(t, c.shows)}}}}
		out := visit.Advised{Fits: []visit.Meaning{{Departures: []visit.Explanation{{c.departure}}, Probability: c.probability}, {Departures: []visit.Explanation{{}}, Probability: "0.1"}}}
		if err := s.repeat(&out, m.Method); err != nil {
			t.Fatal(err)
		}
		if (len(out.Repeat) > 0) != c.again {
			t.Errorf("%s with %s at %s: repeat %v", c.shows, c.departure, c.probability, out.Repeat)
		}
	}
}
