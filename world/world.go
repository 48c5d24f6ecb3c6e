// Package world says what every instrument would show and what a hand would meet at a position.
//
// A Setup is a site with departures, the state of its switches, and the things
// that are on it at once; New solves it. The results are r.m.s. phasors in volts
// to true earth, the indication of any instrument at any points, and for each
// part its voltage and the current through a person who touches it.
package world

import (
	"errors"
	"fmt"
	"math"

	"meterwright/circuit"
	"meterwright/instrument"
	"meterwright/site"
)

// On is an instrument on its points.
type On struct {
	Instrument instrument.Instrument
	Points     []site.PointID
}

// Setup is what is to be solved.
type Setup struct {
	Site       *site.Site
	Values     *site.Values // the usual ones where nil
	Switching  site.Switching
	Departures []site.Departure
	// Attached lists instruments that stay on their points together while others
	// are read.
	Attached []On
}

// World is a solved setup. One goroutine at a time may use it.
type World struct {
	// Circuit holds the rows as they were solved, with everything attached.
	Circuit circuit.Circuit

	setup Setup
	model *site.Model
	plan  *circuit.Plan
	ws    *circuit.Workspace
	at    []int                   // position of each port
	jaws  map[site.PointID][]grip // what a clamp meter at a point closes round

	// Room for one reading.
	list  []circuit.Attachment
	pair  [1]circuit.Pair
	out   []circuit.Phasor
	now   instrument.Instrument // what curve is about
	curve circuit.Curve
}

// grip is one conductor in the jaw of a clamp meter: a row of the impedances, whose
// current counts once forwards or backwards.
type grip struct {
	row   int
	count float64
}

// New compiles and solves a setup.
func New(setup Setup) (*World, error) {
	if setup.Site == nil {
		return nil, errors.New("world: there is no site: expand one first")
	}
	if setup.Values == nil {
		v := site.Usual()
		setup.Values = &v
	}
	m, err := setup.Site.Compile(setup.Values, setup.Switching, setup.Departures...)
	if err != nil {
		return nil, fmt.Errorf("world: %w", err)
	}
	w := &World{Circuit: m.Circuit, setup: setup, model: m}
	w.curve = func(volt float64) circuit.Phasor { return w.now.Admittance(volt) }
	if err := w.solve(); err != nil {
		return nil, err
	}
	if len(setup.Attached) == 0 {
		return w, nil
	}
	if err := w.attach(setup.Attached); err != nil {
		return nil, err
	}
	return w, w.solve()
}

func (w *World) solve() error {
	p, err := circuit.Compile(w.Circuit, w.model.Ports)
	if err != nil {
		return fmt.Errorf("world: %w", err)
	}
	w.plan, w.ws = p, p.NewWorkspace()
	w.out = make([]circuit.Phasor, p.GroupCount())
	w.at = make([]int, len(w.model.Ports))
	for i, name := range w.model.Ports {
		w.at[i], _ = p.Node(name)
	}
	if err := w.ws.Solve(); err != nil {
		return fmt.Errorf("world: %w", err)
	}
	return nil
}

// Redraw gives the setup other values and solves again without compiling. It is
// for setups with nothing attached and allocates nothing.
func (w *World) Redraw(v *site.Values) error {
	if len(w.setup.Attached) > 0 {
		return errors.New("world: redraw with instruments attached: make a new world")
	}
	w.setup.Values = v
	if err := w.model.Apply(w.ws, v); err != nil {
		return fmt.Errorf("world: %w", err)
	}
	return w.ws.Solve()
}

// leastSiemens is the least conductance that is worth a row.
const leastSiemens = 1e-15

// Follows reports, for every parameter, whether the circuit follows from it.
func (w *World) Follows() [site.ParameterCount]bool { return w.model.Follows() }

