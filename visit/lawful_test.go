package visit

import (
	"os"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

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
	// bare lists what is done without protection, as an overlay says.
	bare []laws.Breach
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
		{name: "CT-operated", method: "gb-ct-exchange", job: method.Job{Site: site.Spec{Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated, Metalwork: []string{"box", "pipe"}}}},
		{name: "two-rate, export, switched, isolator, inverter", method: single, job: rich},
		{name: "every pair", method: single, overlays: []string{"every-pair"}, job: plain(site.TNCS)},
		{name: "metalwork first", method: single, overlays: []string{"metalwork-first"}, job: plain(site.TNCS)},
		{name: "gloves from the cut-out", method: single, overlays: []string{"gloves-from-cutout"}, job: plain(site.TNCS),
			bare: []laws.Breach{{Law: laws.WithoutProtection, Act: "break-seals"}, {Law: laws.WithoutProtection, Act: "take-cover-off"}}},
	}
}

func soak() bool { return os.Getenv("MW_SOAK") != "" }

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
			start, spite := time.Now(), 0
			if soak() {
				spite = 1
			}
			w, err := m.walk(1_000_000, spite)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%s: %d steps, %d states in %d searches, %s", v.name, len(m.steps), w.states, len(w.searches), time.Since(start).Round(time.Millisecond))
			for i, s := range w.searches {
				t.Logf("  %s: %d states", m.Method.Proofs[i].ID, s.count)
			}
			var bare []laws.Breach
			for _, f := range w.findings() {
				if len(v.bare) > 0 && (f.Law == laws.WithoutProtection || f.Law == laws.ProbedBare) {
					if f.Law == laws.WithoutProtection {
						bare = append(bare, f.Breach)
					}
					continue
				}
				t.Error(f)
			}
			if !slices.Equal(bare, v.bare) {
				t.Errorf("done without protection: %v, want %v", bare, v.bare)
			}
			acted := map[site.ActID]bool{}
			for _, b := range w.breaches() {
				acted[b.Act] = true
			}
			// A search that never gets as far as an act would keep every law about it.
			acts := []site.ActID{"take-cover-off", "withdraw-carrier", "take-tails-out", "put-meter-on", "refit-carrier", "switch-on-house"}
			if v.job.Site.Metering == site.CTOperated {
				acts = []site.ActID{"take-cover-off", "take-meter-off", "put-meter-on", "put-voltage-fuses-in", "restore-links", "fit-seals"}
			}
			for _, act := range acts {
				if !acted[act] {
					t.Errorf("no search reached %s: nothing is shown about it", act)
				}
			}
		})
	}
}

// An event of a search is what a visit makes of it, in any state: what reduce makes of a trial depends on
// no more of the state than it is kept by.
func TestTrialsAreReducedAsAnyEvent(t *testing.T) {
	m := plainMachine(t)
	g, err := newGrounds(m)
	if err != nil {
		t.Fatal(err)
	}
	all := g.ts.all()
	rapid.Check(t, func(t *rapid.T) {
		c, _ := m.stepOn(Control{}, attempt{do: doOpen, step: -1, act: -1, tool: -1})
		for range rapid.IntRange(0, 80).Draw(t, "length") {
			if next, ok := m.stepOn(c, randomAttempt(t, m, &c)); ok {
				c = next
			}
		}
		c.contested = rapid.Bool().Draw(t, "contested")
		for range 200 {
			x := rapid.SampledFrom(all).Draw(t, "trial")
			fresh, err := g.ts.reduce(x, &c)
			if err != nil {
				t.Fatalf("%s %+v: %v", KindOf(x.body), x.body, err)
			}
			if kept, err := g.ts.attempt(x, &c); err != nil || fresh != kept {
				t.Fatalf("%s %+v is reduced to %+v, and was to %+v, %v", KindOf(x.body), x.body, fresh, kept, err)
			}
		}
	})
}

// all lists every trial.
func (ts *trials) all() []*trial {
	var list []*trial
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if x, ok := reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem().Interface().(*trial); ok && x != nil {
				list = append(list, x)
			}
		case reflect.Slice, reflect.Array:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		case reflect.Struct:
			for i := range v.NumField() {
				walk(v.Field(i))
			}
		}
	}
	walk(reflect.ValueOf(ts).Elem())
	return list
}
