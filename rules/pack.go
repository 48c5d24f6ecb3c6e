// Package rules holds one country's limits, categories and number formats as data.
//
// A pack is a JSON file. Every number in it is an object of value, unit, mark,
// source and note, so that whoever sees the number can see where it comes from;
// values are strings, because digits carry resolution. Load refuses a pack in
// which anything is unknown, repeated, missing, unmarked or without a source,
// and names the place. GB is the pack for Great Britain.
//
// A pack authorises nobody: the employer's rules, the distributor's consent and
// local law come first.
package rules

import (
	"fmt"

	"meterwright/measure"
)

// Pack is one country's rules. Treat it as read-only once loaded.
//
// The tags say what Load holds a file to: unit is a number's unit, and it is above
// nought unless is says "signed"; "whole" is a whole number of at most 9 digits; of
// lists the words that may stand there.
type Pack struct {
	ID         string              `json:"id"`
	Edition    string              `json:"edition"`
	Title      string              `json:"title"`
	Caution    string              `json:"caution"`
	Law        []Fact              `json:"law"`
	Supply     Supply              `json:"supply"`
	Touch      Touch               `json:"touch"`
	Earthing   []Earthing          `json:"earthing"`
	Fault      Fault               `json:"fault"`
	OnSite     OnSite              `json:"on_site"`
	Judging    []Judging           `json:"judging"`
	Disconnect []DisconnectionTime `json:"disconnection"`
	TT         TT                  `json:"tt"`
	Conductors []Conductor         `json:"conductors"`
	Fuses      []FuseStandard      `json:"fuses"`
	InService  InService           `json:"in_service"`
	MeterPoint MeterPointFormat    `json:"meter_point"`
	Plausible  PlausibilityBand    `json:"plausibility"`
	Schemes    []Scheme            `json:"schemes"`
	Emergency  Fact                `json:"emergency_telephone"`
	DataKept   Number              `json:"personal_data_kept" unit:"d"`
	Gloves     []GloveClass        `json:"gloves"`
	Probes     Probes              `json:"probes"`
}

// Supply is what the distributor declares at the supply terminals.
type Supply struct {
	NominalVoltage     Number `json:"nominal_voltage" unit:"V"`
	MinimumVoltage     Number `json:"minimum_voltage" unit:"V"`
	MaximumVoltage     Number `json:"maximum_voltage" unit:"V"`
	NominalLineVoltage Number `json:"nominal_line_voltage" unit:"V"`
	NominalFrequency   Number `json:"nominal_frequency" unit:"Hz"`
	MinimumFrequency   Number `json:"minimum_frequency" unit:"Hz"`
	MaximumFrequency   Number `json:"maximum_frequency" unit:"Hz"`
	LinesFrom          Number `json:"lines_from" unit:"V"`       // from here on two points are taken for two lines
	GreatestReading    Number `json:"greatest_reading" unit:"V"` // more is no reading at such a position
}

// Voltage returns the declared band of line to neutral, in volts.
func (s Supply) Voltage() measure.Limit {
	return measure.Between(s.MinimumVoltage.Float(), s.MaximumVoltage.Float())
}

// Touch holds what concerns touching and proving dead.
type Touch struct {
	Limit           Number `json:"limit" unit:"V"`               // touch-voltage limit
	DeadThreshold   Number `json:"dead_threshold" unit:"V"`      // two-pole indication at a point taken for dead
	NeutralEarth    Number `json:"neutral_earth" unit:"V"`       // at a socket; above it somebody asks why
	ProvedDeadLasts Number `json:"proved_dead_lasts" unit:"min"` // default; the employer sets it
}

// Earthing is an earthing arrangement (IEC 60364-1) with its declared maximum
// external loop impedance, in ohms.
type Earthing struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	// Loop says what a loop measured at the origin holds: "supply" alone, or
	// "supply-and-electrode" where the consumer's electrode, which the declared
	// maximum leaves out, is in it too.
	Loop        string `json:"loop" of:"supply,supply-and-electrode"`
	MaxExternal Number `json:"max_external_impedance" unit:"ohm"`
}

// EarthingByID returns the arrangement with that id.
func (p *Pack) EarthingByID(id string) (Earthing, error) {
	return find("earthing arrangement", id, p.Earthing, func(e Earthing) string { return e.ID })
}

