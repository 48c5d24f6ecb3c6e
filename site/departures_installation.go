package site

import (
	"slices"
	"strings"
)

// installation holds the departures beyond the meter.
func (c *catalogue) installation() {
	s := c.site
	u := s.Spec.Units[0]
	first := s.Lines()[0]
	met, e := c.met(), "board."+u+"-e"
	if !s.Spec.NoSocket {
		c.add("exchanged/socket.l-n", "line and neutral are exchanged at the socket", seldom, Consumer, true, adviseUser, swap("socket.l:b", "socket.n:b"))
		c.add("exchanged/socket.l-e", "line and earth are exchanged at the socket", rare, Consumer, true, tellUser, swap("socket.l:b", "socket.e:b"))
		c.add("exchanged/socket.n-e", "neutral and earth are exchanged at the socket", seldom, Consumer, true, adviseUser, swap("socket.n:b", "socket.e:b"))
		c.add("open/socket.l", "the line of the socket is open", often, Consumer, false, adviseUser, part("socket.l"))
		c.jointFaults("socket.n", "socket.n", "the neutral of the socket", Consumer, returnRole, adviseUser, adviseUser)
		c.jointFaults("socket.e", "socket.e", "the earth of the socket", Consumer, earthRole, adviseUser, adviseUser)
	}
	for _, unit := range s.Spec.Units {
		c.add("exchanged/bars."+unit, "the neutral and earth bars of the "+unit+" consumer unit are exchanged", rare, Consumer, true, tellUser,
			swap("main."+unit+".n:b", "unit-earth."+unit+":b"))
		c.add("open/unit-earth."+unit, "the earth bar of the "+unit+" consumer unit is not joined", seldom, Consumer, true, tellUser, part("unit-earth."+unit))
		for _, l := range append(s.Lines(), "n") {
			name := named(l)
			if l == "n" {
				name = "the neutral"
			}
			c.add("welded/main."+unit+"."+l, "the "+unit+" main switch does not part "+name, rare, Consumer, true, tellUser, shut("main."+unit+"."+l))
			c.add("open/main."+unit+"."+l, "the "+unit+" main switch does not join "+name, rare, Consumer, l == "n", tellUser, part("main."+unit+"."+l))
		}
		var poles []string
		for _, l := range append(s.Lines(), "n") {
			poles = append(poles, "main."+unit+"."+l)
		}
		c.add("welded/main."+unit, "the "+unit+" main switch parts nothing", rare, Consumer, true, tellUser, shut(poles...))
		c.add("fault/neutral-earth."+unit, "neutral and earth are joined in the "+unit+" installation", seldom, Consumer, true, adviseUser,
			bridge("board."+unit+"-n", "board."+unit+"-e", 0.05))
	}
	for _, m := range s.Spec.Metalwork {
		words := strings.ReplaceAll(m, "-", " ")
		node := "metalwork." + m
		c.add("missing/bond."+m, "the "+words+" is not bonded", often, Consumer, true, adviseUser, part("bond."+m))
		c.add("fault/case-unearthed."+m, "a line touches the "+words+", which is not joined to earth", rare, Consumer, true, keepClear,
			part("bond."+m), bridge("board."+u+"-"+first, node, weakOhm))
		c.add("fault/case-earthed."+m, "a line leaks to the "+words+", which is joined to earth", rare, Consumer, true, tellUser,
			bridge("board."+u+"-"+first, node, caseOhm))
	}
	c.add("leak/line-earth", "a line of the installation leaks to earth", seldom, Consumer, true, adviseUser, bridge("board."+u+"-"+first, e, 5e3))
	c.add("damp/line-earth", "the insulation of a line to earth has fallen", often, Consumer, false, adviseUser, bridge("board."+u+"-"+first, e, 200e3))
	c.add("diverted/pipe", "neutral current of the neighbours flows in bonded pipes", seldom, Distributor, true, keepClear, bridge(mainN, met, streetOhm))
	if s.Spec.Arrangement == TT {
		c.add("stuck/rcd", "the residual current device does not operate", seldom, Consumer, true, tellUser, Change{Op: Raise, On: []string{"rcd-stuck"}})
	}
	if s.Spec.Phases == 3 {
		for _, p := range [][2]string{{"l1", "l2"}, {"l2", "l3"}, {"l3", "l1"}} {
			c.add("sequence/board."+p[0]+"-"+p[1], named(p[0])+" and "+named(p[1])+" are exchanged at the consumer unit", seldom, Consumer, false, adviseUser,
				swap("main."+u+"."+p[0]+":a", "main."+u+"."+p[1]+":a"))
		}
		for _, l := range s.Lines() {
			c.add("exchanged/board."+l+"-n", named(l)+" and neutral are exchanged at the consumer unit", rare, Consumer, true, tellUser,
				swap("main."+u+"."+l+":a", "main."+u+".n:a"))
		}
	}
}

