// Package sitefile reads a service position from a file that people write by hand.
//
// A file is YAML, read strictly (package yamldoc): the fields of site.Spec, a
// name, the departures that stand there, switches away from home, and values of
// parameters that are known better than their usual ones.
//
//	name: 4 Fennel Yard, Ambervale (fictional)
//	arrangement: TN-C-S
//	reference: true
//	departures: [looped/neighbour]
//	switches: {main.house: "off"}
//	values: {house-electrode-ohm: 20, main-m: 180 ± 5}
//
// A value is believed within the tolerance that is written behind it, with ± or +/-; without one within
// a tenth of itself [P], or exactly where nothing else is credible.
package sitefile

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"meterwright/internal/yamldoc"
	"meterwright/site"
)

// Position is a site file with everything in it resolved.
type Position struct {
	Name string
	Site *site.Site
	// Values holds the usual values with those that are stated, Stated the latter with their tolerances.
	Values     site.Values
	Stated     []site.Stated
	Switching  site.Switching
	Departures []site.Departure
}

type file struct {
	Name string `json:"name"`
	site.Spec
	Departures []string                        `json:"departures"`
	Switches   map[site.SwitchID]site.Position `json:"switches"`
	Values     map[string]string               `json:"values"`
}

// Parse reads a site file. The error is a yamldoc.Problems.
func Parse(name string, b []byte) (*Position, error) {
	d, err := yamldoc.Parse(name, b)
	if err != nil {
		return nil, err
	}
	var f file
	if err := d.Decode(&f); err != nil {
		return nil, err
	}
	if strings.TrimSpace(f.Name) == "" {
		return nil, d.Errorf("", "write name: and what the place is called", "the site has no name")
	}
	if err := f.Validate(); err != nil {
		first, _, _ := strings.Cut(err.Error(), "\n")
		field, problem, _ := strings.Cut(first, ": ")
		return nil, d.Errorf("/"+field, "", "%s: %s", field, problem)
	}
	p := &Position{Name: f.Name, Values: site.Usual()}
	if p.Site, err = site.Expand(f.Spec); err != nil {
		return nil, d.Errorf("", "", "%s", err)
	}
	for _, k := range slices.Sorted(maps.Keys(f.Values)) {
		number, within, _ := strings.Cut(strings.Replace(f.Values[k], "+/-", "±", 1), "±")
		x, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil {
			return nil, d.Errorf("/values/"+k, "write a number, for example 0.5 or 0.5 ± 0.1", "%q is not a number", f.Values[k])
		}
		if err := p.Values.Set(k, x); err != nil {
			return nil, d.Errorf("/values/"+k, "", "%s", err)
		}
		row, _ := site.ParameterNamed(k)
		stated := site.Stated{ID: row.ID, Value: x, Within: x / 10}
		if row.Low == row.High {
			stated.Within = 0
		}
		if within = strings.TrimSpace(within); within != "" {
			if stated.Within, err = strconv.ParseFloat(within, 64); err != nil || !(stated.Within >= 0 && stated.Within < x) {
				return nil, d.Errorf("/values/"+k, "write a number from 0 to less than the value", "%q is no tolerance of %g", within, x)
			}
		}
		p.Stated = append(p.Stated, stated)
	}
	for _, k := range slices.Sorted(maps.Keys(f.Switches)) {
		if p.Switching, err = p.Site.Put(p.Switching, site.Setting{Switch: k, Position: f.Switches[k]}); err != nil {
			return nil, d.Errorf("/switches/"+string(k), "", "%s", err)
		}
	}
	for i, id := range f.Departures {
		dep, err := p.Site.DepartureNamed(id)
		if err == nil && slices.Contains(f.Departures[:i], id) {
			err = fmt.Errorf("%q stands twice: name each departure once", id)
		}
		if err != nil {
			return nil, d.Errorf(fmt.Sprintf("/departures/%d", i), "", "%s", err)
		}
		p.Departures = append(p.Departures, dep)
	}
	return p, nil
}