// attach writes what is attached as rows. A lamp gets the conductance that it
// has when everything is on.
func (w *World) attach(on []On) error {
	var list []circuit.Attachment
	for _, o := range on {
		if !o.Instrument.Kind.Passive() {
			return fmt.Errorf("world: a %s drives a current of its own while it is read: it cannot stay on", o.Instrument.Kind)
		}
		ports, onePole, err := w.ports(o.Instrument.Kind, o.Points)
		if err != nil {
			return err
		}
		o.Instrument.OnePole = onePole
		loads, _ := o.Instrument.Load(ports[:max(2, o.Instrument.Kind.Poles())]...)
		list = append(list, loads...)
	}
	d, err := w.ws.Attach(list)
	if err != nil {
		return fmt.Errorf("world: %w", err)
	}
	for i, a := range list {
		y := a.Y
		if a.Curve != nil {
			y = a.Curve(w.across(d, i))
		}
		name, from, to := fmt.Sprintf("attached.%d", i+1), w.model.Ports[a.A], w.model.Ports[a.B]
		if y.Re > leastSiemens {
			w.Circuit.Impedances = append(w.Circuit.Impedances, circuit.Impedance{Name: name, A: from, B: to, ROhm: 1 / y.Re})
		}
		if y.Im > 0 {
			w.Circuit.Capacitors = append(w.Circuit.Capacitors, circuit.Capacitor{Name: name, A: from, B: to, CFarad: y.Im / (2 * math.Pi * site.FHz)})
		}
	}
	return nil
}

// across is the r.m.s. voltage across an attachment, over all groups.
func (w *World) across(d circuit.Attached, i int) float64 {
	sum := 0.0
	for g := range w.plan.GroupCount() {
		v := d.Across(i, g)
		sum += float64(v.Re*v.Re) + float64(v.Im*v.Im)
	}
	return math.Sqrt(sum)
}

// ports resolves the points of a reading. Kinds with one point, and a two-pole
// detector on one point, take the body as the other.
func (w *World) ports(k instrument.Kind, points []site.PointID) (ports [3]int, onePole bool, err error) {
	want := k.Poles()
	switch n := len(points); {
	case k.OnePole() && n == 1:
		onePole = true
	case n == 2 && points[1] == site.Body:
		onePole = true
	case n != want || instrument.Index(k) < 0:
		return ports, false, wrongNumber(k, want, n)
	}
	for i, p := range points {
		n, ok := w.setup.Site.Index(p)
		if !ok {
			return ports, false, w.noPoint(p)
		}
		ports[i] = n
		for _, q := range ports[:i] {
			if q == n {
				return ports, false, fmt.Errorf("world: %s is named twice: name different points", p)
			}
		}
	}
	if onePole && len(points) == 1 {
		ports[1], _ = w.setup.Site.Index(site.Body)
		if ports[0] == ports[1] {
			return ports, false, fmt.Errorf("world: %s is named twice: name different points", site.Body)
		}
	}
	return ports, onePole, nil
}

func wrongNumber(k instrument.Kind, want, got int) error {
	m, ok := instrument.Lookup(k)
	if !ok {
		return fmt.Errorf("world: %q is no kind of instrument: write one of %s", k, kinds())
	}
	if m.OnePole && got == 1 {
		want = 2
	}
	return fmt.Errorf("world: a %s is put on %d points, not on %d", m.Words, want, got)
}

func (w *World) noPoint(p site.PointID) error {
	_, err := w.setup.Site.Match(string(p))
	if err == nil {
		err = fmt.Errorf("%q is a pattern: name one point", p)
	}
	return fmt.Errorf("world: %w", err)
}

func kinds() string {
	text := ""
	for i, m := range instrument.Models() {
		if i > 0 {
			text += ", "
		}
		text += string(m.Kind)
	}
	return text
}

// Site returns the position that was solved.
func (w *World) Site() *site.Site { return w.setup.Site }

// Instrument returns the instrument of a kind as the departures of the setup
// leave it.
func (w *World) Instrument(k instrument.Kind) instrument.Instrument {
	in := instrument.New(k, instrument.Sound)
	for _, d := range w.setup.Departures {
		if d.Kind == string(k) {
			in.Condition = instrument.Condition(d.Condition)
		}
	}
	return in
}

