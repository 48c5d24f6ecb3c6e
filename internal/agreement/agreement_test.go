package agreement

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"meterwright/instrument"
	"meterwright/internal/test/golden"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/world"
)

// draws is how many credible healthy worlds each step is looked at in.
func draws() int {
	if os.Getenv("MW_SOAK") == "1" {
		return 1024
	}
	return 64
}

// reasons says why a healthy position with credible values can look otherwise than
// a step expects, by the beginning of the step's id. Each was read against the
// model and the method; a step that is not here must always look as expected.
var reasons = []reason{
	{"socket-line-earth", "the declared band is that of the supply's terminals, and the supply may stand at either end of it before the drop in main, service and wiring; the three-phase step stops, and so does the single-phase one above the band", true},
	{"socket-after-line-earth", "as before the work", true},
	{"socket-line-neutral", "as for line to earth at the socket; a remark", true},
	{"polarity-voltage", "the supply may stand at either end of the band at the transformer; with the drop in main and service it is outside at the meter, and within the voltmeter's accuracy of an end it is open", true},
	{"supply-voltage", "as at the meter, without the drop of this installation's own load", true},
	{"voltage-after", "as at the meter, without the drop of this installation's own load", true},
	{"voltage-l", "as for line to earth at the socket, before the wiring", true},
	{"carrying", "an inverter can carry nearly the whole load of a line, and the visit waits for a load that shows", true},
	{"shorted-block", "as before the links were shorted", true},
	{"current-after", "as before the links were shorted", true},
	{"loop-earth-tn-cs", "a small transformer behind a long, thin main comes within the loop tester's accuracy of the declared maximum", true},
	{"loop-neutral", "a small transformer behind a long, thin main comes within the loop tester's accuracy of what is usual; a remark", false},
	{"loop-neutral-tn-cs", "as for the loop with earth, which shares every conductor with it", true},
	{"loop-earth-tt", "credible rods reach 500 Ω, and one above 200 Ω is what the step is there to find", true},
}

type reason struct {
	step, why  string
	unexpected bool // more than doubtful
}

type tally struct{ doubtful, remarked, unexpected, of int }

// What a healthy position shows is what each step expects, with usual values
// always (the walk itself fails otherwise) and with credible ones but for the
// listed reasons. The rates are of draws that are even over every range, so that
// they overstate the ends; they are no statistics.
func TestHealthyLooksAsExpected(t *testing.T) {
	known := judge{}
	alarms := map[string]*tally{}
	walks, looks := 0, 0
	drawn := make([]site.Values, draws())
	tools := make([]map[instrument.Kind]instrument.Instrument, len(drawn))
	for k := range drawn {
		drawn[k], tools[k] = values(k), map[instrument.Kind]instrument.Instrument{}
		for _, m := range instrument.Models() {
			tools[k][m.Kind] = sound(k, m.Kind)
		}
	}
	eachWalk(t, func(w *walked) {
		walks++
		var states []site.Switching
		for i := range w.looks {
			if !slices.Contains(states, w.looks[i].switching) {
				states = append(states, w.looks[i].switching)
			}
		}
		for _, state := range states {
			in, err := world.New(world.Setup{Site: w.site, Values: w.loaded(site.Usual()), Switching: state})
			if err != nil {
				t.Fatal(err)
			}
			for k := range drawn {
				if err := in.Redraw(w.loaded(drawn[k])); err != nil {
					t.Fatal(err)
				}
				for i := range w.looks {
					l := &w.looks[i]
					if l.switching != state {
						continue
					}
					r, err := shown(in, tools[k][instrument.Kind(l.step.Observe.With)], l.step.Observe)
					if err != nil {
						t.Fatal(err)
					}
					looks++
					key := w.method + " " + string(w.job.Site.Arrangement) + " " + base(l.step.ID)
					if alarms[key] == nil {
						alarms[key] = &tally{}
					}
					a := alarms[key]
					a.of++
					switch known.found(t, w, l, r.Indication) {
					case visit.FoundExpected:
					case visit.FoundDoubtful:
						a.doubtful++
					case visit.FoundRemarked:
						a.remarked++
					default:
						a.unexpected++
					}
				}
			}
		}
	})
	t.Logf("%d walks, %d indications, %d judged", walks, looks, len(known))
	if walks < 150 || looks < 100_000 {
		t.Errorf("only %d indications of %d walks", looks, walks)
	}
	var text strings.Builder
	used := map[string]bool{}
	last := ""
	for _, key := range sorted(alarms) {
		a := alarms[key]
		if a.doubtful+a.remarked+a.unexpected == 0 {
			continue
		}
		id := key[strings.LastIndexByte(key, ' ')+1:]
		i := slices.IndexFunc(reasons, func(r reason) bool { return id == r.step || r.step != "loop-neutral" && strings.HasPrefix(id, r.step) })
		if i < 0 || a.unexpected > 0 && !reasons[i].unexpected {
			t.Errorf("%s: a healthy position is doubtful in %d and unexpected in %d of %d: find out who is wrong", key, a.doubtful, a.unexpected, a.of)
			continue
		}
		used[reasons[i].step] = true
		if head := key[:len(key)-len(id)-1]; head != last {
			fmt.Fprintf(&text, "\n%s\n", head)
			last = head
		}
		share := func(n int) float64 { return 100 * float64(n) / float64(a.of) }
		fmt.Fprintf(&text, "  %-24s doubtful %4.1f %%, unexpected %4.1f %%", id, share(a.doubtful), share(a.unexpected))
		if a.remarked > 0 {
			fmt.Fprintf(&text, ", only remarked on %4.1f %%", share(a.remarked))
		}
		fmt.Fprintf(&text, ": %s\n", reasons[i].why)
	}
	if os.Getenv("MW_SOAK") == "1" {
		for _, r := range reasons {
			if !used[r.step] {
				t.Errorf("%s: a reason that no draw needs: take it out", r.step)
			}
		}
		return // the golden file holds the rates of the default count
	}
	golden.Check(t, filepath.Join("testdata", "alarms.golden"), "Readings at which a healthy position with credible values can look otherwise than a step expects.\n"+text.String())
}

