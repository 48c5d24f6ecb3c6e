package circuit

// Earth is the name of the reference node, true earth, at zero volts. It
// exists in every circuit and is not listed in [Circuit.Nodes].
const Earth = "earth"

// Circuit is a circuit as data. The zero value is an empty circuit; rows are
// appended to its tables. Rows may have an empty name, but a name given twice
// in one table is refused.
type Circuit struct {
	// FHz is the frequency in hertz, above 0 and at most 1 MHz.
	FHz float64
	// Nodes lists every node but [Earth], each once. Its order settles ties
	// in the order of elimination.
	Nodes []string
	// Groups lists groups of sources that only attachments will bring.
	Groups []int

	Impedances     []Impedance
	Capacitors     []Capacitor
	VoltageSources []VoltageSource
	CurrentSources []CurrentSource
	Contacts       []Contact
	Transformers   []CurrentTransformer
}

// Impedance is a resistance in series with an inductive reactance between two
// nodes. Its current is counted from A to B.
type Impedance struct {
	Name, A, B string
	// ROhm and XOhm are in ohms at the circuit's frequency, neither negative,
	// together between 1 nΩ and 1 PΩ. Zero ohms is a [Contact].
	ROhm, XOhm float64
}

// Capacitor is a capacitance between two nodes.
type Capacitor struct {
	Name, A, B string
	// CFarad is in farads, above zero; its admittance lies between 1 aS and 1 GS.
	CFarad float64
}

// VoltageSource raises Plus above Minus by its electromotive force, behind a
// series impedance.
type VoltageSource struct {
	Name, Plus, Minus string
	// EReVolt and EImVolt are the parts of the r.m.s. phasor in volts.
	EReVolt, EImVolt float64
	// ROhm and XOhm are the series impedance in ohms. With both zero the
	// source is ideal and one of its ends must be at [Earth].
	ROhm, XOhm float64
	// Group is the group of sources it runs in step with, from 0.
	Group int
}

// CurrentSource drives a current through itself from From to To, whatever the
// voltage: the current leaves the circuit at From and enters it at To.
type CurrentSource struct {
	Name, From, To string
	// IReAmp and IImAmp are the parts of the r.m.s. phasor in amperes.
	IReAmp, IImAmp float64
	// Group is the group of sources it runs in step with, from 0.
	Group int
}

// Contact is an ideal switch. Closed, it makes one node of A and B; open, it
// is not there.
type Contact struct {
	Name, A, B string
	Closed     bool
}

// CurrentTransformer drives through itself, from From to To, the current of
// the impedance Primary (counted from its A to its B) divided by Ratio.
// Saturation, ratio error and phase displacement are not in it.
type CurrentTransformer struct {
	Name, Primary, From, To string
	// Ratio is primary amperes for one secondary ampere, above zero
	// (200/5 A is 40). A reversed transformer has From and To exchanged.
	Ratio float64
}

// Limits of what a row may hold. They keep every product of the elimination
// far from overflow and underflow.
const (
	minOhm     = 1e-9
	maxOhm     = 1e15
	minSiemens = 1e-18
	maxSiemens = 1e9
	maxHz      = 1e6
	maxSource  = 1e12
	maxRatio   = 1e9
)