// Reading is what an instrument would show.
type Reading struct {
	Points []site.PointID
	// Open is the r.m.s. voltage between the first two points without the
	// instrument, in volts; for a clamp meter it is zero.
	Open float64
	// Shown is the number before rounding: volts at the instrument, ohms for a
	// loop or continuity tester, amperes for a clamp meter or an RCD tester.
	Shown      float64
	Indication instrument.Indication
	// Seen is what the physics put before the instrument.
	Seen instrument.Seen

	onePole bool
}

// Read puts an instrument on points, besides what is attached already.
func (w *World) Read(in instrument.Instrument, points ...site.PointID) (Reading, error) {
	r, err := w.Sense(in, points...)
	if err == nil {
		in.OnePole = r.onePole
		r.Indication, r.Shown = in.Indicate(r.Seen)
	}
	return r, err
}

// Sense is Read without the indication, which only Read writes as a number with
// its digits. It allocates nothing once a clamp meter has been on a point before.
func (w *World) Sense(in instrument.Instrument, points ...site.PointID) (Reading, error) {
	ports, onePole, err := w.ports(in.Kind, points)
	if err != nil {
		return Reading{}, err
	}
	in.OnePole = onePole
	r := Reading{Points: points, onePole: onePole}
	switch r.Seen.RCDStuck = w.model.Has("rcd-stuck"); in.Kind {
	case instrument.Clamp:
		r.Seen.Amp, err = w.clamp(points[0])
	case instrument.SocketTester, instrument.PhaseSequence:
		r.Open = w.between(ports[0], ports[1])
		err = w.three(&in, ports, &r.Seen)
	case instrument.LoopTester, instrument.Continuity, instrument.RCDTester:
		err = w.drive(ports[0], ports[1], &r.Seen)
		r.Open = r.Seen.OpenVolt
	default:
		r.Open = w.between(ports[0], ports[1])
		r.Seen.Across[0], err = w.load(&in, ports[0], ports[1])
	}
	if err != nil {
		return Reading{}, err
	}
	r.Shown = in.Shown(&r.Seen)
	return r, nil
}

// load is the r.m.s. voltage across two ports with an instrument on them.
func (w *World) load(in *instrument.Instrument, a, b int) (float64, error) {
	w.pair[0] = circuit.Pair{A: a, B: b}
	if in.Bends() {
		w.now = *in
		w.pair[0].Curve = w.curve
	} else {
		w.pair[0].Y = in.Admittance(0)
	}
	if _, err := w.ws.LoadPairs(w.pair[:], w.out); err != nil {
		return 0, fmt.Errorf("world: %w", err)
	}
	sum := 0.0
	for _, v := range w.out {
		sum += float64(v.Re*v.Re) + float64(v.Im*v.Im)
	}
	return math.Sqrt(sum), nil
}

// three puts an instrument with three leads on its ports.
func (w *World) three(in *instrument.Instrument, ports [3]int, seen *instrument.Seen) error {
	w.list = in.AppendLoad(w.list[:0], ports)
	d, err := w.ws.Attach(w.list)
	if err != nil {
		return fmt.Errorf("world: %w", err)
	}
	for i := range w.list {
		seen.Across[i] = w.across(d, i)
	}
	most := 0.0
	for g := range w.plan.GroupCount() {
		a, b := d.Across(0, g), d.Across(1, g)
		if size := a.Abs(); in.Kind == instrument.PhaseSequence && size > most {
			most = size
			seen.Turns = float64(a.Im*b.Re) - float64(a.Re*b.Im)
		}
	}
	return nil
}

// drive finds what a test current would meet between two ports.
func (w *World) drive(a, b int, seen *instrument.Seen) error {
	sum := 0.0
	for g := range w.plan.GroupCount() {
		open, z, err := w.ws.Thevenin(a, b, g)
		if err != nil {
			return fmt.Errorf("world: %w", err)
		}
		seen.SourceOhm = z
		sum += float64(open.Re*open.Re) + float64(open.Im*open.Im)
	}
	seen.OpenVolt = math.Sqrt(sum)
	return nil
}

