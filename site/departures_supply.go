package site

// Ohms of joints and faults [P].
const (
	weakOhm      = 1   // a bad joint
	failingOhm   = 50  // a joint about to open
	caseOhm      = 200 // a fault that blows no fuse
	loadOhm      = 26.45
	streetOhm    = 0.3
	phantomFarad = 3e-9 // 30 m of cable beside a live one
)

// role is what a conductor is for: it decides which of its joint faults endanger.
type role int

const (
	// lineRole carries line: a fault of it takes voltage away.
	lineRole role = iota
	// returnRole carries a current that goes on when it opens, to a voltage: a
	// neutral of the installation, beyond which everything is live through the loads,
	// or the circuit of a current transformer. A joint of 1 Ω makes some tens of volts
	// at most.
	returnRole
	// earthRole is a protective conductor, or a neutral that metalwork hangs on:
	// any fault of it can leave metalwork live.
	earthRole
)

// jointFaults adds open, failing and weak for one conductor.
func (c *catalogue) jointFaults(name, id, words string, owner Owner, r role, doOpen, doWeak []string) {
	c.add("open/"+id, words+" is open", seldom, owner, r != lineRole, doOpen, part(name))
	c.add("failing/"+id, words+" has a joint about to open", seldom, owner, r != lineRole, doOpen, weaken(failingOhm, name))
	c.add("weak/"+id, words+" has a bad, hot joint", seldom, owner, r == earthRole, doWeak, weaken(weakOhm, name))
}

func (c *catalogue) service() {
	s := c.site
	pen := "the neutral of the service"
	if s.Spec.Arrangement == TNCS {
		pen = "the PEN conductor of the service"
	}
	for i, l := range s.Lines() {
		x := c.suffix(l)
		c.add("reversed/service"+x, named(l)+" and neutral of the service are exchanged at the cut-out", seldom, Distributor, true, keepClear,
			swap("service."+l+":b", "service.n:b"))
		c.add("reversed/street-joint"+x, named(l)+" and neutral of the service are exchanged at the joint in the street", rare, Distributor, true, keepClear,
			swap("service."+l+":a", "service.n:a"))
		c.jointFaults("service."+l, "service."+l, named(l)+" of the service", Distributor, lineRole, ringFirst, ringFirst)
		c.add("lost/main."+l, named(l)+" of the main is open before the service, neighbours' load beyond the break", seldom, Distributor, false, ringFirst,
			Change{Op: Lose, On: []string{c.feedOf(i)}})
	}
	c.jointFaults("service.n", "service.n", pen, Distributor, earthRole, keepClear, keepClear)
	c.add("open/main.n", "the neutral of the main is open before the service, neighbours' load beyond the break", rare, Distributor, true, keepClear, part("main.n"))
	c.add("weak/main.n", "the neutral of the main has a bad joint before the service", rare, Distributor, true, keepClear, weaken(weakOhm, "main.n"))
	all := []string{"main.l1", "main.l2", "main.l3"}
	c.add("none/supply", "there is no supply", often, Distributor, false, ringFirst, Change{Op: Silence, On: all})
	c.add("low/supply", "the voltage of the supply is a sixth too low", seldom, Distributor, false, report, Change{Op: Adjust, On: all, Factor: 5.0 / 6})
	c.add("high/supply", "the voltage of the supply is a sixth too high", seldom, Distributor, false, ringFirst, Change{Op: Adjust, On: all, Factor: 7.0 / 6})
	first := s.Lines()[0]
	c.add("looped/neighbour", "a neighbour is fed from this cut-out", often, Distributor, false, report, bridge("cutout."+first+"-supply", "cutout.n", loadOhm))
	if s.Spec.Arrangement == TNS {
		c.jointFaults("service.e", "service.e", "the earth of the service", Distributor, earthRole, keepClear, ringFirst)
		c.add("open/main.e", "the earth of the main is open before the service", rare, Distributor, true, keepClear, part("main.e"))
		c.add("leak/service-sheath", "the line of the service leaks to its sheath", rare, Distributor, true, keepClear, bridge("cutout."+first+"-supply", "cutout.e", caseOhm))
		c.add("exchanged/service.n-e", "neutral and earth of the service are exchanged at the cut-out", rare, Distributor, true, keepClear, swap("service.n:b", "service.e:b"))
	}
	if s.Spec.Phases == 1 {
		if !s.Spec.NoSocket {
			c.add("second/phase", "the socket is fed from another phase: 400 V within reach", rare, Consumer, true, keepClear,
				part("socket.l"), bridge("main.l2", "socket.l", streetOhm))
		}
	} else {
		for _, p := range [][2]string{{"l1", "l2"}, {"l2", "l3"}, {"l3", "l1"}} {
			c.add("sequence/service."+p[0]+"-"+p[1], named(p[0])+" and "+named(p[1])+" of the service are exchanged", seldom, Distributor, false, ringFirst,
				swap("service."+p[0]+":b", "service."+p[1]+":b"))
		}
	}
}

