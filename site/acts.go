package site

import "strings"

// Names of the switches that every whole-current position has.
const (
	Cover    SwitchID = "cover"
	Carrier  SwitchID = "carrier"
	Contact  SwitchID = "contact"
	TailsIn  SwitchID = "tails"
	MeterFit SwitchID = "meter"
	Seals    SwitchID = "seals"
	Shorting SwitchID = "shorting-links"
	VFuses   SwitchID = "voltage-fuses"
)

// MainSwitch returns the name of a consumer unit's main switch.
func MainSwitch(unit string) SwitchID { return SwitchID("main." + unit) }

// sourceSwitch returns the name of the switch that isolates a source.
func sourceSwitch(s Source) SwitchID { return SwitchID("source." + string(s)) }

func (s *Site) addSwitches() {
	add := func(id SwitchID, words string, home, away Position) {
		s.Switches = append(s.Switches, Switch{ID: id, Words: words, Home: home, Away: away})
	}
	for _, u := range s.Spec.Units {
		add(MainSwitch(u), u+" main switch", "on", "off")
	}
	for _, src := range s.Spec.Sources {
		add(sourceSwitch(src), strings.ReplaceAll(string(src), "-", " "), "joined", "locked off")
	}
	add(Seals, "seals", "on", "off")
	add(Cover, "meter terminal cover", "on", "off")
	if s.Spec.Metering == CTOperated {
		add(VFuses, "voltage fuses", "in", "out")
		add(Shorting, "current-circuit links at the test block", "through", "shorted")
	} else {
		add(Carrier, "cut-out carrier", "in", "out")
		add(Contact, "cut-out supply contact", "not shrouded", "shrouded")
		add(TailsIn, "tails at the meter", "in", "out")
	}
	add(MeterFit, "meter", "fitted", "out")
}

// addActs states what each act touches: the hand and tool positions that the
// trade teaches [P], from which the engine takes the points an act relies on.
func (s *Site) addActs() {
	metal, _ := s.Match("metalwork.*")
	terminals, _ := s.Match("meter.*")
	var load []PointID
	for _, l := range s.Lines() {
		load = append(load, PointID("cutout."+l+"-load"))
	}
	add := func(a Act) { s.Acts = append(s.Acts, a) }
	set := func(id SwitchID, p Position) []Setting { return []Setting{{Switch: id, Position: p}} }
	join := func(lists ...[]PointID) []PointID {
		var all []PointID
		for _, l := range lists {
			all = append(all, l...)
		}
		return all
	}

	add(Act{ID: "break-seals", Words: "take the seals off", Sets: set(Seals, "off"), Touches: metal})
	add(Act{ID: "fit-seals", Words: "fit the seals", Sets: set(Seals, "on"), Touches: metal})
	add(Act{ID: "take-cover-off", Words: "take the meter terminal cover off", Sets: set(Cover, "off"), Touches: metal})
	add(Act{ID: "put-cover-on", Words: "put the meter terminal cover on", Sets: set(Cover, "on"), MakeSafe: true})
	for _, u := range s.Spec.Units {
		id := MainSwitch(u)
		add(Act{ID: ActID("switch-off-" + u), Words: "switch the " + u + " main switch off", Sets: set(id, "off"), MakeSafe: true})
		add(Act{ID: ActID("switch-on-" + u), Words: "switch the " + u + " main switch on", Sets: set(id, "on"), Effect: Energise})
	}
	for _, src := range s.Spec.Sources {
		id, words := sourceSwitch(src), strings.ReplaceAll(string(src), "-", " ")
		add(Act{ID: ActID("lock-off-" + string(src)), Words: "isolate the " + words + " and lock it off", Sets: set(id, "locked off"), MakeSafe: true})
		add(Act{ID: ActID("unlock-" + string(src)), Words: "unlock the " + words + " and join it again", Sets: set(id, "joined"), Effect: Energise})
	}
	if s.Spec.Metering == CTOperated {
		// The links are worked with an insulated driver, and a fuse goes in by its carrier. Shorted, the meter's
		// current circuits are parted from the transformers that feed them.
		add(Act{ID: "short-secondaries", Words: "short the current circuits at the test block", Sets: set(Shorting, "shorted"), Effect: Deenergise, Touches: metal, MakeSafe: true})
		add(Act{ID: "restore-links", Words: "restore the links at the test block", Sets: set(Shorting, "through"), Effect: Energise})
		add(Act{ID: "take-voltage-fuses-out", Words: "take the voltage fuses out", Sets: set(VFuses, "out"), Effect: Deenergise, Touches: metal, MakeSafe: true})
		add(Act{ID: "put-voltage-fuses-in", Words: "put the voltage fuses in", Sets: set(VFuses, "in"), Effect: Energise})
	} else {
		add(Act{ID: "withdraw-carrier", Words: "withdraw the cut-out carrier", Sets: set(Carrier, "out"), Effect: Deenergise, Touches: metal})
		add(Act{ID: "shroud-contact", Words: "shroud the live supply contact", Sets: set(Contact, "shrouded"), MakeSafe: true})
		add(Act{ID: "bare-contact", Words: "take the shroud off the live supply contact", Sets: set(Contact, "not shrouded")})
		add(Act{ID: "take-tails-out", Words: "take the tails out of the meter", Sets: set(TailsIn, "out"), Effect: Rejoin, Touches: terminals})
		add(Act{ID: "connect-tails", Words: "connect the tails to the meter", Sets: set(TailsIn, "in"), Effect: Rejoin, Touches: terminals})
		add(Act{ID: "refit-carrier", Words: "refit the cut-out carrier",
			Sets:   []Setting{{Switch: Contact, Position: "not shrouded"}, {Switch: Carrier, Position: "in"}},
			Effect: Energise})
		add(Act{ID: "fit-isolating-switch", Words: "fit the isolating switch in the load-side tails", Effect: Rejoin, Touches: join(terminals, load)})
	}
	add(Act{ID: "take-meter-off", Words: "take the old meter off", Sets: set(MeterFit, "out"), Effect: Rejoin, Touches: terminals})
	add(Act{ID: "put-meter-on", Words: "put the new meter on", Sets: set(MeterFit, "fitted"), Effect: Rejoin, Touches: terminals})
}
