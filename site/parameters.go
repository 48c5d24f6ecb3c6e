package site

import "fmt"

// ParamID numbers a quantity of the model that nobody knows exactly on a visit.
type ParamID int

// The parameters. Parameters gives each its words, unit, range and mark.
const (
	SupplyVolt ParamID = iota
	transformerOhm
	mainOhmPerKm
	MainM
	serviceOhmPerKm
	ServiceM
	starElectrodeOhm
	houseElectrodeOhm
	RodOhm
	spikeOhm
	jointOhm
	tailOhm
	Load1Watt
	load2Watt
	load3Watt
	LoadPF
	neighbours1Watt
	neighbours2Watt
	neighbours3Watt
	switchedWatt
	wiringM
	wiringFaradPerM
	filterFarad
	meterOhm
	meterFarad
	terminalFarad
	gapFarad
	bodyFarad
	bodyOhm
	BodyMetalFarad
	floorOhm
	inverterWatt
	islandVolt
	islandOhm
	TransformerRatio
	burdenOhm
	magnetisingOhm
	parameterCount
)

// none stands for no parameter in an amount.
const none ParamID = -1

// Epoch says for how long a parameter keeps its value.
type Epoch string

// The epochs.
const (
	// PerVisit: the same for the whole visit.
	PerVisit Epoch = "visit"
	// PerSwitching: it may change whenever a switch is moved, as loads do.
	PerSwitching Epoch = "switching"
)