func (c *catalogue) cutout() {
	s := c.site
	tail := func(l string) string {
		if s.Spec.Metering == CTOperated {
			return "ct." + l
		}
		return "tail-in." + l
	}
	for _, l := range s.Lines() {
		x := c.suffix(l)
		c.add("blown/fuse"+x, "the service fuse of "+named(l)+" has operated", often, Distributor, false, ringFirst, part("fuse."+l))
		c.add("weak/fuse"+x, "the fuse carrier of "+named(l)+" makes bad contact", seldom, Distributor, false, ringFirst, weaken(weakOhm, "fuse."+l))
		if s.Spec.Metering == WholeCurrent {
			c.add("bridged/fuse"+x, "the service fuse of "+named(l)+" is bridged: taking the carrier out parts nothing", rare, Distributor, true, keepClear,
				bridge("cutout."+l+"-supply", "cutout."+l+"-load", 0))
			c.add("reversed/cutout-tails"+x, "the tails of "+named(l)+" and neutral are exchanged at the cut-out", seldom, Employer, true, putRight,
				swap("tail-in."+l+":a", "tail-in.n:a"))
		}
		c.add("unmetered/tail"+x, "a second tail from the cut-out feeds a load past the meter, on "+named(l), seldom, Supplier, false, tellOffice,
			bridge("cutout."+l+"-load", "cutout.n", loadOhm))
	}
	if s.Spec.Metering == WholeCurrent {
		c.add("blown/neutral-fuse", "a fuse in the neutral has operated", rare, Distributor, true, keepClear, part(tail("n")))
	}
	c.add("fused/neutral", "the neutral is fused, and the fuse is whole", seldom, Distributor, true, ringFirst).Unseen =
		"a whole fuse conducts like a link: it is found by looking"
	c.add("wrong/fuse", "the service fuse is of the wrong kind or rating", seldom, Distributor, false, report).Unseen =
		"no reading depends on the rating of a fuse that does not operate: it is found by looking at the fuse"
	c.add("cracked/cutout", "the cut-out or its carrier is cracked", seldom, Distributor, true, keepClear).Unseen =
		"nothing that conducts has changed: it is found by looking"
	c.add("unshrouded/contact", "a live contact can be touched with the carrier out", seldom, Distributor, true, keepClear).Unseen =
		"nothing that conducts has changed: it is found by looking"
	metal := "metalwork." + s.Spec.Metalwork[0]
	c.add("tracking/cutout", "the cut-out tracks from line to metal", rare, Distributor, true, keepClear, bridge("cutout."+s.Lines()[0]+"-supply", metal, 10e3))
	if s.Spec.Arrangement == TNCS {
		c.jointFaults("pen-link", "pen-link", "the link from the PEN to the earth terminal", Distributor, earthRole, ringFirst, ringFirst)
	}
	if s.Spec.Arrangement != TT {
		c.jointFaults("earthing-conductor", "earthing-conductor", "the earthing conductor", Consumer, earthRole, adviseUser, adviseUser)
	} else {
		c.add("open/electrode", "the earth electrode is not joined", seldom, Consumer, true, adviseUser, part("electrode"))
		c.add("dry/electrode", "the earth electrode has a resistance that is far too high", seldom, Consumer, true, adviseUser, weaken(2000, "electrode"))
	}
}

