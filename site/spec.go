// Package site describes one service position as data: its arrangement, its
// parts with their test points, its switches, and what each act touches.
//
// A Spec is what a job claims or a person saw, a few words long. Expand turns
// it into a Site: every test point, switch and act by name, in an order that is
// the same on every run. Names are written part.place, in lower case:
//
//	meter.l-in  meter.n-out  meter.l2-in  meter.l2-v  meter.sw-out
//	cutout.l-supply  cutout.l-load  cutout.n  cutout.e
//	socket.l  socket.n  socket.e  metalwork.box  reference.independent
//
// A three-phase position says l1, l2 and l3 where a single-phase one says l. A meter that current
// transformers feed has its current circuit at l1-in and l1-out and its voltage at l1-v.
package site

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Arrangement is an earthing arrangement of IEC 60364-1, section 312.
type Arrangement string

// The arrangements that public supplies in the shipped rules use.
const (
	TNS  Arrangement = "TN-S"
	TNCS Arrangement = "TN-C-S"
	TT   Arrangement = "TT"
)

// Arrangements lists every arrangement in the order in which choices are shown.
func Arrangements() []Arrangement { return []Arrangement{TNS, TNCS, TT} }

// Metering says how the meter sees the load current.
type Metering string

// The two ways of metering.
const (
	WholeCurrent Metering = "whole-current"
	CTOperated   Metering = "ct-operated"
)

// Source is a supply on the consumer's side that can make conductors live
// while the cut-out is open.
type Source string

// The kinds of source that a visit meets.
const (
	Inverter     Source = "inverter"
	Battery      Source = "battery"
	Generator    Source = "generator"
	Vehicle      Source = "vehicle"
	SecondSupply Source = "second-supply"
)

// Sources lists every kind of source in the order in which choices are shown.
func Sources() []Source { return []Source{Inverter, Battery, Generator, Vehicle, SecondSupply} }

// Spec is a service position in a few words. The zero value of each field
// stands for the default that its comment gives.
type Spec struct {
	// Arrangement is the earthing arrangement; required.
	Arrangement Arrangement `json:"arrangement"`
	// Phases is 1 (the default) or 3.
	Phases int `json:"phases,omitempty"`
	// Metering is whole-current by default.
	Metering Metering `json:"metering,omitempty"`
	// Terminals is the order of the meter's terminals from left to right, as its
	// own diagram shows them. Without it, the order usual in Great Britain.
	Terminals []string `json:"terminals,omitempty"`
	// Switched says that the meter has a fifth, switched line terminal.
	Switched bool `json:"switched,omitempty"`
	// Rates is the number of rates that the meter registers, 1 by default.
	Rates int `json:"rates,omitempty"`
	// Export says that the meter registers energy sent out as well.
	Export bool `json:"export,omitempty"`
	// Isolator says that an isolating switch stands between meter and consumer unit.
	Isolator bool `json:"isolator,omitempty"`
	// Units names the consumer units, each with its main switch; "house" by default.
	Units []string `json:"units,omitempty"`
	// Sources lists supplies on the consumer's side.
	Sources []Source `json:"sources,omitempty"`
	// Metalwork names the exposed metal parts within reach; "box" by default.
	Metalwork []string `json:"metalwork,omitempty"`
	// NoSocket says that there is no socket near the meter to test.
	NoSocket bool `json:"no_socket,omitempty"`
	// Reference says that an earth reference exists which does not belong to the
	// installation: a known separate electrode or a temporary spike.
	Reference bool `json:"reference,omitempty"`
}

// WithDefaults returns s with every field that was left empty filled in.
func (s Spec) WithDefaults() Spec {
	if s.Phases == 0 {
		s.Phases = 1
	}
	if s.Metering == "" {
		s.Metering = WholeCurrent
	}
	if s.Rates == 0 {
		s.Rates = 1
	}
	if len(s.Units) == 0 {
		s.Units = []string{"house"}
	}
	if len(s.Metalwork) == 0 {
		s.Metalwork = []string{"box"}
	}
	if len(s.Terminals) == 0 {
		s.Terminals = usualOrder(s)
	}
	return s
}

// usualOrder is the terminal order L-N-N-L that is usual in Great Britain [M], and for a meter that
// current transformers feed current in, voltage, current out of each line [M];
// the meter's own diagram decides, so a job may state another.
func usualOrder(s Spec) []string {
	var order []string
	if s.Phases == 3 {
		for _, l := range []string{"l1", "l2", "l3"} {
			if order = append(order, l+"-in"); s.Metering == CTOperated {
				order = append(order, l+"-v")
			}
			order = append(order, l+"-out")
		}
		return append(order, "n-in", "n-out")
	}
	order = append(order, "l-in", "n-in", "n-out", "l-out")
	if s.Switched {
		order = append(order, "sw-out")
	}
	return order
}

// Validate reports every fault of s at once, each with the way to mend it.
func (s Spec) Validate() error {
	s = s.WithDefaults()
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if !slices.Contains(Arrangements(), s.Arrangement) {
		bad("arrangement: %q is not known: write TN-S, TN-C-S or TT", s.Arrangement)
	}
	if s.Phases != 1 && s.Phases != 3 {
		bad("phases: %d is not possible: write 1 or 3", s.Phases)
	}
	if s.Metering != WholeCurrent && s.Metering != CTOperated {
		bad("metering: %q is not known: write whole-current or ct-operated", s.Metering)
	}
	if s.Metering == CTOperated && s.Phases == 1 {
		bad("metering: a ct-operated position is described for three phases only: write phases: 3")
	}
	if s.Rates < 1 || s.Rates > 8 {
		bad("rates: %d is out of range: write 1 to 8", s.Rates)
	}
	if s.Switched && s.Phases == 3 {
		bad("switched: a switched terminal is described for single-phase meters only: leave it out")
	}
	want := usualOrder(s)
	if got := slices.Sorted(slices.Values(s.Terminals)); !slices.Equal(got, slices.Sorted(slices.Values(want))) {
		bad("terminals: %s does not hold each of %s once: copy the order from the meter's diagram",
			strings.Join(s.Terminals, ", "), strings.Join(want, ", "))
	}
	checkNames := func(field string, names []string, max int) {
		if len(names) > max {
			bad("%s: %d names are more than the %d that one position may have", field, len(names), max)
		}
		for i, n := range names {
			if !validName(n) {
				bad("%s: %q is not a name: use up to 24 lower-case letters, digits and hyphens, beginning with a letter", field, n)
			}
			if slices.Contains(names[:i], n) {
				bad("%s: %q stands twice: name each once", field, n)
			}
		}
	}
	checkNames("units", s.Units, 4)
	checkNames("metalwork", s.Metalwork, 6)
	if len(s.Sources) > 4 {
		bad("sources: %d are more than the 4 that one position may have", len(s.Sources))
	}
	for i, src := range s.Sources {
		if !slices.Contains(Sources(), src) {
			bad("sources: %q is not known: write inverter, battery, generator, vehicle or second-supply", src)
		}
		if slices.Contains(s.Sources[:i], src) {
			bad("sources: %q stands twice: name each once", src)
		}
	}
	return errors.Join(errs...)
}

func validName(s string) bool {
	if len(s) == 0 || len(s) > 24 || s[0] < 'a' || s[0] > 'z' {
		return false
	}
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}
