package site

import "fmt"

// meter holds the departures at a whole-current meter.
func (c *catalogue) meter() {
	s := c.site
	u := s.Spec.Units[0]
	out := func(l string) string {
		if s.Spec.Isolator {
			return "isolator." + l
		}
		return "tail-out." + u + "." + l
	}
	for _, l := range s.Lines() {
		x := c.suffix(l)
		c.add("reversed/meter-in"+x, named(l)+" and neutral are exchanged at the supply side of the meter", seldom, Employer, true, putRight,
			swap("tail-in."+l+":b", "tail-in.n:b"))
		c.add("reversed/meter-out"+x, named(l)+" and neutral are exchanged at the load side of the meter", seldom, Employer, true, putRight,
			swap(out(l)+":a", out("n")+":a"))
		c.add("exchanged/in-out"+x, "in and out of "+named(l)+" are exchanged at the meter", seldom, Employer, false, putRight,
			swap("tail-in."+l+":b", out(l)+":a"))
		c.add("bypass/meter"+x, "a conductor bypasses the meter on "+named(l), seldom, Supplier, false, tellOffice,
			bridge("meter."+l+"-in", "meter."+l+"-out", 0))
		c.add("open/meter-switch"+x, "the meter's own switch of "+named(l)+" is open", seldom, Supplier, false, adviseUser, part("meter."+l))
		c.add("dead/meter-voltage"+x, "the voltage circuit of the meter on "+named(l)+" has failed", rare, Supplier, false, meterFault, part("meter-voltage."+l))
		c.add("unknown/unit"+x, "a consumer unit that nobody named is fed through the meter on "+named(l), seldom, Consumer, false, findUnit,
			bridge("meter."+l+"-out", "meter.n-out", loadOhm))
		c.add("shorted/meter-out"+x, named(l)+" and neutral touch at the load side of the meter", rare, Employer, true, leaveOut,
			bridge("meter."+l+"-out", "meter.n-out", 0))
		c.jointFaults("tail-in."+l, "meter."+l+"-in", terminal(l, "in"), Employer, lineRole, putRight, putRight)
		c.jointFaults(out(l), "meter."+l+"-out", terminal(l, "out"), Employer, lineRole, putRight, putRight)
	}
	c.add("open/tail.n", "the neutral tail is open between cut-out and meter", seldom, Employer, true, putRight, part("tail-in.n"))
	c.add("failing/tail.n", "the neutral tail has a joint about to open", seldom, Employer, true, putRight, weaken(failingOhm, "tail-in.n"))
	c.add("weak/tail.n", "the neutral tail has a bad, hot joint", seldom, Employer, false, putRight, weaken(weakOhm, "tail-in.n"))
	c.jointFaults(out("n"), "meter.n-out", terminal("n", "out"), Employer, returnRole, putRight, putRight)
	c.add("beside/neutral", "the neutral does not pass through the meter", seldom, Employer, false, putRight,
		part(out("n")), bridge("cutout.n", "unit."+u+"-n", 0))
	first := s.Lines()[0]
	c.add("crossed/premises", "the meters of two premises are exchanged", seldom, Supplier, true, crossedMeters,
		part(out(first)), bridge("main.l1", "unit."+u+"-"+first, streetOhm), bridge("meter."+first+"-out", mainN, loadOhm))
	if s.Spec.Switched {
		c.add("welded/contactor", "the meter's contactor is closed out of its hours", seldom, Supplier, true, tellUser, shut("contactor"))
		c.add("unswitched/switched-load", "the load on the meter's switched terminal is behind no main switch", seldom, Consumer, false, findUnit,
			bridge("meter.sw-out", "meter.n-out", loadOhm))
		c.add("stuck/contactor", "the meter's contactor does not close in its hours", seldom, Supplier, false, adviseUser).Unseen =
			"a visit outside its hours finds the contactor open when it is healthy too"
	}
	if s.Spec.Phases == 3 {
		for _, p := range [][2]string{{"l1", "l2"}, {"l2", "l3"}, {"l3", "l1"}} {
			c.add("sequence/meter-in."+p[0]+"-"+p[1], named(p[0])+" and "+named(p[1])+" are exchanged at the supply side of the meter", seldom, Employer, false, putRight,
				swap("tail-in."+p[0]+":b", "tail-in."+p[1]+":b"))
			c.add("shorted/meter-out."+p[0]+"-"+p[1], named(p[0])+" and "+named(p[1])+" touch at the load side of the meter", rare, Employer, false, leaveOut,
				bridge("meter."+p[0]+"-out", "meter."+p[1]+"-out", 0))
			c.add("sequence/meter-out."+p[0]+"-"+p[1], named(p[0])+" and "+named(p[1])+" are exchanged at the load side of the meter", seldom, Employer, false, putRight,
				swap(out(p[0])+":a", out(p[1])+":a"))
		}
	}
}