// sources are supplies on the consumer's side that feed back.
func (c *catalogue) sources() {
	s := c.site
	u := s.Spec.Units[0]
	first := s.Lines()[0]
	known := map[Source]bool{}
	for _, src := range s.Spec.Sources {
		known[src] = true
	}
	words := map[Source]string{
		Inverter: "an inverter goes on without the supply", Battery: "a battery feeds the installation without the supply",
		Generator: "a generator feeds the installation without a change-over", Vehicle: "a vehicle feeds the installation without the supply",
	}
	for _, src := range []Source{Inverter, Battery, Generator, Vehicle} {
		id, rate, text := "back-feed/"+string(src), seldom, words[src]
		if !known[src] {
			id, rate, text = "back-feed/unknown-"+string(src), rare, text+", and nobody has said that it is there"
		}
		c.add(id, text, rate, Consumer, true, findSource, Change{Op: Raise, On: []string{"island." + string(src)}})
	}
	c.add("back-feed/next-door", "a cable from next door feeds the consumer unit", rare, Consumer, true, findSource, bridge("main.l1", "board."+u+"-"+first, streetOhm))
	if known[SecondSupply] {
		c.add("back-feed/second-supply", "the second supply is joined to this one", seldom, Distributor, true, keepClear, bridge("main.l1", "unit."+u+"-"+first, streetOhm))
	}
	c.add("borrowed/neutral", "a circuit of the neighbour returns on this installation's neutral", seldom, Consumer, true, findSource, bridge("main.l1", "board."+u+"-n", loadOhm))
	c.add("phantom/tails", "30 m of cable beside a live one lifts the load side of the cut-out", often, Consumer, false, adviseUser,
		coupled("main.l1", "cutout."+first+"-load", phantomFarad))
	c.add("phantom/board", "30 m of cable beside a live one lifts the consumer unit", often, Consumer, false, adviseUser,
		coupled("main.l1", "board."+u+"-"+first, phantomFarad))
	c.add("charge/stored", "a direct voltage stands on a filter or a long cable after switching off", seldom, Consumer, true, tellUser).Unseen =
		"the model holds alternating voltages only: the rule is to discharge and to prove again"
}

// claims are differences between the arrangement that the job states and the one that is there.
func (c *catalogue) claims() {
	s := c.site
	switch s.Spec.Arrangement {
	case TNS:
		c.add("claimed/pen-upstream", "the supply is called TN-S, but its neutral and earth are one conductor before the service", often, Distributor, true, report,
			part("main.e"), bridge(mainE, mainN, 0))
		c.add("claimed/tt", "the supply is called TN-S, but the installation has only an electrode", seldom, Distributor, true, ringFirst,
			part("service.e"), bridge(c.met(), trueEarth, 80))
	case TNCS:
		c.add("claimed/tt", "the supply is called TN-C-S, but the installation has only an electrode", seldom, Distributor, true, ringFirst,
			part("pen-link"), bridge(c.met(), trueEarth, 80))
	case TT:
		c.add("claimed/tn-c-s", "the installation is called TT, but its earth is joined to the neutral", seldom, Distributor, true, ringFirst,
			bridge("cutout.n", c.met(), 0))
	}
	if s.Spec.Reference {
		c.add("joined/reference", "the earth reference that was taken for independent is joined to the installation", seldom, Employer, true, takeOut,
			part("spike"), bridge(string(Reference), c.met(), streetOhm))
		c.add("dry/reference", "the independent earth reference has a resistance that is far too high", seldom, Employer, true, takeOut, weaken(1e6, "spike"))
	}
}