// Fault holds what fault currents are reckoned with and judged against.
type Fault struct {
	DeclaredMaximum   Number `json:"declared_maximum" unit:"kA"`   // single-phase, at the service joint
	LineNeutralLoop   Number `json:"line_neutral_loop" unit:"ohm"` // at the origin, whatever the earthing
	LeastLoop         Number `json:"least_loop" unit:"ohm"`        // less is no reading of a loop
	CMin              Number `json:"c_min" unit:"1"`               // minimum voltage factor
	CMax              Number `json:"c_max" unit:"1"`               // maximum voltage factor
	TemperatureFactor Number `json:"temperature_factor" unit:"1"`  // cold reading over hot impedance
}

// OnSite holds what a field instrument may show at most in the checks of a visit.
type OnSite struct {
	NoLoadCurrent    Number `json:"no_load_current" unit:"A"`     // clamp meter with every load off
	LoadCurrent      Number `json:"load_current" unit:"A"`        // clamp meter with the loads on
	JoinedResistance Number `json:"joined_resistance" unit:"ohm"` // continuity tester along a tail, leads included
	SecondaryCurrent Number `json:"secondary_current" unit:"A"`   // at least, clamp meter on a current transformer's secondary under load
	ShortedCurrent   Number `json:"shorted_current" unit:"A"`     // clamp meter at a meter whose current circuit is shorted
}

// Doubt says how a number counts that is so near a limit that the accuracy of its instrument leaves open
// on which side it lies.
type Doubt string

// How a number in doubt counts [P].
const (
	// DoubtAgainst: as no pass. What hands may touch, what is joined to what and what carries no current
	// rests on such numbers.
	DoubtAgainst Doubt = "against"
	// DoubtOpen: it is read once more, recorded and reported as in doubt, and the visit goes on: a
	// refusal would keep a house without supply and teach people to write another number.
	DoubtOpen Doubt = "open"
)

// Beyond says how a number counts that no working instrument could show.
type Beyond string

// How a number counts that no working instrument could show [P].
const (
	// BeyondAgain: it is read again before it counts.
	BeyondAgain Beyond = "again"
	// BeyondAtOnce: it counts, since a number beyond the limit is a danger.
	BeyondAtOnce Beyond = "at-once"
)

// Judging says how readings count against a limit that methods name.
type Judging struct {
	ID     string `json:"id"`
	Doubt  Doubt  `json:"doubt" of:"against,open"`
	Beyond Beyond `json:"beyond" of:"again,at-once"`
	Mark   Mark   `json:"mark" of:"S,P,M"`
	Source string `json:"source"`
}

// JudgingByID returns how readings count against the limit of that name.
func (p *Pack) JudgingByID(id string) (Judging, error) {
	return find("limit", id, p.Judging, func(j Judging) string { return j.ID })
}

// DisconnectionTime is the longest time, in seconds, in which a fault of one
// kind of circuit must be disconnected.
type DisconnectionTime struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	Time  Number `json:"time" unit:"s"`
}

// TT holds the limits of an installation with its own earth electrode.
type TT struct {
	MaxTouchProduct Number `json:"max_touch_product" unit:"V"` // R_A × IΔn
	UnstableAbove   Number `json:"unstable_above" unit:"ohm"`
}

// Conductor is a kind of protective conductor with its adiabatic k.
type Conductor struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	K     Number `json:"k" unit:"A.s0.5/mm2"`
}

// ConductorByID returns the kind of conductor with that id.
func (p *Pack) ConductorByID(id string) (Conductor, error) {
	return find("conductor", id, p.Conductors, func(c Conductor) string { return c.ID })
}

// FuseStandard is one standard's fuses.
type FuseStandard struct {
	ID      string `json:"id"`
	Title   string `json:"title"`
	Caution string `json:"caution,omitzero"`
	Fuses   []Fuse `json:"fuses"`
}

// FuseStandardByID returns the fuse standard with that id.
func (p *Pack) FuseStandardByID(id string) (FuseStandard, error) {
	return find("fuse standard", id, p.Fuses, func(f FuseStandard) string { return f.ID })
}

