package instrument

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