// Parameter is one row of the model's table of unknowns.
type Parameter struct {
	ID    ParamID `json:"-"`
	Name  string  `json:"name"`
	Words string  `json:"words"`
	Unit  string  `json:"unit"`
	// Usual is the value that a prediction takes; Low and High bound what is credible.
	Usual float64 `json:"usual"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	// Log says that a draw spreads evenly over the logarithm between Low and High.
	Log   bool  `json:"log"`
	Epoch Epoch `json:"epoch"`
	// Mark is S for a published source, P for common practice, M for from memory.
	Mark   string `json:"mark"`
	Source string `json:"source"`
}

// parameters is the table. A row with mark P has no single source; a row with
// mark M is a published value recalled from memory, to be confirmed.
var parameters = [parameterCount]Parameter{
	{SupplyVolt, "supply-volt", "voltage of the supply at the transformer, line to star point", "V", 230, 216.2, 253, false, PerVisit, "S", "Electricity Safety, Quality and Continuity Regulations 2002, regulation 27"},
	{transformerOhm, "transformer-ohm", "impedance of the transformer, each phase", "ohm", 0.015, 0.015, 0.14, true, PerVisit, "M", "500 kVA 0.015, 50 kVA 0.14"},
	{mainOhmPerKm, "main-ohm-per-km", "resistance of the main, each conductor", "ohm/km", 0.20, 0.10, 0.32, true, PerVisit, "M", "IEC 60228"},
	{MainM, "main-m", "length of the main between transformer and service", "m", 150, 20, 500, true, PerVisit, "P", "common practice"},
	{serviceOhmPerKm, "service-ohm-per-km", "resistance of the service, each conductor", "ohm/km", 0.868, 0.727, 1.20, true, PerVisit, "M", "IEC 60228: Cu 16/25 mm² 1.15/0.727, Al 25/35 1.20/0.868"},
	{ServiceM, "service-m", "length of the service", "m", 15, 5, 40, true, PerVisit, "P", "common practice"},
	{starElectrodeOhm, "star-electrode-ohm", "star point and every electrode of the main to true earth", "ohm", 5, 1, 20, true, PerVisit, "M", "PME neutral to earth"},
	{houseElectrodeOhm, "house-electrode-ohm", "the installation to true earth by way of what is bonded", "ohm", 500, 1, 5000, true, PerVisit, "M", "plastic pipes 500 to open, metal pipe 10 (1 to 50)"},
	{RodOhm, "rod-ohm", "the consumer's earth rod (TT)", "ohm", 80, 10, 500, true, PerVisit, "P", "common practice"},
	{spikeOhm, "spike-ohm", "the independent earth reference to true earth", "ohm", 100, 20, 2000, true, PerVisit, "P", "common practice"},
	{jointOhm, "joint-ohm", "a good joint", "ohm", 0.0005, 0.0002, 0.002, true, PerVisit, "P", "common practice"},
	{tailOhm, "tail-ohm", "one tail", "ohm", 0.0007, 0.0003, 0.003, true, PerVisit, "M", "1 m of 25 mm² copper, IEC 60228"},
	{Load1Watt, "load-watt", "load of the installation, on L1", "W", 500, 50, 10000, true, PerSwitching, "P", "common practice"},
	{load2Watt, "load-l2-watt", "load of the installation, on L2", "W", 400, 50, 10000, true, PerSwitching, "P", "common practice"},
	{load3Watt, "load-l3-watt", "load of the installation, on L3", "W", 700, 50, 10000, true, PerSwitching, "P", "common practice"},
	{LoadPF, "load-power-factor", "power factor of the loads, lagging", "", 0.95, 0.9, 1, false, PerSwitching, "P", "common practice"},
	{neighbours1Watt, "neighbours-l1-watt", "neighbours beyond the same stretch of main, on L1", "W", 2000, 100, 20000, true, PerSwitching, "P", "common practice"},
	{neighbours2Watt, "neighbours-l2-watt", "neighbours beyond the same stretch of main, on L2", "W", 2500, 100, 20000, true, PerSwitching, "P", "common practice"},
	{neighbours3Watt, "neighbours-l3-watt", "neighbours beyond the same stretch of main, on L3", "W", 1500, 100, 20000, true, PerSwitching, "P", "common practice"},
	{switchedWatt, "switched-watt", "load behind the meter's switched terminal", "W", 3000, 1000, 7000, true, PerVisit, "P", "common practice"},
	{wiringM, "wiring-m", "length of wiring behind a main switch", "m", 200, 30, 600, true, PerVisit, "P", "common practice"},
	{wiringFaradPerM, "wiring-farad-per-m", "capacitance of wiring, each live conductor to earth", "F/m", 100e-12, 80e-12, 150e-12, true, PerVisit, "P", "common practice"},
	{filterFarad, "filter-farad", "interference filters of the house, each live conductor to earth", "F", 50e-9, 10e-9, 200e-9, true, PerSwitching, "P", "common practice"},
	{meterOhm, "meter-ohm", "voltage circuit of the meter, resistance", "ohm", 200e3, 50e3, 500e3, true, PerVisit, "P", "common practice"},
	{meterFarad, "meter-farad", "voltage circuit of the meter, capacitance", "F", 0.47e-6, 0.1e-6, 1e-6, true, PerVisit, "P", "common practice"},
	{terminalFarad, "terminal-farad", "a terminal with its short conductor to true earth", "F", 15e-12, 5e-12, 50e-12, true, PerVisit, "P", "common practice"},
	{gapFarad, "gap-farad", "capacitance across an open joint or contact", "F", 2e-12, 0.5e-12, 5e-12, true, PerVisit, "P", "common practice"},
	{bodyFarad, "body-farad", "a shod person to true earth", "F", 100e-12, 30e-12, 300e-12, true, PerVisit, "M", "1 nF kneeling"},
	{bodyOhm, "body-ohm", "a shod person to true earth, leakage", "ohm", 100e6, 1e6, 1e9, true, PerVisit, "P", "common practice"},
	{BodyMetalFarad, "body-metal-farad", "a person to metal nearby", "F", 20e-12, 2e-12, 300e-12, true, PerVisit, "P", "common practice"},
	{floorOhm, "floor-ohm", "under the feet of whoever touches", "ohm", 2000, 500, 1e9, true, PerVisit, "P", "damp concrete 0.5 to 10 kΩ, dry wood 50 kΩ to 1 GΩ"},
	{inverterWatt, "inverter-watt", "output of an inverter, battery or vehicle that runs in step", "W", 1000, 1, 3680, true, PerSwitching, "P", "common practice"},
	{islandVolt, "island-volt", "a source that runs out of step, line to neutral", "V", 230, 210, 250, false, PerVisit, "P", "common practice"},
	{islandOhm, "island-ohm", "a source that runs out of step, impedance", "ohm", 0.8, 0.2, 3, true, PerVisit, "P", "common practice"},
	{TransformerRatio, "ct-ratio", "primary amperes for one secondary ampere of the current transformers", "", 40, 40, 40, false, PerVisit, "P", "200/5 A"},
	{burdenOhm, "burden-ohm", "current circuit of a transformer-operated meter with its leads", "ohm", 0.1, 0.02, 0.5, true, PerVisit, "P", "common practice"},
	{magnetisingOhm, "magnetising-ohm", "magnetising branch of a current transformer, seen from the secondary; saturation is not in it", "ohm", 200, 50, 1000, true, PerVisit, "P", "common practice"},
}

// Parameters returns every parameter in a fixed order.
func Parameters() []Parameter { return append([]Parameter(nil), parameters[:]...) }

// ParameterCount is the number of parameters.
const ParameterCount = int(parameterCount)

// Values holds a value for every parameter.
type Values [parameterCount]float64

// Usual returns the usual value of every parameter.
func Usual() Values {
	var v Values
	for i := range parameters {
		v[i] = parameters[i].Usual
	}
	return v
}

// ParameterNamed returns the parameter with that name.
func ParameterNamed(name string) (Parameter, bool) {
	for _, p := range parameters {
		if p.Name == name {
			return p, true
		}
	}
	return Parameter{}, false
}

// Stated is a value that somebody knows of a place, believed to lie within so much of it.
type Stated struct {
	ID            ParamID
	Value, Within float64
}

// Possible returns the range that no place leaves, which is wider than the credible one.
func (p *Parameter) Possible() (low, high float64) {
	switch p.ID {
	case SupplyVolt, islandVolt:
		return 1, 1000
	case LoadPF:
		return 0.1, 1
	}
	return p.Low / 1e6, p.High * 1e6
}

// Set gives the parameter of that name a value. A value beyond the credible
// range is taken, since a place may be unlike others; what no place can have is
// refused.
func (v *Values) Set(name string, value float64) error {
	p, ok := ParameterNamed(name)
	if !ok {
		return fmt.Errorf("%q is no parameter: docs/model.md lists them", name)
	}
	low, high := p.Possible()
	if !(value >= low && value <= high) {
		return fmt.Errorf("%s: %g %s is beyond anything possible: write a number from %g to %g (credible: %g to %g)",
			name, value, p.Unit, low, high, p.Low, p.High)
	}
	v[p.ID] = value
	return nil
}
