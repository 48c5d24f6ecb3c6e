package site

import (
	"slices"
	"strings"
	"testing"
)

// where says at which positions a departure of the trade's list has to stand.
type where func(s Spec) bool

func always(Spec) bool          { return true }
func tns(s Spec) bool           { return s.Arrangement == TNS }
func tncs(s Spec) bool          { return s.Arrangement == TNCS }
func tt(s Spec) bool            { return s.Arrangement == TT }
func tn(s Spec) bool            { return s.Arrangement != TT }
func single(s Spec) bool        { return s.Phases != 3 }
func three(s Spec) bool         { return s.Phases == 3 }
func whole(s Spec) bool         { return s.Metering != CTOperated }
func ct(s Spec) bool            { return s.Metering == CTOperated }
func switched(s Spec) bool      { return s.Switched }
func wholeThree(s Spec) bool    { return whole(s) && three(s) }
func has(src Source) where      { return func(s Spec) bool { return slices.Contains(s.Sources, src) } }
func without(src Source) where  { return func(s Spec) bool { return !slices.Contains(s.Sources, src) } }
func inFirst(s Spec) string     { return s.WithDefaults().Units[0] }
func firstMetal(s Spec) string  { return s.WithDefaults().Metalwork[0] }
func firstLine(s Spec) string   { return map[bool]string{true: "l1", false: "l"}[three(s)] }
func firstSuffix(s Spec) string { return map[bool]string{true: ".l1", false: ""}[three(s)] }

// inTheTrade lists by kind what the trade meets [P], each as the id that stands for
// it and the positions that have it. {x} is the first line's ending, {l} the first
// line, {u} the first consumer unit, {m} the first metal part.
var inTheTrade = []struct {
	kind string
	ids  string
	at   where
}{
	{"service", "reversed/service{x} reversed/street-joint{x} open/service.n open/main.n weak/service.{l} failing/service.{l} weak/service.n failing/service.n none/supply looped/neighbour", always},
	{"service", "open/service.e open/main.e", tns},
	{"service", "second/phase", single},
	{"service", "back-feed/second-supply", has(SecondSupply)},
	{"cut-out", "wrong/fuse fused/neutral cracked/cutout unshrouded/contact", always},
	{"cut-out", "reversed/cutout-tails{x} bridged/fuse{x} blown/neutral-fuse", whole},
	{"cut-out", "open/pen-link", tncs},
	{"meter", "reversed/meter-in{x} reversed/meter-out{x} exchanged/in-out{x} bypass/meter{x} open/meter.{l}-in open/meter.{l}-out open/tail.n open/meter.n-out beside/neutral open/meter-switch{x} crossed/premises unknown/unit{x} shorted/meter-out{x}", whole},
	{"meter", "unmetered/tail{x}", always},
	{"meter", "welded/contactor stuck/contactor unswitched/switched-load", switched},
	{"installation", "exchanged/socket.l-n exchanged/socket.l-e exchanged/socket.n-e exchanged/bars.{u} open/socket.e open/socket.n open/unit-earth.{u} missing/bond.{m} diverted/pipe fault/case-earthed.{m} fault/case-unearthed.{m} fault/neutral-earth.{u} borrowed/neutral back-feed/next-door phantom/tails phantom/board charge/stored welded/main.{u}", always},
	{"installation", "open/earthing-conductor", tn},
	{"installation", "open/electrode dry/electrode stuck/rcd", tt},
	{"installation", "back-feed/inverter", has(Inverter)},
	{"installation", "back-feed/unknown-inverter", without(Inverter)},
	{"installation", "back-feed/battery", has(Battery)},
	{"installation", "back-feed/unknown-battery", without(Battery)},
	{"installation", "back-feed/vehicle", has(Vehicle)},
	{"installation", "back-feed/unknown-vehicle", without(Vehicle)},
	{"installation", "back-feed/generator", has(Generator)},
	{"installation", "back-feed/unknown-generator", without(Generator)},
	{"three phases", "sequence/service.l1-l2 lost/main.l1 lost/main.l2 lost/main.l3 exchanged/board.l1-n reversed/service.l2 reversed/service.l3", three},
	{"three phases", "sequence/meter-in.l1-l2 sequence/meter-out.l2-l3 shorted/meter-out.l3-l1", wholeThree},
	{"current transformers", "polarity/ct.l1 paired/ct.l1-l2 paired/voltage.l2-l3 ratio/ct.l1 open/ct.l1 shorted/ct.l1 blown/voltage-fuse.l1", ct},
	{"instruments", "dead/two-pole dead/voltmeter dead/lamp dead/detector dead/loop-tester dead/clamp dead/continuity stuck-on/two-pole stuck-on/detector weak-battery/detector weak-battery/two-pole weak-battery/voltmeter broken-lead/two-pole broken-lead/voltmeter intermittent-lead/two-pole intermittent-lead/voltmeter wrong-range/voltmeter wrong-range/loop-tester blown/lamp not-coupled/detector", always},
	{"instruments", "dead/sequence", three},
	{"instruments", "dead/rcd-tester", tt},
	{"people", "painted/probe follows-metal/body insulated/body lifted/body wrong/terminal pinhole/glove dead/proving-source", always},
	{"claims", "claimed/pen-upstream", tns},
	{"claims", "claimed/tt", tn},
	{"claims", "claimed/tn-c-s", tt},
	{"claims", "joined/reference dry/reference", func(s Spec) bool { return s.Reference }},
}

// Everything that the trade meets stands in the catalogue of each position that can
// have it, with somebody who mends it and something to do.
func TestTheTradesDeparturesAreThere(t *testing.T) {
	asked := 0
	met := make([]bool, len(inTheTrade))
	for _, spec := range append(specs(), Spec{Arrangement: TNCS, Phases: 3, Reference: true, Sources: []Source{SecondSupply, Vehicle, Generator, Battery}}) {
		s, err := Expand(spec)
		if err != nil {
			t.Fatal(err)
		}
		have := map[string]bool{}
		for _, d := range s.Departures() {
			have[d.ID] = true
			if d.Owner == "" || len(d.Do) == 0 || len(d.Do) > 3 || d.Prior.Mark != "P" || d.Prior.Rate <= 0 {
				t.Errorf("%s: owner %q, to do %q, rate %g %s", d.ID, d.Owner, d.Do, d.Prior.Rate, d.Prior.Mark)
			}
			for _, words := range append([]string{d.Words, d.Unseen}, d.Do...) {
				if strings.Contains(strings.ToLower(words), "safe") {
					t.Errorf("%s says %q", d.ID, words)
				}
			}
		}
		fill := strings.NewReplacer("{x}", firstSuffix(spec), "{l}", firstLine(spec), "{u}", inFirst(spec), "{m}", firstMetal(spec))
		for i, row := range inTheTrade {
			if !row.at(spec) {
				continue
			}
			met[i] = true
			for _, id := range strings.Fields(fill.Replace(row.ids)) {
				asked++
				if !have[id] {
					t.Errorf("%s, %d phases, %s: %s (%s) is missing", spec.Arrangement, s.Spec.Phases, s.Spec.Metering, id, row.kind)
				}
			}
		}
	}
	for i, row := range inTheTrade {
		if !met[i] {
			t.Errorf("no position of this test can have %s", row.ids)
		}
	}
	t.Logf("%d departures asked for", asked)
}
