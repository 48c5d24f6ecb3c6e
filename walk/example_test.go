package walk_test

import (
	"fmt"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/walk"
	"meterwright/world"
)

func ExampleApplies() {
	m := &method.Resolved{}
	step := &method.Step{ID: "supply-neutral-reference", When: map[string][]string{"reference": {"yes"}}}
	fmt.Println(walk.Applies(m, step, nil)) // nobody has looked yet
	fmt.Println(walk.Applies(m, step, map[string]string{"reference": "yes"}))
	fmt.Println(walk.Applies(m, step, map[string]string{"reference": "no"}))
	// Output:
	// true
	// true
	// false
}

// A two-pole detector from metalwork to an independent reference stays dark at a healthy position,
// and lights where line and neutral of the service are exchanged in a TN-C-S supply.
func ExamplePoints() {
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Reference: true, Metalwork: []string{"box"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	reversed, err := s.DepartureNamed("reversed/service")
	if err != nil {
		fmt.Println(err)
		return
	}
	step := &method.Observe{With: "two-pole-detector", At: "metalwork.box", Against: "reference.independent", Expect: "dark"}
	for _, present := range [][]site.Departure{nil, {reversed}} {
		w, err := world.New(world.Setup{Site: s, Departures: present})
		if err != nil {
			fmt.Println(err)
			return
		}
		tool := w.Instrument(instrument.Kind(step.With))
		points, err := walk.Points(s, tool.Kind, site.PointID(step.At), site.PointID(step.Against))
		if err != nil {
			fmt.Println(err)
			return
		}
		r, err := w.Read(tool, points...)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(r.Indication, "where", step.Expect, "is expected")
	}
	// Output:
	// dark where dark is expected
	// lit where dark is expected
}