func (w *World) between(a, b int) float64 { return w.ws.RMS(w.at[a], w.at[b]) }

func (w *World) clamp(p site.PointID) (float64, error) {
	held, ok := w.jaws[p]
	if !ok {
		terminals, err := w.setup.Site.Jaw(p)
		if err != nil {
			return 0, fmt.Errorf("world: %w", err)
		}
		for _, n := range terminals {
			if row, reversed, ok := w.model.Conductor(n); ok {
				held = append(held, grip{row, map[bool]float64{false: 1, true: -1}[reversed]})
			}
		}
		if w.jaws == nil {
			w.jaws = map[site.PointID][]grip{}
		}
		w.jaws[p] = held
	}
	sum := 0.0
	for g := range w.plan.GroupCount() {
		var amp circuit.Phasor
		for _, h := range held {
			amp = amp.Plus(w.ws.ImpedanceCurrent(h.row, g).Scaled(h.count))
		}
		sum += float64(amp.Re*amp.Re) + float64(amp.Im*amp.Im)
	}
	return math.Sqrt(sum), nil
}

// Groups returns the numbers of the groups of sources that do not run in step.
func (w *World) Groups() []int { return w.plan.Groups() }

// Node returns the voltage of a node to true earth due to one group, counted
// from 0 in Groups.
func (w *World) Node(name string, group int) (circuit.Phasor, bool) {
	i, ok := w.plan.Node(name)
	if !ok {
		return circuit.Phasor{}, false
	}
	return w.ws.Voltage(i, group), true
}

// Volts returns the r.m.s. voltage of a point to true earth, in volts.
func (w *World) Volts(p site.PointID) (float64, error) {
	i, ok := w.setup.Site.Index(p)
	if !ok {
		_, err := w.setup.Site.Match(string(p))
		return 0, fmt.Errorf("world: %w", err)
	}
	return w.ws.RMS(w.at[i], w.earth()), nil
}

func (w *World) earth() int { i, _ := w.plan.Node(circuit.Earth); return i }

// Check reports how far the solution can be relied on.
func (w *World) Check() (circuit.Report, error) { return w.ws.Check() }

// Register is what one phase of the meter takes part in.
type Register struct {
	Line  string
	Volts float64
	Amps  float64
	// Watts counts forward, from supply to load.
	Watts float64
}

// Registers returns what the meter's measuring elements see, phase by phase.
// With current transformers the current and power are multiplied by their ratio.
func (w *World) Registers() []Register {
	var list []Register
	ct := w.setup.Site.Spec.Metering == site.CTOperated
	for _, l := range w.setup.Site.Lines() {
		element, plus, factor := "meter."+l, "meter."+l+"-in", 1.0
		if ct {
			element, plus, factor = "burden."+l, "meter."+l+"-v", w.setup.Values[site.TransformerRatio]
		}
		r := Register{Line: l}
		row, closed := w.model.Joint(element)
		_, live := w.model.Joint("meter-voltage." + l)
		a, _ := w.plan.Node(plus)
		b, _ := w.plan.Node("meter.n-in")
		volts, amps := 0.0, 0.0
		for g := range w.plan.GroupCount() {
			v := w.ws.Voltage(a, g).Minus(w.ws.Voltage(b, g))
			var i circuit.Phasor
			if closed {
				i = w.ws.ImpedanceCurrent(row, g).Scaled(factor)
			}
			if live {
				volts += float64(v.Re*v.Re) + float64(v.Im*v.Im)
				r.Watts += float64(v.Re*i.Re) + float64(v.Im*i.Im)
			}
			amps += float64(i.Re*i.Re) + float64(i.Im*i.Im)
		}
		r.Volts, r.Amps = math.Sqrt(volts), math.Sqrt(amps)
		list = append(list, r)
	}
	return list
}
