package lint_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"meterwright/method"
	"meterwright/method/lint"
	"meterwright/method/written"
	"meterwright/rules"
)

func against(t testing.TB) lint.Against {
	t.Helper()
	s, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	return lint.Against{Methods: s.Methods, Overlays: s.Overlays, Rules: r}
}

// shipped returns the text of a shipped file.
func shipped(t testing.TB, name string) string {
	t.Helper()
	files, err := written.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if f.Name == name+".yaml" {
			return string(f.Text)
		}
	}
	t.Fatalf("%s is not shipped", name)
	return ""
}

func codes(found []lint.Finding) []lint.Code {
	var list []lint.Code
	for _, f := range found {
		list = append(list, f.Code)
	}
	slices.Sort(list)
	return slices.Compact(list)
}

const single = "gb-single-phase-exchange"

// theSingle is the shipped single-phase method.
func theSingle(t testing.TB, a lint.Against) *method.Document {
	t.Helper()
	d, err := (&written.Shelf{Methods: a.Methods}).Method(single)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestShippedMethodsAreClean(t *testing.T) {
	a := against(t)
	for _, d := range a.Methods {
		if found, err := lint.Method(d, a); err != nil || len(found) > 0 {
			t.Errorf("%s: %v, %v", d.ID, found, err)
		}
	}
	for _, o := range a.Overlays {
		d, err := (&written.Shelf{Methods: a.Methods}).Method(o.Of)
		if err != nil {
			t.Fatal(err)
		}
		found, err := lint.Overlay(o, d, a)
		want := []lint.Code(nil)
		if o.ID == "gloves-from-cutout" || o.ID == "two-phases" {
			want = []lint.Code{lint.TakesAway}
		}
		if err != nil || !slices.Equal(codes(found), want) {
			t.Errorf("%s: %v, %v", o.ID, found, err)
		}
	}
}

// TestMethod changes one thing of a shipped method, and takes another edition where the
// edition is not what is tried.
func TestMethod(t *testing.T) {
	a := against(t)
	text := strings.Replace(shipped(t, single), `edition: "2"`, `edition: "9"`, 1)
	for _, c := range []struct {
		name, old, new string
		want           []lint.Code
		at             string
	}{
		{"another edition", "", "", nil, ""},
		{"a shipped edition, changed", "edition: \"9\"\ntitle: Exchange", "edition: \"2\"\ntitle: Another exchange", []lint.Code{lint.EditionTaken}, "/edition"},
		{"safe in a sentence", "Touch nothing, Tell the person", "It is safe, Tell the person", []lint.Code{lint.SaysSafe}, "/stops/2/do/0"},
		{"safe in an answer", "[they agree, they differ]", "[they agree, safe]", []lint.Code{lint.SaysSafe}, "/steps/0/inspect/answers/1"},
		{"safe with a full stop, in capitals", "why: A pinhole cannot be seen", "why: Then they are SAFE. A pinhole cannot be seen", []lint.Code{lint.SaysSafe}, ""},
		{"safe in another language", "title: Exchange of", "title: Gefahrlos! Exchange of", []lint.Code{lint.SaysSafe}, "/title"},
		{"safe as a part of another word", "title: Exchange of", "title: Safeguarded exchange of", nil, ""},
		{"a proof without an end", "    lasts_minutes: 30\n    undone: [rejoined", "    undone: [rejoined", []lint.Code{lint.NoLimitInTime}, "/proofs/8"},
		{"no field for the torque", "role: torque, ", "", []lint.Code{lint.RoleMissing}, ""},
		{"no question about hazards", "    role: hazards\n", "", []lint.Code{lint.RoleMissing}, "/steps"},
		{"no look", "role: look, ", "", []lint.Code{lint.RoleMissing}, "/phases"},
		{"a danger that the consumer is not told of", "    consumer: Voltage was found on metal or on the earthing, and the neighbours' metal may be live too\n    keep_off: [metal, water, meter, switches]\n", "", []lint.Code{lint.ConsumerUntold}, ""},
		{"a danger with nothing to keep off", "live too\n    keep_off: [metal, water, meter, switches]\n", "live too\n", []lint.Code{lint.ConsumerUntold}, ""},
	} {
		if !strings.Contains(text, c.old) {
			t.Fatalf("%s: %q is not in the method", c.name, c.old)
		}
		d, err := written.Parse("m.yaml", []byte(strings.Replace(text, c.old, c.new, 1)))
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		found, err := lint.Method(d, a)
		if err != nil || !slices.Equal(codes(found), c.want) {
			t.Errorf("%s: %v, %v", c.name, found, err)
		} else if c.at != "" && found[0].Pointer != c.at {
			t.Errorf("%s: at %s, not at %s", c.name, found[0].Pointer, c.at)
		}
	}
}

func TestAMethodWithoutAnything(t *testing.T) {
	a := against(t)
	d := *theSingle(t, a)
	d.ID, d.Proofs, d.Stops, d.MakeSafe = "bare", nil, nil, nil
	d.Steps = []method.Step{{ID: "a", Phase: d.Phases[0].ID, Say: "Refit the carrier.", Act: "refit-carrier"}}
	found, err := lint.Method(&d, a)
	if want := []lint.Code{lint.NoNeed, lint.NoProtection, lint.NoReading, lint.RoleMissing}; err != nil || !slices.Equal(codes(found), want) {
		t.Errorf("%v, %v", found, err)
	}
}

func overlay(t *testing.T, changes string) *method.Overlay {
	t.Helper()
	o, err := written.ParseOverlay("o.yaml", []byte("overlay: ours\nedition: 1\ntitle: T\nof: "+single+"\nchanges:\n"+changes))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

const refit = `  - add:
      after: take-meter-off
      steps:
        - {id: refit-early, phase: exchange, say: Refit the carrier., needs: [dead], protect: [gloves, visor], state: {carrier: out, "main.*": off, "source.*": locked off, meter: out, tails: out}, act: refit-carrier}
`

// TestOverlay: whatever way an overlay takes something away, it is named with its kind.
func TestOverlay(t *testing.T) {
	a := against(t)
	d := theSingle(t, a)
	for _, c := range []struct {
		name, changes string
		want          []method.Away
		wrong         []lint.Code
	}{
		{"adds a question", "  - add: {after: new-meter, steps: [{id: mat, phase: equipment, say: Where is the mat?, inspect: {answers: [here, there]}}]}\n", nil, nil},
		{"tightens", "  - tighten: {proof: dead, lasts_minutes: 10}\n  - tighten: {steps: [torque], protect: [gloves]}\n", nil, nil},
		{"moves a phase with no act between", "  - move: {phase: metalwork, before: socket}\n", nil, nil},
		{"relaxes what is not asked", "  - relax: {steps: [premises], protect: [gloves]}\n", nil, nil},
		{"protection", "  - relax: {steps: [withdraw-carrier], protect: [visor]}\n", []method.Away{{Kind: method.AwayProtection, Step: "withdraw-carrier", What: "visor"}}, nil},
		{"a need", "  - relax: {steps: [withdraw-carrier], needs: [no-load]}\n", []method.Away{{Kind: method.AwayNeed, Step: "withdraw-carrier", What: "no-load"}}, nil},
		{"a step", "  - relax: {remove: [before-photograph]}\n", []method.Away{{Kind: method.AwayStep, Step: "before-photograph"}}, nil},
		{"a step that comes back as another", "  - relax: {remove: [before-photograph]}\n  - add: {after: load-end, steps: [{id: before-photograph, phase: look, say: Photographs?, inspect: {answers: [yes, no]}}]}\n",
			[]method.Away{{Kind: method.AwayChanged, Step: "before-photograph"}}, nil},
		{"the looking after the work", "  - move: {phase: look, before: close}\n", []method.Away{
			{Kind: method.AwayLater, Step: "cutout-danger", What: "break-seals"}, {Kind: method.AwayLater, Step: "cutout-kind", What: "break-seals"},
			{Kind: method.AwayLater, Step: "service-cable", What: "break-seals"}, {Kind: method.AwayLater, Step: "tails", What: "break-seals"},
			{Kind: method.AwayLater, Step: "board", What: "break-seals"}, {Kind: method.AwayLater, Step: "interference", What: "break-seals"},
			{Kind: method.AwayLater, Step: "other-sources", What: "break-seals"}, {Kind: method.AwayLater, Step: "arrangement", What: "break-seals"},
			{Kind: method.AwayLater, Step: "reference", What: "break-seals"}, {Kind: method.AwayLater, Step: "load-end", What: "break-seals"},
			{Kind: method.AwayLater, Step: "before-photograph", What: "break-seals"}}, nil},
		{"the field of the seals", "  - relax: {remove: [new-seals]}\n", []method.Away{{Kind: method.AwayStep, Step: "new-seals"}}, []lint.Code{lint.RoleMissing}},
	} {
		found, err := lint.Overlay(overlay(t, c.changes), d, a)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var away []method.Away
		var wrong []lint.Finding
		for _, f := range found {
			if f.Wrong() {
				wrong = append(wrong, f)
			} else {
				if f.Away.Overlay != "ours" || !strings.HasPrefix(f.Pointer, "/changes/") {
					t.Errorf("%s: %+v", c.name, f)
				}
				x := *f.Away
				x.Overlay = ""
				away = append(away, x)
			}
		}
		if !slices.Equal(away, c.want) || !slices.Equal(codes(wrong), c.wrong) {
			t.Errorf("%s: takes away %v, wrong %v", c.name, away, wrong)
		}
	}
}

// TestRefitWithTheMeterOff: an act that is added beside the method's own is held against it.
func TestRefitWithTheMeterOff(t *testing.T) {
	a := against(t)
	found, err := lint.Overlay(overlay(t, refit), theSingle(t, a), a)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []method.Away{{Kind: method.AwayState, What: "meter"}, {Kind: method.AwayState, What: "tails"}, {Kind: method.AwayNeed, What: "joined"}} {
		want.Overlay, want.Step = "ours", "refit-early"
		if !slices.ContainsFunc(found, func(f lint.Finding) bool { return f.Away != nil && *f.Away == want }) {
			t.Errorf("%v is not among %v", want, found)
		}
	}
	for _, f := range found {
		if f.Away != nil && f.Away.Step == "refit-early" && f.Away.Kind == method.AwayProtection {
			t.Errorf("the gloves are worn: %v", f)
		}
	}
}

func TestDeadByOneQuestion(t *testing.T) {
	a := against(t)
	var remove []string
	for _, s := range theSingle(t, a).Steps {
		if s.Observe != nil && slices.Contains(s.Supports, "dead") {
			remove = append(remove, s.ID)
		}
	}
	o := overlay(t, "  - add: {before: visor-off, steps: [{id: dead-asked, phase: dead, say: Is it dead?, inspect: {answers: [yes, no], expect: yes}, supports: [dead]}]}\n"+
		"  - relax: {remove: ["+strings.Join(remove, ", ")+"]}\n")
	found, err := lint.Overlay(o, theSingle(t, a), a)
	if err != nil {
		t.Fatal(err)
	}
	if want := (method.Away{Overlay: "ours", Kind: method.AwayReadings, What: "dead"}); !slices.ContainsFunc(found, func(f lint.Finding) bool { return f.Away != nil && *f.Away == want }) {
		t.Errorf("%v is not among %v", want, found)
	}
	if len(remove) < 5 || len(found) != len(remove)+1 {
		t.Errorf("%d tests were taken away and %d things found", len(remove), len(found))
	}
}

// TestProver: what a search finds stands once among the findings, and a search that fails is no
// clean bill.
func TestProver(t *testing.T) {
	a := against(t)
	n := 0
	a.Prove = func(r *method.Resolved) ([]lint.Finding, error) {
		n++
		return []lint.Finding{{Code: lint.BreaksLaw, Problem: "the contact is bare"}}, nil
	}
	found, err := lint.Method(theSingle(t, a), a)
	if err != nil || len(found) != 1 || found[0].Code != lint.BreaksLaw || !found[0].Wrong() || n != 6 {
		t.Errorf("%v, %v after %d searches", found, err, n)
	}
	broken := errors.New("out of states")
	a.Prove = func(*method.Resolved) ([]lint.Finding, error) { return nil, broken }
	if _, err := lint.Method(theSingle(t, a), a); !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
}

func TestTranslation(t *testing.T) {
	a := against(t)
	d := theSingle(t, a)
	tr := &method.Translation{Of: d.ID, Edition: d.Edition, Language: "de", Words: map[string]string{"title": "Der Zähler ist sicher"}}
	found, err := lint.Translation(tr, d)
	if !slices.Equal(codes(found), []lint.Code{lint.SaysSafe}) || found[0].Pointer != "/words/title" {
		t.Errorf("found %v", found)
	}
	var faults method.Faults
	if !errors.As(err, &faults) || len(faults) < 300 {
		t.Errorf("%d keys are missing", len(faults))
	}
}
