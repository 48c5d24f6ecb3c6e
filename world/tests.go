package world

import (
	"meterwright/instrument"
	"meterwright/site"
)

// Test is one reading that a visit could make.
type Test struct {
	Kind   instrument.Kind
	Points []site.PointID
}

// Tests returns the readings that matter at a position, in the order of a visit:
// the socket, the metalwork, the meter, the cut-out, then loops, currents,
// sequence and joints.
func Tests(s *site.Site) []Test {
	t := &tests{site: s, lines: s.Lines()}
	if s.Spec.Reference {
		t.away = []site.PointID{site.Reference}
	}
	t.socket()
	t.metal()
	t.meter()
	t.cutout()
	t.driven()
	return t.list
}

type tests struct {
	site  *site.Site
	lines []string
	away  []site.PointID // an independent reference, where there is one
	list  []Test
}

func (t *tests) add(k instrument.Kind, points ...site.PointID) {
	t.list = append(t.list, Test{k, points})
}

func point(part, place string) site.PointID { return site.PointID(part + "." + place) }

func (t *tests) socket() {
	if t.site.Spec.NoSocket {
		return
	}
	l, n, e := point("socket", "l"), point("socket", "n"), point("socket", "e")
	t.add(instrument.SocketTester, l, n, e)
	t.add(instrument.Voltmeter, l, n)
	t.add(instrument.Voltmeter, l, e)
	t.add(instrument.Voltmeter, n, e)
	for _, r := range t.away {
		t.add(instrument.Voltmeter, e, r)
	}
	if t.site.Spec.Phases == 1 {
		t.add(instrument.Voltmeter, l, t.meterLine(0))
	}
}

// meterLine is where the supply voltage of a line is tested at the meter.
func (t *tests) meterLine(i int) site.PointID {
	if t.site.Spec.Metering == site.CTOperated {
		return point("testblock", t.lines[i]+"-v")
	}
	return point("meter", t.lines[i]+"-in")
}

func (t *tests) metal() {
	for _, m := range t.site.Spec.Metalwork {
		p := point("metalwork", m)
		t.add(instrument.NonContact, p)
		t.add(instrument.TwoPole, p, site.Body)
		t.add(instrument.Voltmeter, p, site.MET)
		for _, r := range t.away {
			t.add(instrument.TwoPole, p, r)
			t.add(instrument.Voltmeter, p, r)
		}
	}
	for _, r := range t.away {
		t.add(instrument.Voltmeter, site.MET, r)
	}
}

// both tests one pair with the detector and the voltmeter.
func (t *tests) both(a, b site.PointID) {
	t.add(instrument.TwoPole, a, b)
	t.add(instrument.Voltmeter, a, b)
}

func (t *tests) meter() {
	terminals, _ := t.site.Match("meter.*")
	for _, p := range terminals {
		t.both(p, site.MET)
		t.add(instrument.TwoPole, p, site.Body)
		t.add(instrument.NonContact, p)
		for _, r := range t.away {
			t.both(p, r)
		}
	}
	for i := range t.lines {
		t.both(t.meterLine(i), point("meter", "n-in"))
		if t.site.Spec.Metering == site.WholeCurrent {
			t.both(point("meter", t.lines[i]+"-out"), point("meter", "n-out"))
		} else {
			t.both(t.meterLine(i), site.MET)
		}
	}
	for i := range t.lines {
		j := (i + 1) % len(t.lines)
		if j == i {
			break
		}
		t.add(instrument.Voltmeter, t.meterLine(i), t.meterLine(j))
		if t.site.Spec.Metering == site.CTOperated {
			t.add(instrument.Voltmeter, point("cutout", t.lines[i]+"-supply"), t.meterLine(i))
			t.add(instrument.Voltmeter, point("testblock", t.lines[i]+"-s1"), point("testblock", t.lines[i]+"-s2"))
		}
	}
}

func (t *tests) cutout() {
	n := site.CutoutN
	t.both(n, site.MET)
	t.add(instrument.TestLamp, site.MET, n)
	for _, r := range t.away {
		t.both(n, r)
	}
	for _, l := range t.lines {
		supply, load := point("cutout", l+"-supply"), point("cutout", l+"-load")
		for _, p := range []site.PointID{supply, load} {
			t.both(p, site.MET)
			t.both(p, n)
			t.add(instrument.TwoPole, p, site.Body)
			for _, r := range t.away {
				t.both(p, r)
			}
		}
		t.add(instrument.TestLamp, site.MET, supply)
		t.add(instrument.TestLamp, n, supply)
		t.add(instrument.TestLamp, n, load)
	}
}

