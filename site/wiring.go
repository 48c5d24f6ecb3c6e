package site

import (
	"fmt"
	"strings"
)

// Nodes of the model that are no test points.
const (
	starPoint   = "transformer.n"
	mainN       = "main.n"
	mainE       = "main.e"
	floorNode   = "floor.under"
	trueEarth   = "earth"
	perMetre    = 1e-3 // kilometres in a metre
	reactPerKm  = 0.08 // Ω/km of a cable core at 50 Hz [M] IEC 60228 gives no reactance; makers' tables do
	unsyncGroup = 1
	// usualNodes is room for the tables of most positions.
	usualNodes = 64
)

// joint is a conductor or a contact between two nodes, by a name that
// departures use. Its ends are a, towards the supply, and b.
type joint struct {
	name string
	a, b string
	r, x amount
	open bool
}

type coupling struct {
	name, a, b string
	c          amount
}

// feed is a source of voltage behind an impedance of up to two parts.
type feed struct {
	name, plus, minus string
	volt              amount
	phase             int
	r, r2, x          amount
	group             int
}

type injection struct {
	name, from, to string
	watt           amount
	phase          int
}

type transformer struct {
	name, primary, from, to string
	ratio                   float64
}

// wiring is a site in one state before it is written as rows.
type wiring struct {
	site  *Site
	state Switching

	nodes      []string
	known      map[string]bool
	joints     []joint
	byName     map[string]int
	couplings  []coupling
	feeds      []feed
	injections []injection
	ct         []transformer
	flags      map[string]bool   // of departures, asked for by name only
	sits       map[string]string // of exchanged ends, the one that sits in the place of each
}

func (w *wiring) node(n string) string {
	if n != trueEarth && !w.known[n] {
		w.known[n] = true
		w.nodes = append(w.nodes, n)
	}
	return n
}

func (w *wiring) join(name, a, b string, r, x amount) {
	w.byName[name] = len(w.joints)
	w.joints = append(w.joints, joint{name: name, a: w.node(a), b: w.node(b), r: r, x: x})
}

// contact is a joint that a switch opens.
func (w *wiring) contact(name, a, b string, open bool) {
	w.join(name, a, b, of(jointOhm), fixed(0))
	w.joints[len(w.joints)-1].open = open
}

func (w *wiring) tail(name, a, b string, open bool) {
	w.join(name, a, b, of(tailOhm), fixed(0))
	w.joints[len(w.joints)-1].open = open
}

func (w *wiring) couple(name, a, b string, c amount) {
	w.couplings = append(w.couplings, coupling{name, w.node(a), w.node(b), c})
}

// wire writes a healthy site in a state.
func (s *Site) wire(state Switching) *wiring {
	w := &wiring{site: s, state: state, known: make(map[string]bool, usualNodes), byName: make(map[string]int, usualNodes),
		nodes: make([]string, 0, usualNodes), joints: make([]joint, 0, usualNodes), couplings: make([]coupling, 0, usualNodes), flags: map[string]bool{}, sits: map[string]string{}}
	w.network()
	w.service()
	if s.Spec.Metering == CTOperated {
		w.transformerMeter()
	} else {
		w.wholeCurrentMeter()
	}
	w.installation()
	w.earthing()
	w.person()
	return w
}

// mainLine returns the node of the main for a line of the position.
func (w *wiring) mainLine(line int) string { return fmt.Sprintf("main.l%d", line+1) }

// network is the transformer and the main with the neighbours on all three
// phases, which a single-phase position shares too.
func (w *wiring) network() {
	w.node(starPoint)
	w.join("star.electrode", starPoint, trueEarth, of(starElectrodeOhm), fixed(0))
	for i := range 3 {
		w.feeds = append(w.feeds, feed{
			name: fmt.Sprintf("main.l%d", i+1), plus: w.node(w.mainLine(i)), minus: starPoint,
			volt: of(SupplyVolt), phase: i + 1,
			r: of(transformerOhm), r2: product(perMetre, mainOhmPerKm, MainM), x: times(reactPerKm*perMetre, MainM),
		})
	}
	w.join("main.n", starPoint, mainN, product(perMetre, mainOhmPerKm, MainM), times(reactPerKm*perMetre, MainM))
	if w.site.Spec.Arrangement == TNS {
		w.join("main.e", starPoint, mainE, product(perMetre, mainOhmPerKm, MainM), times(reactPerKm*perMetre, MainM))
	}
	for i := range 3 {
		p := neighbours1Watt + ParamID(i)
		w.join(fmt.Sprintf("neighbours.l%d", i+1), w.mainLine(i), mainN, load(loadR, 1, p), load(loadX, 1, p))
	}
}