// transformers holds the departures at a meter fed by current transformers.
func (c *catalogue) transformers() {
	for _, l := range c.site.Lines() {
		n := named(l)
		c.add("polarity/ct."+l, "the current transformer of "+n+" is the wrong way round", seldom, Employer, false, putRight, Change{Op: Turn, On: []string{"ct." + l}})
		c.add("ratio/ct."+l, "the current transformer of "+n+" has twice the ratio that is set", seldom, Employer, false, putRight, Change{Op: Rescale, On: []string{"ct." + l}, Factor: 2})
		c.add("open/ct."+l, "the secondary of the current transformer of "+n+" is open: a high voltage stands at its ends under load", rare, Employer, true, openCT, part("ct-lead."+l))
		c.add("shorted/ct."+l, "the secondary of the current transformer of "+n+" is shorted", seldom, Employer, false, putRight, shut("ct-short."+l))
		c.add("unearthed/ct."+l, "the secondary of the current transformer of "+n+" is not earthed", rare, Employer, true, putRight, part("ct-earth."+l))
		c.add("open/ct-short."+l, "the shorting link of "+n+" does not make", rare, Employer, true, openCT, part("ct-short."+l))
		c.add("bridged/voltage-fuse."+l, "the voltage circuit of "+n+" is fed round its fuse", rare, Employer, true, findSource, shut("voltage-fuse."+l))
		c.add("open/meter-v."+l, "the voltage conductor of "+n+" is open between test block and meter", seldom, Employer, false, putRight, part("meter-v."+l))
		c.add("shorted/meter-v."+l, "the voltage conductor of "+n+" touches the neutral at the meter", rare, Employer, true, leaveFusesOut, bridge("meter."+l+"-v", "meter.n-in", 0))
		c.add("earthed/meter-v."+l, "the voltage conductor of "+n+" touches earthed metal at the meter", rare, Employer, true, leaveFusesOut, bridge("meter."+l+"-v", string(MET), 0))
		c.add("blown/voltage-fuse."+l, "the voltage fuse of "+n+" has operated", seldom, Employer, false, putRight, part("voltage-fuse."+l))
		// Under load an open current circuit endangers wherever it is open.
		c.jointFaults("meter-in."+l, "meter."+l+"-in", terminal(l, "in"), Employer, returnRole, openCT, putRight)
		c.add("open/meter."+l+"-out", "the way of the current out of the meter is open on "+n, seldom, Employer, true, openCT, part("meter-out."+l))
		c.add("open/ct-primary."+l, "the conductor of "+n+" through its current transformer is open", rare, Employer, false, putRight, part("ct."+l))
		c.add("weak/ct-primary."+l, "the conductor of "+n+" through its current transformer has a bad joint", rare, Employer, false, putRight, weaken(weakOhm, "ct."+l))
		c.add("dead/meter-voltage."+l, "the voltage circuit of the meter on "+n+" has failed", rare, Supplier, false, meterFault, part("meter-voltage."+l))
	}
	for _, p := range [][2]string{{"l1", "l2"}, {"l2", "l3"}, {"l3", "l1"}} {
		words := fmt.Sprintf("%s and %s", named(p[0]), named(p[1]))
		c.add("paired/ct."+p[0]+"-"+p[1], "the currents of "+words+" are exchanged at the meter", seldom, Employer, false, putRight,
			swap("ct-lead."+p[0]+":a", "ct-lead."+p[1]+":a"), swap("ct-magnetising."+p[0]+":a", "ct-magnetising."+p[1]+":a"))
		c.add("paired/voltage."+p[0]+"-"+p[1], "the voltages of "+words+" are exchanged at the meter", seldom, Employer, false, putRight,
			swap("voltage-fuse."+p[0]+":b", "voltage-fuse."+p[1]+":b"))
		c.add("paired/meter-v."+p[0]+"-"+p[1], "the voltage conductors of "+words+" are exchanged between test block and meter", seldom, Employer, false, putRight,
			swap("meter-v."+p[0]+":b", "meter-v."+p[1]+":b"))
		c.add("sequence/load."+p[0]+"-"+p[1], words+" are exchanged beyond the current transformers", seldom, Employer, false, putRight,
			swap("ct."+p[0]+":b", "ct."+p[1]+":b"))
	}
	c.add("open/meter-neutral", "the neutral of the meter is open between test block and meter", seldom, Employer, false, putRight, part("meter-neutral"))
	c.add("open/voltage-neutral", "the neutral of the meter's voltage circuit is open", seldom, Employer, false, putRight, part("voltage-neutral"))
}