// driven holds the tests that drive a current, and currents.
func (t *tests) driven() {
	s := t.site
	for i, l := range t.lines {
		out, neutral := t.meterLine(i), point("meter", "n-in")
		if s.Spec.Metering == site.WholeCurrent {
			out, neutral = point("meter", l+"-out"), point("meter", "n-out")
		}
		t.add(instrument.LoopTester, out, site.MET)
		t.add(instrument.LoopTester, out, neutral)
		t.add(instrument.LoopTester, point("cutout", l+"-supply"), site.MET)
		t.add(instrument.LoopTester, point("cutout", l+"-supply"), site.CutoutN)
		t.add(instrument.Clamp, point("cutout", l+"-load"))
		t.add(instrument.Clamp, point("meter", l+"-in"))
		t.add(instrument.Clamp, point("meter", l+"-out"))
	}
	t.add(instrument.Clamp, site.CutoutN)
	t.add(instrument.Clamp, point("meter", "n-in"))
	t.add(instrument.Clamp, site.MET)
	if len(t.lines) == 3 {
		t.add(instrument.PhaseSequence, t.meterLine(0), t.meterLine(1), t.meterLine(2))
		u := s.Spec.Units[0]
		t.add(instrument.PhaseSequence, point("unit", u+"-l1"), point("unit", u+"-l2"), point("unit", u+"-l3"))
	}
	if !s.Spec.NoSocket {
		t.add(instrument.LoopTester, point("socket", "l"), point("socket", "e"))
		t.add(instrument.LoopTester, point("socket", "l"), point("socket", "n"))
		if s.Spec.Arrangement == site.TT {
			t.add(instrument.RCDTester, point("socket", "l"), point("socket", "e"))
		}
	}
	if s.Spec.Metering == site.WholeCurrent {
		for _, c := range append(s.Lines(), "n") {
			from := point("cutout", c+"-load")
			if c == "n" {
				from = site.CutoutN
			}
			t.add(instrument.Continuity, from, point("meter", c+"-in"))
			t.add(instrument.Continuity, point("meter", c+"-out"), point("unit", s.Spec.Units[0]+"-"+c))
		}
		for _, l := range s.Lines() {
			t.add(instrument.Continuity, point("meter", l+"-in"), point("meter", "n-in"))
		}
		if s.Spec.Switched {
			t.add(instrument.Continuity, point("meter", "sw-out"), point("meter", "n-out"))
		}
	}
	for _, m := range s.Spec.Metalwork {
		t.add(instrument.Continuity, site.MET, point("metalwork", m))
	}
	if s.Spec.Reference {
		t.add(instrument.Continuity, site.MET, site.Reference)
	}
}

// States returns the states of the switches that a visit goes through, each with
// its name: as found, with every load off, with the supply parted, and with the
// meter off. Where the consumer has a source there is one more, that no visit should
// go through: the supply parted with nothing switched or locked off.
func States(s *site.Site) []State {
	var list []State
	w := site.Switching{}
	step := func(name string, acts ...site.ActID) {
		for _, a := range acts {
			next, err := s.Do(w, a)
			if err == nil {
				w = next
			}
		}
		list = append(list, State{name, w})
	}
	step("found", "break-seals", "take-cover-off")
	var off []site.ActID
	for _, u := range s.Spec.Units {
		off = append(off, site.ActID("switch-off-"+u))
	}
	for _, src := range s.Spec.Sources {
		off = append(off, site.ActID("lock-off-"+string(src)))
	}
	step("off", off...)
	if s.Spec.Metering == site.CTOperated {
		step("shorted", "short-secondaries", "take-voltage-fuses-out")
		step("meter-off", "take-meter-off")
		return list
	}
	step("parted", "withdraw-carrier")
	step("meter-off", "take-tails-out", "take-meter-off")
	if len(s.Spec.Sources) > 0 {
		w = list[0].Switching
		step("not-locked", "withdraw-carrier")
	}
	return list
}

// State is a named state of the switches.
type State struct {
	Name      string
	Switching site.Switching
}
