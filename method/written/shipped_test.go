package written_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
)

var update = flag.Bool("update", false, "write the golden files anew")

func library(t testing.TB) *written.Shelf {
	t.Helper()
	s, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func limits(t testing.TB) method.Rules {
	t.Helper()
	r, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// jobs lists every claim that changes which steps a method has.
func jobs(d *method.Document) []method.Job {
	phases := d.For.Phases
	var all []method.Job
	for _, a := range site.Arrangements() {
		for mask := range 1 << 7 {
			on := func(bit int) bool { return mask&(1<<bit) != 0 }
			j := method.Job{FitIsolator: on(0), Site: site.Spec{Arrangement: a, Phases: phases, Metering: site.Metering(d.For.Metering), Rates: 1,
				Export: on(1), Switched: on(2) && phases == 1, Isolator: on(3), NoSocket: on(4)}}
			if on(2) && phases == 3 {
				continue
			}
			if on(5) {
				j.Site.Rates = 3
			}
			if on(6) {
				j.Site.Sources = []site.Source{site.Inverter, site.Battery}
				j.Site.Units = []string{"house", "off-peak"}
				j.Site.Metalwork = []string{"box", "gas-pipe"}
			}
			all = append(all, j)
		}
	}
	return all
}

// overlaysOf lists every set of overlays of a method, in one order each.
func overlaysOf(s *written.Shelf, id string) [][]*method.Overlay {
	var own []*method.Overlay
	for _, o := range s.Overlays {
		if o.Of == id {
			own = append(own, o)
		}
	}
	var sets [][]*method.Overlay
	for mask := range 1 << len(own) {
		var set []*method.Overlay
		for i, o := range own {
			if mask&(1<<i) != 0 {
				set = append(set, o)
			}
		}
		sets = append(sets, set)
	}
	return sets
}

func TestEveryShippedMethodResolvesForEveryClaim(t *testing.T) {
	s, l := library(t), limits(t)
	if len(s.Methods) == 0 || len(s.Overlays) < 3 {
		t.Fatalf("%d methods and %d overlays are shipped", len(s.Methods), len(s.Overlays))
	}
	// Every claim with no overlay and with one set of overlays that changes from
	// claim to claim; at full count, every claim with every set.
	full := os.Getenv("MW_SOAK") == "1"
	for _, d := range s.Methods {
		n := 0
		sets := overlaysOf(s, d.ID)
		for i, j := range jobs(d) {
			for k, set := range sets {
				if !full && k != 0 && k != i%len(sets) {
					continue
				}
				r, err := method.Resolve(d, set, j, l)
				if err != nil {
					t.Fatalf("%s, %+v: %v", d.ID, j, err)
				}
				if _, err := visit.New(r); err != nil {
					t.Fatalf("%s, %+v: %v", d.ID, j, err)
				}
				checkResolved(t, r)
				n++
			}
		}
		t.Logf("%s: %d resolved methods", d.ID, n)
	}
}

// checkResolved holds what must be true of any resolved method whatever the job.
func checkResolved(t *testing.T, r *method.Resolved) {
	t.Helper()
	seen := map[string]bool{}
	points := map[site.PointID]bool{}
	for _, p := range r.Points {
		points[p.ID] = true
	}
	open := map[string]bool{} // proofs with support whose instruments were not yet proved again
	tools := map[string]map[string]bool{}
	proved := map[string]bool{}
	for _, s := range r.Steps {
		if seen[s.ID] {
			t.Fatalf("%s: step %s stands twice", r.Method, s.ID)
		}
		seen[s.ID] = true
		if strings.ContainsAny(s.Say, "{}") {
			t.Errorf("%s: step %s says %q", r.Method, s.ID, s.Say)
		}
		if s.Observe != nil {
			if !points[site.PointID(s.Observe.At)] || s.Observe.Against != "" && !points[site.PointID(s.Observe.Against)] {
				t.Errorf("%s: step %s reads between %q and %q", r.Method, s.ID, s.Observe.At, s.Observe.Against)
			}
			if !proved[s.Observe.With] {
				t.Errorf("%s: step %s uses the %s before anything proves it", r.Method, s.ID, s.Observe.With)
			}
			for _, p := range s.Supports {
				if tools[p] == nil {
					tools[p] = map[string]bool{}
				}
				tools[p][s.Observe.With] = true
				open[p] = true
			}
		}
		if s.Prove != nil {
			proved[s.Prove.With] = true
			for p := range tools {
				delete(tools[p], s.Prove.With)
				open[p] = len(tools[p]) > 0
			}
		}
		for _, n := range s.Needs {
			if open[n] {
				t.Errorf("%s: step %s needs %s before its instruments are proved again", r.Method, s.ID, n)
			}
		}
	}
	for p, o := range open {
		if o {
			t.Errorf("%s: no second proving follows the run of %s", r.Method, p)
		}
	}
}

func TestAPatternThatIsEmptyHereLeavesNoStep(t *testing.T) {
	s, l := library(t), limits(t)
	d, err := s.Method("gb-single-phase-exchange")
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(d, nil, method.Job{Site: site.Spec{Arrangement: site.TNS, NoSocket: true}}, l)
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range r.Steps {
		if strings.HasPrefix(step.ID, "lock-off") || strings.HasPrefix(step.ID, "socket") {
			t.Errorf("step %s stands without a source and a socket", step.ID)
		}
	}
	for _, p := range r.Proofs {
		if strings.HasPrefix(p.ID, "socket") {
			t.Errorf("proof %s stands without a socket", p.ID)
		}
	}
}

// list writes the steps of a resolved method one a line: what somebody who knows
// the trade reads through.
func list(r *method.Resolved) string {
	var b strings.Builder
	for _, s := range r.Steps {
		fmt.Fprintf(&b, "%-11s %-44s %s", s.Phase, s.ID, s.Does())
		switch {
		case s.TakeUp != nil:
			fmt.Fprintf(&b, " %s", strings.Join(s.TakeUp.Kinds(), " "))
		case s.Prove != nil:
			fmt.Fprintf(&b, " %s", s.Prove.With)
		case s.Check != nil:
			fmt.Fprintf(&b, " %s", s.Check.Item)
		case s.Observe != nil:
			fmt.Fprintf(&b, " %s at %s against %s expect %s%s", s.Observe.With, s.Observe.At, s.Observe.Against, s.Observe.Expect, s.Observe.Limit)
		case s.Inspect != nil:
			fmt.Fprintf(&b, " expect %s", s.Inspect.Expect)
		case s.Act != "":
			fmt.Fprintf(&b, " %s", s.Act)
		}
		for _, part := range []struct {
			name string
			ids  []string
		}{{"needs", s.Needs}, {"supports", s.Supports}, {"wears", s.Protect}} {
			if len(part.ids) > 0 {
				fmt.Fprintf(&b, "; %s %s", part.name, strings.Join(part.ids, " "))
			}
		}
		for _, o := range s.Outcomes() {
			if o.Stop != "" {
				fmt.Fprintf(&b, "; else stop %s", o.Stop)
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// TestStepsAsReviewed compares the steps with lists that were read by eye
// against common practice [P] in the order of a visit.
func TestStepsAsReviewed(t *testing.T) {
	s, l := library(t), limits(t)
	full := site.Spec{Rates: 2, Export: true, Sources: []site.Source{site.Inverter}, Units: []string{"house", "off-peak"}}
	for _, d := range s.Methods {
		for _, c := range []struct {
			name string
			spec site.Spec
		}{{"plain", site.Spec{}}, {"full", full}} {
			c.spec.Arrangement, c.spec.Phases, c.spec.Metering = site.TNCS, d.For.Phases, site.Metering(d.For.Metering)
			c.spec.Switched = c.name == "full" && d.For.Phases == 1
			r, err := method.Resolve(d, nil, method.Job{Site: c.spec, FitIsolator: c.name == "full"}, l)
			if err != nil {
				t.Fatal(err)
			}
			golden := filepath.Join("testdata", d.ID+"-"+c.name+".steps")
			got := list(r)
			if *update {
				if err := os.MkdirAll("testdata", 0o777); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(golden, []byte(got), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the steps of %s (%s) differ from %s: read the list through, then run with -update", d.ID, c.name, golden)
			}
		}
	}
}

func TestAResolvedMethodKeepsItsHash(t *testing.T) {
	s, l := library(t), limits(t)
	for _, d := range s.Methods {
		hashes := map[string]bool{}
		all := jobs(d)
		for i := 0; i < len(all); i += 7 {
			r, err := method.Resolve(d, nil, all[i], l)
			if err != nil {
				t.Fatal(err)
			}
			first, err := r.Encode()
			if err != nil {
				t.Fatal(err)
			}
			again, err := method.Resolve(d, nil, all[i], l)
			if err != nil {
				t.Fatal(err)
			}
			second, err := again.Encode()
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(first, second) {
				t.Fatalf("%s resolves differently twice", d.ID)
			}
			back, err := method.DecodeResolved(first)
			if err != nil {
				t.Fatal(err)
			}
			third, err := back.Encode()
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(first, third) {
				t.Fatalf("%s does not come back the same:\n%s\n%s", d.ID, first, third)
			}
			h, err := back.Hash()
			if err != nil {
				t.Fatal(err)
			}
			hashes[h] = true
		}
		if len(hashes) < 10 {
			t.Errorf("%s: only %d hashes over the jobs", d.ID, len(hashes))
		}
	}
}

// What a method says to people never calls anything safe, in order or passed,
// and never points to the answer that it expects.
func TestWordsToPeople(t *testing.T) {
	banned := []string{"safe", "ok", "okay", "pass", "passed", "fine", "simply", "just"}
	check := func(where, text string) {
		for _, w := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return (r < 'a' || r > 'z') && r != '-' }) {
			if slices.Contains(banned, w) {
				t.Errorf("%s says %q in %q", where, w, text)
			}
		}
	}
	s := library(t)
	steps := func(id string, list []method.Step) {
		for _, st := range list {
			check(id+"/"+st.ID, st.Say)
			check(id+"/"+st.ID, st.Why)
			for _, u := range st.Outcomes() {
				check(id+"/"+st.ID, u.Remark)
			}
			if st.Inspect != nil && st.Inspect.Expect != "" && strings.Contains(st.Say, "should") {
				t.Errorf("%s/%s: the question points to its answer: %q", id, st.ID, st.Say)
			}
			if len(st.Say) > 160 {
				t.Errorf("%s/%s: %d letters are too many for a tired person", id, st.ID, len(st.Say))
			}
		}
	}
	for _, d := range s.Methods {
		steps(d.ID, d.Steps)
		for _, p := range d.Proofs {
			check(d.ID+"/"+p.ID, p.Words)
		}
		for _, x := range d.Stops {
			check(d.ID+"/"+x.ID, x.Title+" "+strings.Join(x.Do, " "))
		}
	}
	for _, o := range s.Overlays {
		for _, c := range o.Changes {
			if c.Add != nil {
				steps(o.ID, c.Add.Steps)
			}
		}
	}
}

func TestCategoriesAreOfAScheme(t *testing.T) {
	pack := rules.GB()
	n := 0
	check := func(where, scheme, category string) {
		if scheme == "" {
			return
		}
		n++
		if !slices.ContainsFunc(pack.Categories(), func(c rules.Category) bool { return c.Scheme == scheme && c.Code == category }) {
			t.Errorf("%s: no category %s of scheme %s", where, category, scheme)
		}
	}
	for _, d := range library(t).Methods {
		for _, x := range d.Stops {
			check(x.ID, x.Scheme, x.Category)
		}
		for _, s := range d.Steps {
			for _, u := range s.Outcomes() {
				check(s.ID, u.Scheme, u.Category)
			}
		}
	}
	if n == 0 {
		t.Error("no category was checked")
	}
}

// With live metalwork or a reversed service, drawing the fuse makes nothing dead.
func TestNoStopAllowsTheFuseToBePulled(t *testing.T) {
	for _, d := range library(t).Methods {
		for _, x := range d.Stops {
			for _, a := range x.Allows {
				if a == "withdraw-carrier" || a == "refit-carrier" {
					t.Errorf("%s: stop %s allows %s", d.ID, x.ID, a)
				}
			}
			if x.ID == "metalwork-live" && (len(x.Allows) > 0 || x.Resume != "" || x.Category != "A") {
				t.Errorf("%s: stop %s allows %v, resumes at %q, category %q", d.ID, x.ID, x.Allows, x.Resume, x.Category)
			}
		}
	}
}

func TestOverlays(t *testing.T) {
	s, l := library(t), limits(t)
	d, err := s.Method("gb-single-phase-exchange")
	if err != nil {
		t.Fatal(err)
	}
	resolve := func(id string) *method.Resolved {
		o, err := s.Overlay(id)
		if err != nil {
			t.Fatal(err)
		}
		r, err := method.Resolve(d, []*method.Overlay{o}, method.Job{Site: site.Spec{Arrangement: site.TNS}}, l)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	every := resolve("every-pair")
	pairs := 0
	for _, st := range every.Steps {
		if strings.HasPrefix(st.ID, "dead-every-pair/") {
			pairs++
		}
	}
	if pairs != 6 { // four terminals, each pair once
		t.Errorf("every-pair has %d pairs of four terminals", pairs)
	}
	first := resolve("metalwork-first")
	_, m := first.Step("metalwork-detector/metalwork.box")
	_, k := first.Step("socket-line-neutral")
	if m < 0 || k < 0 || m > k {
		t.Errorf("metalwork stands at %d and the socket at %d", m, k)
	}
	gloves := resolve("gloves-from-cutout")
	if len(every.TakesAway) > 0 || len(first.TakesAway) > 0 {
		t.Errorf("overlays that only add take away %v, %v", every.TakesAway, first.TakesAway)
	}
	for _, want := range []method.Away{{Kind: method.AwayProtection, Step: "break-seals", What: "gloves"},
		{Kind: method.AwayProtection, Step: "metalwork-detector", What: "gloves"}, {Kind: method.AwayStep, Step: "gloves-on"}} {
		want.Overlay = "gloves-from-cutout"
		if !slices.Contains(gloves.TakesAway, want) {
			t.Errorf("%v is not among what is taken away: %q", want, gloves.TakesAway)
		}
	}
	if st, _ := gloves.Step("withdraw-carrier"); !slices.Contains(st.Protect, "gloves") {
		t.Error("the carrier is withdrawn without gloves")
	}
}

func TestShelfNamesWhatItHas(t *testing.T) {
	s := library(t)
	if _, err := s.Method("none"); err == nil || !strings.Contains(err.Error(), "gb-single-phase-exchange") {
		t.Errorf("got %v", err)
	}
	if _, err := s.Overlay("none"); err == nil || !strings.Contains(err.Error(), "every-pair") {
		t.Errorf("got %v", err)
	}
}

func BenchmarkParse(b *testing.B) {
	files, err := written.Shipped()
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		for _, f := range files {
			if f.Overlay {
				continue
			}
			if _, err := written.Parse(f.Name, f.Text); err != nil {
				b.Fatal(err)
			}
		}
	}
}