func (w *wiring) service() {
	core := func(name, a, b string) {
		w.join(name, a, b, product(perMetre, serviceOhmPerKm, ServiceM), times(reactPerKm*perMetre, ServiceM))
	}
	for i, l := range w.site.Lines() {
		core("service."+l, w.mainLine(i), "cutout."+l+"-supply")
		w.contact("fuse."+l, "cutout."+l+"-supply", "cutout."+l+"-load", w.site.away(w.state, Carrier))
	}
	core("service.n", mainN, "cutout.n")
	switch w.site.Spec.Arrangement {
	case TNS:
		core("service.e", mainE, "cutout.e")
	case TNCS:
		w.contact("pen-link", "cutout.n", "cutout.e", false)
	}
}

func (w *wiring) wholeCurrentMeter() {
	s := w.site
	out, gone := s.away(w.state, TailsIn), s.away(w.state, MeterFit)
	pole := func(c, from string) {
		w.tail("tail-in."+c, from, "meter."+c+"-in", out)
		w.contact("meter."+c, "meter."+c+"-in", "meter."+c+"-out", gone)
	}
	for _, l := range s.Lines() {
		pole(l, "cutout."+l+"-load")
	}
	pole("n", "cutout.n")
	for _, l := range s.Lines() {
		w.join("meter-voltage."+l, "meter."+l+"-in", "meter.n-in", of(meterOhm), fixed(0))
		w.joints[len(w.joints)-1].open = gone
		if !gone {
			w.couple("meter-voltage."+l, "meter."+l+"-in", "meter.n-in", of(meterFarad))
		}
	}
	if s.Spec.Switched {
		// The switched load has a pole of the last main switch, and its neutral.
		u := s.Spec.Units[len(s.Spec.Units)-1]
		unit, board := "unit."+u+"-sw", "board."+u+"-sw"
		w.contact("contactor", "meter.l-out", "meter.sw-out", true)
		w.tail("tail-out."+u+".sw", "meter.sw-out", unit, out)
		w.contact("main."+u+".sw", unit, board, s.away(w.state, MainSwitch(u)))
		w.join("switched-load", board, "board."+u+"-n", load(loadR, 1, switchedWatt), fixed(0))
	}
}

// transformerMeter is a meter fed by current transformers and voltage fuses.
// One end of each secondary is earthed.
func (w *wiring) transformerMeter() {
	s := w.site
	gone, shorted, fuses := s.away(w.state, MeterFit), s.away(w.state, Shorting), s.away(w.state, VFuses)
	w.contact("voltage-neutral", "cutout.n", "testblock.n", false)
	w.contact("meter-neutral", "testblock.n", "meter.n-in", false)
	w.contact("meter.n", "meter.n-in", "meter.n-out", gone)
	for _, l := range s.Lines() {
		s1, s2, secondary := "testblock."+l+"-s1", "testblock."+l+"-s2", "ct."+l+"-s1"
		w.join("ct."+l, "cutout."+l+"-load", "ct."+l+"-out", of(tailOhm), fixed(0))
		w.join("ct-magnetising."+l, secondary, s2, fixed(1), of(magnetisingOhm))
		w.contact("ct-lead."+l, secondary, s1, false)
		w.contact("ct-short."+l, s1, s2, !shorted)
		w.contact("ct-earth."+l, s2, string(MET), false)
		w.contact("meter-in."+l, s1, "meter."+l+"-in", false)
		w.join("burden."+l, "meter."+l+"-in", "meter."+l+"-out", of(burdenOhm), fixed(0))
		w.joints[len(w.joints)-1].open = gone
		w.contact("meter-out."+l, "meter."+l+"-out", s2, false)
		w.ct = append(w.ct, transformer{"ct." + l, "ct." + l, s2, secondary, parameters[TransformerRatio].Usual})
		w.contact("voltage-fuse."+l, "cutout."+l+"-load", "testblock."+l+"-v", fuses)
		w.contact("meter-v."+l, "testblock."+l+"-v", "meter."+l+"-v", false)
		w.join("meter-voltage."+l, "meter."+l+"-v", "meter.n-in", of(meterOhm), fixed(0))
		w.joints[len(w.joints)-1].open = gone
	}
}

