package drawing_test

import (
	"meterwright/internal/drawing"
	"meterwright/site"
)

// gallery is the positions that are looked at in a browser, each by a name.
var gallery = map[string]drawing.Position{
	"tncs":                {Claims: site.Spec{Arrangement: site.TNCS}, Tip: "meter.n-in", Other: "earthing.met", Switches: off("cover"), Tested: marked(drawing.Tested, "meter.l-in", "meter.l-out")},
	"tns-covered":         {Claims: site.Spec{Arrangement: site.TNS}, Tip: "metalwork.box", Other: "reference.independent"},
	"tt-dead-tests":       {Claims: site.Spec{Arrangement: site.TT}, Tip: "meter.l-in", Other: "earthing.met", Switches: off("cover", "carrier", "contact", "main.house", "seals"), Tested: marked(drawing.Lapsed, "meter.l-out", "meter.n-in", "cutout.l-load")},
	"lines-first":         {Claims: site.Spec{Arrangement: site.TNS, Terminals: []string{"l-in", "l-out", "n-in", "n-out"}}, Tip: "meter.l-out", Other: "meter.n-out", Switches: off("cover")},
	"switched":            {Claims: site.Spec{Arrangement: site.TNCS, Switched: true, Rates: 2, Export: true}, Tip: "meter.sw-out", Other: "body.self", Switches: off("cover")},
	"isolator":            {Claims: site.Spec{Arrangement: site.TNCS, Isolator: true}, Tip: "isolator.l-load", Other: "cutout.n", Switches: off("cover", "carrier")},
	"sources":             {Claims: site.Spec{Arrangement: site.TNS, Sources: []site.Source{site.Inverter, site.Battery}}, Tip: "socket.l", Other: "socket.e", Switches: off("source.inverter")},
	"two-units":           {Claims: site.Spec{Arrangement: site.TNCS, Units: []string{"house", "garage"}, Metalwork: []string{"box", "water-pipe", "door"}}, Tip: "unit.garage-l", Other: "earthing.met", Switches: off("main.garage")},
	"two-isolated":        {Claims: site.Spec{Arrangement: site.TNCS, Isolator: true, Units: []string{"house", "off-peak"}, Switched: true}, Tip: "cutout.l-supply", Other: "reference.independent", Switches: off("carrier", "main.house")},
	"tails-out":           {Claims: site.Spec{Arrangement: site.TNCS}, Tip: "cutout.l-load", Other: "cutout.n", Switches: off("carrier", "contact", "tails", "cover", "seals", "main.house")},
	"meter-off":           {Claims: site.Spec{Arrangement: site.TNS}, Act: "put-meter-on", Switches: off("carrier", "contact", "tails", "meter", "cover", "seals", "main.house")},
	"withdraw":            {Claims: site.Spec{Arrangement: site.TNCS}, Act: "withdraw-carrier", Switches: off("main.house", "cover")},
	"fuse-seen":           {Claims: site.Spec{Arrangement: site.TNCS}, Look: []site.SwitchID{site.Carrier}, Switches: off("main.house", "cover", "carrier")},
	"three":               {Claims: site.Spec{Arrangement: site.TNCS, Phases: 3}, Tip: "meter.l2-in", Other: "meter.n-in", Switches: off("cover"), Tested: marked(drawing.Tested, "meter.l1-in")},
	"three-tns":           {Claims: site.Spec{Arrangement: site.TNS, Phases: 3, Isolator: true, Units: []string{"house", "yard"}}, Tip: "cutout.l3-supply", Other: "earthing.met", Switches: off("cover", "carrier")},
	"three-tt":            {Claims: site.Spec{Arrangement: site.TT, Phases: 3, Terminals: []string{"l1-in", "l2-in", "l3-in", "n-in", "n-out", "l3-out", "l2-out", "l1-out"}}, Tip: "meter.l1-in", Other: "cutout.l2-load", Switches: off("cover")},
	"transformers":        {Claims: site.Spec{Arrangement: site.TNCS, Phases: 3, Metering: site.CTOperated}, Tip: "testblock.l2-s1", Other: "testblock.l2-s2", Switches: off("shorting-links", "cover")},
	"transformers-n-last": {Claims: site.Spec{Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated, Terminals: []string{"n-out", "l1-in", "l1-v", "l1-out", "l2-in", "l2-v", "l2-out", "l3-in", "l3-v", "l3-out", "n-in"}}, Tip: "meter.l3-v", Other: "testblock.n", Switches: off("cover", "voltage-fuses")},
}

// off are switches that stand away from home, by the position that site gives it.
func off(ids ...site.SwitchID) map[string]string {
	away := map[site.SwitchID]string{"carrier": "out", "contact": "shrouded", "tails": "out", "meter": "out", "cover": "off", "seals": "off",
		"main.house": "off", "main.garage": "off", "source.inverter": "locked off", "shorting-links": "shorted", "voltage-fuses": "out"}
	m := map[string]string{}
	for _, id := range ids {
		m[string(id)] = away[id]
	}
	return m
}

func marked(m drawing.Mark, ids ...site.PointID) map[site.PointID]drawing.Mark {
	all := map[site.PointID]drawing.Mark{}
	for _, id := range ids {
		all[id] = m
	}
	return all
}