// Fuse is what a standard says of one rating: gates of current and time, or
// greatest loop impedances, or both.
type Fuse struct {
	Rating     Number          `json:"rating" unit:"A"`
	Gates      []Gate          `json:"gates,omitzero"`
	Impedances []LoopImpedance `json:"impedances,omitzero"`
}

// GateKind says which side of its gate a fuse's curve lies on.
type GateKind string

// The kinds of gate.
const (
	Holds GateKind = "holds" // does not melt within the time at this current
	Melts GateKind = "melts" // melts within the time at this current
)

// Gate is one point that a fuse's pre-arcing curve must pass on a given side.
type Gate struct {
	Kind    GateKind `json:"kind" of:"holds,melts"`
	Time    Number   `json:"time" unit:"s"`
	Current Number   `json:"current" unit:"A"`
}

// LoopImpedance is the greatest loop impedance with which a fuse disconnects
// within the time, reckoned at Voltage × VoltageFactor.
type LoopImpedance struct {
	Time          Number `json:"time" unit:"s"`
	Impedance     Number `json:"impedance" unit:"ohm"`
	Voltage       Number `json:"voltage" unit:"V"`
	VoltageFactor Number `json:"voltage_factor" unit:"1"`
}

// InService holds the permitted errors of a meter in service, in per cent.
type InService struct {
	Upper Number `json:"upper" unit:"%" is:"signed"`
	Lower Number `json:"lower" unit:"%" is:"signed"`
}

// MeterPointFormat is how a country writes and checks its meter-point numbers.
type MeterPointFormat struct {
	Title         string  `json:"title"`
	CoreDigits    Number  `json:"core_digits" unit:"1" is:"whole"`
	Weights       Numbers `json:"weights"`
	FirstModulus  Number  `json:"first_modulus" unit:"1" is:"whole"`
	SecondModulus Number  `json:"second_modulus" unit:"1" is:"whole"`
	Groups        Numbers `json:"groups"`
}

// PlausibilityBand says how far a daily mean may lie from the earlier ones, as
// factors of the lowest and the highest of them.
type PlausibilityBand struct {
	DoubtfulBelow    Number `json:"doubtful_below" unit:"1"`
	DoubtfulAbove    Number `json:"doubtful_above" unit:"1"`
	ImplausibleAbove Number `json:"implausible_above" unit:"1"`
}

// Scheme is one published scheme for reporting defects.
type Scheme struct {
	ID         string `json:"id"`
	Title      string `json:"title"`
	Edition    string `json:"edition"`
	Mark       Mark   `json:"mark"`
	Source     string `json:"source"`
	Note       string `json:"note,omitzero"`
	Categories []struct {
		Code    string `json:"code"`
		Meaning string `json:"meaning"`
	} `json:"categories"`
}

func (s Scheme) check() error { return checkOrigin(s.Mark, s.Source) }

// Category is one category of a scheme. It always carries the scheme, because
// the same letter means different things in different schemes.
type Category struct {
	Scheme  string // the scheme's id
	Title   string // the scheme's title
	Edition string // the scheme's edition
	Code    string
	Meaning string
}

// Categories returns every category of every scheme, in the order of the file.
func (p *Pack) Categories() []Category {
	var all []Category
	for _, s := range p.Schemes {
		for _, c := range s.Categories {
			all = append(all, Category{Scheme: s.ID, Title: s.Title, Edition: s.Edition, Code: c.Code, Meaning: c.Meaning})
		}
	}
	return all
}

// GloveClass is a class of insulating glove with the a.c. voltage it is for.
type GloveClass struct {
	Class      string `json:"class"`
	MaxVoltage Number `json:"max_voltage" unit:"V"` // a.c.
}

// Probes holds what test probes must satisfy.
type Probes struct {
	MaxTip       Number `json:"max_tip" unit:"mm"` // of exposed metal
	PreferredTip Number `json:"preferred_tip" unit:"mm"`
	Category     Fact   `json:"category"` // measurement category
}

func find[T any](what, id string, rows []T, key func(T) string) (T, error) {
	known := ""
	for i, row := range rows {
		if key(row) == id {
			return row, nil
		}
		if i > 0 {
			known += ", "
		}
		known += key(row)
	}
	var none T
	return none, fmt.Errorf("%s %q is not in the rules: use one of %s", what, id, known)
}
