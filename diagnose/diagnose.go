// Package diagnose says which departures explain what was seen at a position.
//
// An Engine holds hypotheses: nothing wrong, each departure of the site's
// catalogue on its own, pairs and triples of them where fewer do not explain what
// was seen, and that the truth is not in the model. Each single one is first tried
// roughly, in a few worlds drawn from the ranges of the model's parameters, with
// the voltage of the supply on a grid. What may still be true is then tried finely:
// the worlds that fit best are found, and the evidence is the mean over draws from
// around them, each with its weight. What comes out are groups of departures that
// these tests cannot tell apart, with a probability each.
//
// What it names first is not a finding. Nothing here may open or close a guard:
// stops come from the method's own rules on what was observed.
//
// The same observations give the same bits everywhere: no clock, no random
// numbers but fixed ones, fixed orders, and the exponential and the logarithm are
// our own.
package diagnose

import (
	"fmt"
	"slices"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

const (
	// roughDraws is the number of worlds in which each single departure is tried.
	roughDraws = 32
	// supplies is the number of voltages of the supply at which each of them is tried.
	supplies = 12
	// outsideRate is how often the truth is not in the model [P].
	outsideRate = 1e-4
	// maxObservations bounds a visit.
	maxObservations = 500
)

// Observation is one reading as the person read it.
type Observation struct {
	// Switching is the state of the switches when it was read.
	Switching site.Switching
	// Epoch counts how often a switch has been moved before, since loads may change
	// with each.
	Epoch  int
	Kind   instrument.Kind
	Points []site.PointID
	Shows  instrument.Indication
	// Proving is the source on which the instrument was proved, empty for a reading
	// at the position. A proving has no points.
	Proving instrument.SourceKind
}

// Engine holds what was observed at one position and weighs what explains it. One
// goroutine at a time may use it.
type Engine struct {
	site      *site.Site
	catalogue []site.Departure // but for what is stated
	stated    []site.Departure
	unknowns  unknowns
	states    []site.Switching
	single    []*hypothesis // the first is that nothing is wrong
	several   []*hypothesis // pairs and triples that are worth keeping
	outside   float64       // log-likelihood of what is not in the model
	seen      []taken
	thought   thought
	kin       []int // of each departure, the first that no test can tell from it
}

// taken is an observation with what weighing it needs.
type taken struct {
	Observation
	at key
	// peak is the greatest log-probability that any world gives it.
	peak float64
}

// key names a test in a state and an epoch.
type key struct {
	state, epoch int
	test         string
}

// Stated is what is known of a position before anything is read there. It is believed: the values
// within their tolerances, the departures as being there whatever else is.
type Stated struct {
	Values     []site.Stated
	Departures []site.Departure
}

// New returns an engine for a site with nothing observed yet. "Nothing wrong" is then nothing besides
// what is stated.
func New(s *site.Site, stated Stated) (*Engine, error) {
	return newEngine(s, s.Departures(), stated)
}

func newEngine(s *site.Site, catalogue []site.Departure, stated Stated) (*Engine, error) {
	e := &Engine{site: s, stated: stated.Departures, unknowns: newUnknowns(stated.Values)}
	for _, d := range catalogue {
		// One instrument is in one condition.
		if !slices.ContainsFunc(e.stated, func(known site.Departure) bool {
			return known.ID == d.ID || known.Kind != "" && known.Kind == d.Kind
		}) {
			e.catalogue = append(e.catalogue, d)
		}
	}
	healthy := 1 - outsideRate
	for i := range e.catalogue {
		healthy -= e.catalogue[i].Prior.Rate
	}
	if !(healthy > 0) {
		return nil, fmt.Errorf("diagnose: the rates of the departures leave nothing for a healthy position: lower them")
	}
	e.single = append(e.single, e.newHypothesis(log(healthy)))
	for i := range e.catalogue {
		e.single = append(e.single, e.newHypothesis(log(e.catalogue[i].Prior.Rate), i))
	}
	for _, h := range e.single {
		h.rough = e.unknowns.newRough()
	}
	return e, nil
}

// Begin forgets every observation. What has been solved is kept, so that the next
// visit to the same position costs less.
func (e *Engine) Begin() {
	e.seen, e.several, e.outside, e.thought = nil, nil, 0, thought{}
	for _, h := range e.single {
		h.forget()
	}
}

// Observe takes an observation in. A wrong one is refused and leaves the engine as
// it was.
func (e *Engine) Observe(o Observation) error {
	if err := e.check(&o); err != nil {
		return err
	}
	t := e.taken(o)
	// The healthy position first: if the points are wrong, nothing has changed.
	if o.Proving == "" {
		if _, err := e.signals(e.single[0], &e.single[0].rough, &t); err != nil {
			return fmt.Errorf("diagnose: observation %d: %w", len(e.seen)+1, err)
		}
	}
	g := e.gaugeOf(instrument.New(o.Kind, instrument.Sound), &t)
	t.peak = log(g.peak())
	e.outside += log(g.unexplained())
	e.seen = append(e.seen, t)
	if err := e.screen(); err != nil {
		return fmt.Errorf("diagnose: observation %d: %w", len(e.seen), err)
	}
	return nil
}

func (e *Engine) taken(o Observation) taken {
	return taken{Observation: o, at: key{e.stateOf(o.Switching), o.Epoch, testName(o.Kind, o.Points)}}
}

func (e *Engine) check(o *Observation) error {
	if len(e.seen) >= maxObservations {
		return fmt.Errorf("diagnose: more than %d observations: begin another visit", maxObservations)
	}
	m, ok := instrument.Lookup(o.Kind)
	if !ok {
		return fmt.Errorf("diagnose: %q is no kind of instrument", o.Kind)
	}
	if err := m.Allows(o.Shows.Shows()); err != nil {
		return fmt.Errorf("diagnose: observation %d: %w", len(e.seen)+1, err)
	}
	if _, unit, isValue := o.Shows.Reading(); isValue && unit != m.Unit {
		return fmt.Errorf("diagnose: observation %d: a %s shows %s, not %s", len(e.seen)+1, m.Words, m.Unit, unit)
	}
	if o.Epoch < 0 || o.Epoch > maxObservations {
		return fmt.Errorf("diagnose: observation %d: epoch %d is out of range", len(e.seen)+1, o.Epoch)
	}
	if o.Proving != "" && (len(o.Points) > 0 || !slices.Contains(instrument.SourceKinds(), o.Proving)) {
		return fmt.Errorf("diagnose: observation %d: a proving has a known source and no points", len(e.seen)+1)
	}
	return nil
}

func (e *Engine) stateOf(w site.Switching) int {
	if i := slices.Index(e.states, w); i >= 0 {
		return i
	}
	e.states = append(e.states, w)
	return len(e.states) - 1
}

func testName(k instrument.Kind, points []site.PointID) string {
	name := string(k)
	for _, p := range points {
		name += " " + string(p)
	}
	return name
}

// instrumentOf is an instrument as a hypothesis has it.
func (e *Engine) instrumentOf(h *hypothesis, k instrument.Kind) instrument.Instrument {
	in := instrument.New(k, instrument.Sound)
	for _, d := range e.stated {
		if d.Kind == string(k) {
			in.Condition = instrument.Condition(d.Condition)
		}
	}
	for _, id := range h.ids {
		if d := &e.catalogue[id]; d.Kind == string(k) {
			in.Condition = instrument.Condition(d.Condition)
		}
	}
	return in
}

// worldOf returns the world of a hypothesis in a state, compiled once.
func (e *Engine) worldOf(h *hypothesis, state int) (*world.World, error) {
	for len(h.worlds) <= state {
		h.worlds = append(h.worlds, nil)
	}
	if h.worlds[state] != nil {
		return h.worlds[state], nil
	}
	if h.like != nil {
		// An instrument or a person changes nothing that conducts.
		w, err := e.worldOf(h.like, state)
		h.worlds[state] = w
		return w, err
	}
	v := e.unknowns.usual
	setup := world.Setup{Site: e.site, Values: &v, Switching: e.states[state], Departures: slices.Clone(e.stated)}
	for _, id := range h.ids {
		setup.Departures = append(setup.Departures, e.catalogue[id])
	}
	e.thought.work += compileWork
	w, err := world.New(setup)
	if err != nil {
		return nil, err
	}
	h.worlds[state] = w
	return w, nil
}