func base(id string) string { id, _, _ = strings.Cut(id, "/"); return id }

func sorted[V any](m map[string]V) []string {
	var list []string
	for k := range m {
		list = append(list, k)
	}
	slices.Sort(list)
	return list
}

// catches is what the departures of the catalogue do to one step.
type catches struct {
	points, idle int      // steps that the pattern stands for, and those that no wiring fails
	wiring       []string // departures of the wiring judged unexpected
	tools        []string // of instruments and of people
	opened       []string // judged doubtful
	remarked     []string // unexpected, and remarked on alone: the work goes on
	pair         bool     // the pair of idle fails it
}

// What each step can catch: the departures, each alone and there from the start,
// with usual values, whose indication would be judged unexpected, or only
// doubtful. The list is read by eye; a step that catches nothing has a reason in
// it.
func TestWhatEachStepCatches(t *testing.T) {
	known := judge{}
	rows := map[string]map[string]*catches{} // head, step
	order := map[string][]string{}
	eachWalk(t, func(w *walked) {
		kept := strings.HasSuffix(w.name, ", full") || strings.HasSuffix(w.name, ", full, every-pair")
		if !kept {
			return
		}
		head := w.method + " " + string(w.job.Site.Arrangement)
		if rows[head] == nil {
			rows[head] = map[string]*catches{}
		}
		all := w.site.Departures()
		failed, tools, open, remarked := make([][]string, len(w.looks)), make([][]string, len(w.looks)), make([][]string, len(w.looks)), make([][]string, len(w.looks))
		healthy := map[site.Switching]*world.World{}
		for n := range all {
			d := &all[n]
			worlds, setup := healthy, world.Setup{Site: w.site, Values: w.loaded(site.Usual())}
			if len(d.Changes) > 0 {
				worlds, setup.Departures = map[site.Switching]*world.World{}, all[n:n+1]
			}
			for i := range w.looks {
				l := &w.looks[i]
				in := worlds[l.switching]
				if in == nil {
					setup.Switching = l.switching
					var err error
					if in, err = world.New(setup); err != nil {
						t.Fatal(err)
					}
					worlds[l.switching] = in
				}
				tool := in.Instrument(instrument.Kind(l.step.Observe.With))
				if d.Kind == string(tool.Kind) {
					tool.Condition = instrument.Condition(d.Condition)
				}
				r, err := shown(in, tool, l.step.Observe)
				if err != nil {
					t.Fatal(err)
				}
				switch found := known.found(t, w, l, r.Indication); found {
				case visit.FoundExpected:
				case visit.FoundDoubtful:
					open[i] = append(open[i], d.ID)
				default:
					if found == visit.FoundRemarked {
						remarked[i] = append(remarked[i], d.ID)
					}
					if d.Nature != site.OfWiring {
						tools[i] = append(tools[i], d.ID)
					} else {
						failed[i] = append(failed[i], d.ID)
					}
				}
			}
		}
		for i := range w.looks {
			step := base(w.looks[i].step.ID)
			c := rows[head][step]
			if c == nil {
				c = &catches{}
				rows[head][step] = c
				order[head] = append(order[head], step)
			}
			if row := idleRow(w.job.Site.Arrangement, step); row >= 0 && !c.pair {
				c.pair = w.pairFails(t, known, row, &w.looks[i])
			}
			if c.points++; len(failed[i]) == 0 {
				c.idle++
			}
			c.wiring, c.tools = merge(c.wiring, failed[i]), merge(c.tools, tools[i])
			c.opened, c.remarked = merge(c.opened, open[i]), merge(c.remarked, remarked[i])
		}
	})
	var text strings.Builder
	text.WriteString("What each step catches: departures, each alone, whose indication is judged unexpected: of the wiring + of instruments and people; the wiring's are named.\nReadings are counted over positions with everything a position can have, with and without a reference.\n")
	for _, head := range sorted(rows) {
		fmt.Fprintf(&text, "\n%s\n", head)
		for _, step := range order[head] {
			c := rows[head][step]
			fmt.Fprintf(&text, "  %-38s %2d + %d", step, len(c.wiring), len(c.tools))
			if len(c.opened) > 0 {
				fmt.Fprintf(&text, " (%d doubtful)", len(c.opened))
			}
			if len(c.remarked) > 0 {
				fmt.Fprintf(&text, " (only remarked on: %s)", strings.Join(c.remarked, ", "))
			}
			if c.idle > 0 && c.idle < c.points {
				fmt.Fprintf(&text, " [%d of its %d readings catch no wiring]", c.idle, c.points)
			}
			if len(c.wiring) == 0 {
				i := idleRow(site.Arrangement(head[strings.LastIndexByte(head, ' ')+1:]), step)
				if i < 0 {
					t.Errorf("%s: %s catches no departure of the wiring: why does it stand in the method?", head, step)
					continue
				}
				if !c.pair {
					t.Errorf("%s: %s is not failed by %v together either", head, step, idle[i].pair)
				}
				fmt.Fprintf(&text, " ALONE NOTHING: %s (%s with %s)", idle[i].why, idle[i].pair[0], idle[i].pair[1])
			}
			for i, id := range c.wiring {
				if i == 6 && len(c.wiring) > 7 {
					fmt.Fprintf(&text, ", and %d more", len(c.wiring)-i)
					break
				}
				fmt.Fprintf(&text, "%s %s", map[bool]string{true: ":", false: ","}[i == 0], id)
			}
			text.WriteByte('\n')
		}
	}
	golden.Check(t, filepath.Join("testdata", "steps.golden"), text.String())
}

