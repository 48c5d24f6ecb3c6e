package world_test

import (
	"fmt"

	"meterwright/site"
	"meterwright/world"
)

// With the carrier out and line and neutral of a TN-C-S service exchanged, the installation's earth stands
// at the line: a detector between meter and earth stays dark, and whoever touches the case meets it.
func Example() {
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Metalwork: []string{"box"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	reversed, err := s.DepartureNamed("reversed/service")
	if err != nil {
		fmt.Println(err)
		return
	}
	out, err := s.Do(site.Switching{}, "withdraw-carrier")
	if err != nil {
		fmt.Println(err)
		return
	}
	w, err := world.New(world.Setup{Site: s, Switching: out, Departures: []site.Departure{reversed}})
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := w.Read(w.Instrument("two-pole-detector"), "meter.l-in", site.MET)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("meter to earth:", r.Indication)
	touches, err := w.Touches()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, h := range touches {
		if h.Part == "metalwork.box" {
			fmt.Println("the case is within reach:", h.Reach, "over 50 V:", h.Volts > world.TouchLimitVolt, "beyond let-go:", h.MilliAmps > world.LetGoMilliAmp)
		}
	}
	// Output:
	// meter to earth: dark
	// the case is within reach: true over 50 V: true beyond let-go: true
}