// instrumentConditions lists the kinds by short name, with their words and the
// conditions that apply, as package instrument names them; a test of package world
// keeps them agreed. Those that hide are a danger: the instrument shows a voltage, a
// load or a short as none. The others show trouble where there is none.
var instrumentConditions = []struct {
	short, kind, words string
	hide, others       []string
}{
	{"socket-tester", "socket-tester", "socket tester", []string{"dead", "stuck-on"}, nil},
	{"detector", "non-contact-detector", "non-contact detector", []string{"dead", "weak-battery", "not-coupled"}, []string{"stuck-on"}},
	{"two-pole", "two-pole-detector", "two-pole detector", []string{"dead", "weak-battery", "broken-lead", "intermittent-lead"}, []string{"stuck-on"}},
	{"lamp", "loaded-test-lamp", "loaded test lamp", []string{"dead", "blown-lamp", "broken-lead", "intermittent-lead"}, nil},
	{"voltmeter", "voltmeter", "voltmeter", []string{"dead", "broken-lead", "intermittent-lead", "wrong-range"}, []string{"weak-battery"}},
	{"loop-tester", "loop-tester", "loop tester", nil, []string{"dead", "weak-battery", "broken-lead", "wrong-range"}},
	{"continuity", "continuity-tester", "continuity tester", []string{"dead", "broken-lead"}, []string{"weak-battery"}},
	{"sequence", "phase-sequence-indicator", "phase sequence indicator", nil, []string{"dead", "broken-lead"}},
	{"clamp", "clamp-meter", "clamp meter", []string{"dead", "wrong-range"}, []string{"weak-battery"}},
	{"rcd-tester", "rcd-tester", "RCD tester", nil, []string{"dead", "broken-lead"}},
}

var conditionWords = map[string]string{
	"dead": "is dead", "stuck-on": "is stuck on", "weak-battery": "has a weak battery", "broken-lead": "has a broken lead",
	"intermittent-lead": "has a lead that fails now and then", "wrong-range": "stands on the wrong range",
	"blown-lamp": "has a blown lamp", "not-coupled": "is not coupled to earth through the person",
}

// instruments holds the departures of instruments. One that fails between two
// provings is the same departure, there from then on.
func (c *catalogue) instruments() {
	for _, k := range instrumentConditions {
		if k.short == "socket-tester" && c.site.Spec.NoSocket || k.short == "sequence" && c.site.Spec.Phases == 1 || k.short == "rcd-tester" && c.site.Spec.Arrangement != TT {
			continue
		}
		for i, condition := range slices.Concat(k.hide, k.others) {
			id := condition + "/" + k.short
			if condition == "blown-lamp" {
				id = "blown/lamp"
			}
			rate := seldom
			if condition == "weak-battery" || condition == "broken-lead" {
				rate = often
			}
			c.list = append(c.list, Departure{
				ID: id, Words: "the " + k.words + " " + conditionWords[condition], Nature: OfInstrument,
				Kind: k.kind, Condition: condition, Danger: i < len(k.hide), Prior: Prior{rate, "P"}, Owner: Employer, Do: takeOut,
			})
		}
	}
}

// people holds the departures of whoever tests.
func (c *catalogue) people() {
	metal := "metalwork." + c.site.Spec.Metalwork[0]
	person := func(id, words string, rate float64, changes ...Change) *Departure {
		d := c.add(id, words, rate, Employer, true, []string{"Stop and read again as the method says", "Prove the instrument before and after"}, changes...)
		d.Nature = OfPerson
		return d
	}
	person("follows-metal/body", "the person's body follows the metal: it touches it, or leans on it", often, bridge(string(Body), metal, 1000))
	person("insulated/body", "the person stands on an insulating floor, close to the metal", often, part("body.leak"), coupled(string(Body), metal, 300e-12))
	person("lifted/body", "the person's body is lifted by something live nearby", seldom, coupled(string(Body), "main.l1", 200e-12))
	person("pinhole/glove", "a glove has a pinhole", seldom).Unseen = "no instrument passes through the glove: it is found by the air test"
	person("painted/probe", "the probe was held on paint", often).Unseen =
		"the reading is that of a broken lead, for one point only: a second instrument with its own leads finds it"
	person("wrong/terminal", "the probe was on another terminal than was noted", seldom).Unseen =
		"the reading is right for another point: a second reading finds it"
	source := person("dead/proving-source", "the proving source is dead", seldom)
	source.Danger = false
	source.Unseen = "the instrument fails its proving on it: nothing at the position has changed"
}
