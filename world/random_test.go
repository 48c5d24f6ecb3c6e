package world_test

import (
	"math/rand/v2"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// specs returns the positions that are drawn from.
func specs() []site.Spec {
	var list []site.Spec
	for _, a := range site.Arrangements() {
		list = append(list,
			site.Spec{Arrangement: a, Reference: true},
			site.Spec{Arrangement: a, Switched: true, Isolator: true, Units: []string{"house", "outbuilding"}, Sources: []site.Source{site.Inverter, site.Battery}, Metalwork: []string{"box", "water-pipe"}, Reference: true},
			site.Spec{Arrangement: a, Phases: 3, Reference: true, Sources: []site.Source{site.Generator}},
			site.Spec{Arrangement: a, Phases: 3, Metering: site.CTOperated},
		)
	}
	return list
}

// drawn returns the setup of a seed, the same everywhere: a position with up to three departures,
// switches anywhere, credible values of every parameter, and up to three
// instruments that stay on.
func drawn(seed uint64) (world.Setup, error) {
	r := rand.New(rand.NewPCG(seed, 0x6d77))
	list := specs()
	s, err := site.Expand(list[r.IntN(len(list))])
	if err != nil {
		return world.Setup{}, err
	}
	var u [site.ParameterCount]float64
	for i := range u {
		u[i] = r.Float64()
	}
	v := site.Draw(&u)
	setup := world.Setup{Site: s, Values: &v}
	// Half of the positions are in a state that a visit goes through.
	if states := world.States(s); r.IntN(2) == 0 {
		setup.Switching = states[r.IntN(len(states))].Switching
	} else {
		for _, sw := range s.Switches {
			if r.IntN(3) == 0 {
				if setup.Switching, err = s.Put(setup.Switching, site.Setting{Switch: sw.ID, Position: sw.Away}); err != nil {
					return world.Setup{}, err
				}
			}
		}
	}
	all := s.Departures()
	for range r.IntN(4) {
		d := all[r.IntN(len(all))]
		known := false
		for _, other := range setup.Departures {
			known = known || other.ID == d.ID
		}
		if !known {
			setup.Departures = append(setup.Departures, d)
		}
	}
	tests := world.Tests(s)
	for range r.IntN(4) {
		t := tests[r.IntN(len(tests))]
		if t.Kind.Passive() {
			setup.Attached = append(setup.Attached, world.On{Instrument: instrument.New(t.Kind, instrument.Sound), Points: t.Points})
		}
	}
	return setup, nil
}
