package visit

import (
	"fmt"
	"maps"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit/laws"
)

func shippedMachine(t testing.TB, id string, overlays []string, job method.Job) *Machine {
	t.Helper()
	lib, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := lib.Method(id)
	if err != nil {
		t.Fatal(err)
	}
	var over []*method.Overlay
	for _, o := range overlays {
		ov, err := lib.Overlay(o)
		if err != nil {
			t.Fatal(err)
		}
		over = append(over, ov)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(doc, over, job, limits)
	if err != nil {
		t.Fatal(err)
	}
	m, err := New(r)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// variant is one resolved method that the search walks.
type variant struct {
	name     string
	method   string
	overlays []string
	job      method.Job
	// full marks what only the full run walks, because another variant has the same steps.
	full bool
	// waived names the protection that an overlay takes away at an act.
	waived map[site.ActID]uint8
}

func variants() []variant {
	const single = "gb-single-phase-exchange"
	plain := func(a site.Arrangement) method.Job { return method.Job{Site: site.Spec{Arrangement: a}} }
	rich := method.Job{FitIsolator: true, Site: site.Spec{Arrangement: site.TNS, Switched: true, Rates: 2, Export: true,
		Sources: []site.Source{site.Inverter}, Metalwork: []string{"box", "pipe"}}}
	return []variant{
		{name: "TN-S", method: single, job: plain(site.TNS), full: true},
		{name: "TN-C-S", method: single, job: plain(site.TNCS)},
		{name: "TT", method: single, job: plain(site.TT), full: true},
		{name: "three-phase", method: "gb-three-phase-exchange", job: method.Job{Site: site.Spec{Arrangement: site.TNCS, Phases: 3}}},
		{name: "two-rate, export, switched, isolator, inverter", method: single, job: rich},
		{name: "every pair", method: single, overlays: []string{"every-pair"}, job: plain(site.TNCS)},
		{name: "metalwork first", method: single, overlays: []string{"metalwork-first"}, job: plain(site.TNCS)},
		{name: "gloves from the cut-out", method: single, overlays: []string{"gloves-from-cutout"}, job: plain(site.TNCS),
			waived: map[site.ActID]uint8{"break-seals": laws.Gloves, "take-cover-off": laws.Gloves, laws.BareReadings: laws.Gloves}},
	}
}

func soak() bool { return os.Getenv("MW_SOAK") != "" }

// projections runs one search for each proof and returns, for each law that was
// broken in any of them, the searches in which it was kept.
type outcome struct {
	states   int
	broken   []map[string]bool
	searches []*search
}

func (o *outcome) laws() []string {
	all := map[string]bool{}
	for _, b := range o.broken {
		maps.Copy(all, b)
	}
	return slices.Sorted(maps.Keys(all))
}

// convicts reports whether a law counts as broken. A law about evidence does when
// no search keeps it; any other does when one search breaks it.
func (o *outcome) convicts(law string) bool {
	for _, b := range o.broken {
		if !b[law] && strings.Contains(law, laws.Evidence) {
			return false
		}
	}
	return true
}

func walk(m *Machine, waived map[site.ActID]uint8) (*outcome, error) {
	out := &outcome{}
	for p := range m.proofs {
		s, err := newSearch(m, waived)
		if err != nil {
			return nil, err
		}
		s.project(p)
		if soak() {
			s.spite = 1
		}
		if err := s.run(nil); err != nil {
			return nil, fmt.Errorf("proof %s: %w", m.Method.Proofs[p].ID, err)
		}
		broken := map[string]bool{}
		for law := range s.broken {
			broken[law] = true
		}
		out.states += s.count
		out.broken = append(out.broken, broken)
		out.searches = append(out.searches, s)
	}
	return out, nil
}

// TestEveryReachableState walks every state of every shipped method, and prints
// the shortest trace to a law that is not kept.
func TestEveryReachableState(t *testing.T) {
	for _, v := range variants() {
		t.Run(v.name, func(t *testing.T) {
			t.Parallel()
			m := shippedMachine(t, v.method, v.overlays, v.job)
			if v.full && !soak() {
				base := shippedMachine(t, v.method, v.overlays, method.Job{Site: site.Spec{Arrangement: site.TNCS}})
				if !reflect.DeepEqual(m.steps, base.steps) || !reflect.DeepEqual(m.proofs, base.proofs) || !reflect.DeepEqual(m.acts, base.acts) || !reflect.DeepEqual(m.stops, base.stops) {
					t.Fatal("its engine differs from that of TN-C-S, so that it has to be walked by itself")
				}
				t.Log("the same engine as TN-C-S, step for step")
				return
			}
			start := time.Now()
			out, err := walk(m, v.waived)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%s: %d steps, %d states in %d searches, %s", v.name, len(m.steps), out.states, len(out.searches), time.Since(start).Round(time.Millisecond))
			if out.states > 1_000_000 {
				t.Errorf("%d states are more than a method may need", out.states)
			}
			acted := map[string]bool{}
			for _, law := range out.laws() {
				act, _, _ := strings.Cut(law, " ")
				acted[act] = true
				if out.convicts(law) {
					for i, s := range out.searches {
						if out.broken[i][law] {
							t.Errorf("following %s: %s", m.Method.Proofs[i].ID, s.trace(law))
							break
						}
					}
				}
			}
			// A search that never gets as far as an act would keep every law about it.
			for _, act := range []string{"take-cover-off", "withdraw-carrier", "take-tails-out", "put-meter-on", "refit-carrier", "switch-on-house", "fit-seals"} {
				if !acted[act] {
					t.Errorf("no search reached %s: nothing is shown about it", act)
				}
			}
		})
	}
}