// ofTheEarth are the steps that look whether the earth itself is live.
var ofTheEarth = []string{"dead-earth-reference", "dead-metalwork-reference", "dead-earth-body", "dead-metalwork-body",
	"polarity-earth-body", "independent-earth-reference", "independent-earth-body", "independent-metalwork-body",
	"polarity-after-earth-reference", "polarity-after-earth-body"}

// idle says why a step that no departure of the wiring fails, each alone and with
// usual values, stands in a method all the same: two departures together fail it.
var idle = []struct {
	arrangement site.Arrangement
	steps       []string
	why         string
	pair        [2]string
}{
	{site.TNCS, []string{"supply-neutral", "supply-lamp-earth-neutral", "dead-neutral-earth", "polarity-neutral", "voltage-after-neutral"},
		"neutral and earth are one conductor up to the cut-out and stay together whatever is exchanged before it; it takes an earth that is not joined there as well",
		[2]string{"reversed/service", "open/pen-link"}},
	{site.TNS, ofTheEarth,
		"the earth has its own conductor to the transformer; it takes a break of that as well as something that feeds it",
		[2]string{"leak/service-sheath", "open/service.e"}},
	{site.TT, ofTheEarth,
		"the earth has its own electrode; it takes a joint to the neutral that nobody knows of as well as a neutral that is live",
		[2]string{"reversed/service", "claimed/tn-c-s"}},
	{site.TNCS, []string{"dead-current-earth"}, shortedAndOpen, [2]string{"open/ct-short.l1", "open/meter.l1-out"}},
	{site.TNS, []string{"dead-current-earth"}, shortedAndOpen, [2]string{"open/ct-short.l1", "open/meter.l1-out"}},
	{site.TT, []string{"dead-current-earth"}, shortedAndOpen, [2]string{"open/ct-short.l1", "open/meter.l1-out"}},
}

const shortedAndOpen = "a secondary stands at a voltage only where it is open, and the link and the meter both close it; it takes both to fail"

// idleRow returns the place in idle of a step under an arrangement, or -1.
func idleRow(a site.Arrangement, step string) int {
	for i := range idle {
		if idle[i].arrangement == a && slices.Contains(idle[i].steps, step) {
			return i
		}
	}
	return -1
}

// pairFails reports whether the two departures of a row of idle, together, fail a
// step.
func (w *walked) pairFails(t *testing.T, known judge, row int, l *look) bool {
	t.Helper()
	setup := world.Setup{Site: w.site, Values: w.loaded(site.Usual()), Switching: l.switching}
	for _, id := range idle[row].pair {
		if w.job.Site.Phases == 3 && strings.HasPrefix(id, "reversed/") {
			id += ".l1"
		}
		d, err := w.site.DepartureNamed(id)
		if err != nil {
			t.Fatal(err)
		}
		setup.Departures = append(setup.Departures, d)
	}
	in, err := world.New(setup)
	if err != nil {
		t.Fatal(err)
	}
	r, err := shown(in, in.Instrument(instrument.Kind(l.step.Observe.With)), l.step.Observe)
	if err != nil {
		t.Fatal(err)
	}
	return known.found(t, w, l, r.Indication) == visit.FoundUnexpected
}

func merge(list, more []string) []string {
	for _, x := range more {
		if !slices.Contains(list, x) {
			list = append(list, x)
		}
	}
	return list
}