// installation is everything from the meter's load side on: each consumer unit
// with its main switch, its load, and its wiring's capacitance to earth.
func (w *wiring) installation() {
	s := w.site
	out := s.away(w.state, TailsIn) && s.Spec.Metering == WholeCurrent
	from := func(c string) string {
		switch {
		case s.Spec.Metering == WholeCurrent:
			return "meter." + c + "-out"
		case c == "n":
			return "cutout.n"
		}
		return "ct." + c + "-out"
	}
	poles := append(s.Lines(), "n")
	if s.Spec.Isolator {
		for _, c := range poles {
			w.tail("isolator."+c, from(c), "isolator."+c+"-load", out)
		}
	}
	for k, u := range s.Spec.Units {
		off := s.away(w.state, MainSwitch(u))
		for _, c := range poles {
			unit, board := "unit."+u+"-"+c, "board."+u+"-"+c
			if s.Spec.Isolator {
				w.tail("tail-out."+u+"."+c, "isolator."+c+"-load", unit, false)
			} else {
				w.tail("tail-out."+u+"."+c, from(c), unit, out)
			}
			w.contact("main."+u+"."+c, unit, board, off)
		}
		e := "board." + u + "-e"
		w.contact("unit-earth."+u, string(MET), e, false)
		for i, l := range s.Lines() {
			p, share := Load1Watt+ParamID(i), 1/float64(len(s.Spec.Units))
			w.join("load."+u+"."+l, "board."+u+"-"+l, "board."+u+"-n", load(loadR, share, p), load(loadX, share, p))
		}
		for _, c := range poles {
			w.couple("wiring."+u+"."+c, "board."+u+"-"+c, e, product(1, wiringM, wiringFaradPerM))
			w.couple("filter."+u+"."+c, "board."+u+"-"+c, e, of(filterFarad))
		}
		if k == 0 && !s.Spec.NoSocket {
			w.socket(u)
		}
	}
	for _, src := range s.Spec.Sources {
		w.sourceInStep(src)
	}
}

func (w *wiring) socket(u string) {
	lines := w.site.Lines()
	w.join("socket.l", "board."+u+"-"+lines[0], "socket.l", times(20, tailOhm), fixed(0))
	w.join("socket.n", "board."+u+"-n", "socket.n", times(20, tailOhm), fixed(0))
	w.join("socket.e", "board."+u+"-e", "socket.e", times(30, tailOhm), fixed(0))
}

// sourceInStep is an inverter, a battery or a vehicle, which runs in step with
// the supply and stops without it. A generator and a second supply are behind a
// change-over switch and give nothing.
func (w *wiring) sourceInStep(src Source) {
	if src == Generator || src == SecondSupply || w.site.away(w.state, sourceSwitch(src)) {
		return
	}
	u := w.site.Spec.Units[0]
	l := w.site.Lines()[0]
	w.injections = append(w.injections, injection{
		name: "source." + string(src), from: "board." + u + "-n", to: "board." + u + "-" + l,
		watt: of(inverterWatt), phase: 1,
	})
}

func (w *wiring) earthing() {
	s := w.site
	met := string(MET)
	if s.Spec.Arrangement == TT {
		w.join("electrode", met, trueEarth, of(RodOhm), fixed(0))
	} else {
		w.contact("earthing-conductor", "cutout.e", met, false)
	}
	toEarth := met
	for _, m := range s.Spec.Metalwork {
		node := "metalwork." + m
		w.contact("bond."+m, met, node, false)
		if strings.Contains(m, "pipe") && toEarth == met {
			toEarth = node
		}
	}
	if s.Spec.Arrangement != TT || toEarth != met {
		w.join("house.electrode", toEarth, trueEarth, of(houseElectrodeOhm), fixed(0))
	}
	if w.node(string(Reference)); s.Spec.Reference {
		w.join("spike", string(Reference), trueEarth, of(spikeOhm), fixed(0))
	}
}

func (w *wiring) person() {
	w.join("body.leak", string(Body), trueEarth, of(bodyOhm), fixed(0))
	w.couple("body", string(Body), trueEarth, of(bodyFarad))
	w.couple("body.near", string(Body), "metalwork."+w.site.Spec.Metalwork[0], of(BodyMetalFarad))
	w.join("floor", floorNode, trueEarth, of(floorOhm), fixed(0))
}

// joined reports whether closed conductors lead from one node to another.
func (w *wiring) joined(a, b string) bool {
	reached := map[string]bool{a: true}
	for more := true; more; {
		more = false
		for i := range w.joints {
			j := &w.joints[i]
			if j.open || j.a == trueEarth || j.b == trueEarth || j.r.form != plain || strings.HasPrefix(j.name, "meter-voltage") {
				continue
			}
			if reached[j.a] != reached[j.b] {
				reached[j.a], reached[j.b], more = true, true, true
			}
		}
	}
	return reached[b]
}

// supplied reports whether the supply reaches a board's first line and neutral.
func (w *wiring) supplied(u string) bool {
	for i := range w.feeds {
		if f := &w.feeds[i]; f.group == 0 && w.joined(f.plus, "board."+u+"-"+w.site.Lines()[0]) && w.joined(f.minus, "board."+u+"-n") {
			return true
		}
	}
	return false
}
