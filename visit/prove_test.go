package visit

import (
	"slices"
	"strings"
	"testing"

	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit/laws"
)

func resolved(t *testing.T, change func(*method.Document), overlays ...*method.Overlay) *method.Resolved {
	t.Helper()
	lib, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := lib.Method("gb-single-phase-exchange")
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(doc)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(doc, overlays, method.Job{Site: site.Spec{Arrangement: site.TNCS}}, limits)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func finds(t *testing.T, r *method.Resolved, want ...laws.Breach) {
	t.Helper()
	found, err := (&Proving{Limit: 1_000_000}).Prove(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range want {
		i := slices.IndexFunc(found, func(f Finding) bool { f.Step = ""; return f.Breach == b })
		if i < 0 {
			t.Fatalf("not convicted of: %s; found %v", b, found)
		}
		if f := found[i]; len(f.Trace) == 0 || KindOf(f.Trace[0]) != KindOpened || !strings.HasPrefix(f.String(), f.Breach.String()+"\n  opened ") {
			t.Errorf("no trace from the opening on:\n%s", f)
		}
	}
}

// A method that tests nothing dead, and in which nothing is worn as gloves, is convicted of both, whatever its
// proofs and steps are called.
func TestProveWithoutDeadTests(t *testing.T) {
	r := resolved(t, nil)
	named := map[string]string{}
	for i := range r.Proofs {
		named[r.Proofs[i].ID] = "p" + string(rune('a'+i))
		r.Proofs[i].ID = named[r.Proofs[i].ID]
	}
	rename := func(ids []string) []string {
		var out []string
		for _, id := range ids {
			out = append(out, named[id])
		}
		return out
	}
	var steps []method.Step
	for _, s := range r.Steps {
		if o := s.Observe; o != nil && o.Expect == "dark" && site.PointID(o.At).Part() == "meter" && slices.Contains(s.Supports, "dead") {
			continue
		}
		s.ID, s.Supports, s.Needs = "renamed-"+s.ID, rename(s.Supports), rename(s.Needs)
		steps = append(steps, s)
	}
	r.Steps = steps
	for i := range r.Stops {
		if r.Stops[i].Resume != "" {
			r.Stops[i].Resume = "renamed-" + r.Stops[i].Resume
		}
	}
	for i := range r.Protection {
		r.Protection[i].Role = ""
	}
	finds(t, r, laws.Breach{Law: laws.WithoutEvidence, Act: "put-meter-on", Needs: laws.QuietToNeutral, At: "meter.l-in"}, laws.Breach{Law: laws.WithoutProtection, Act: "withdraw-carrier"})
}

// An overlay that puts the supply on bare tails is convicted.
func TestProveRefitWithTheMeterOff(t *testing.T) {
	r := resolved(t, nil)
	i := slices.IndexFunc(r.Steps, func(s method.Step) bool { return s.Act == "put-meter-on" })
	r.Steps = slices.Delete(r.Steps, i, i+1)
	for i := range r.Steps {
		delete(r.Steps[i].State, string(site.MeterFit))
	}
	finds(t, r, laws.Breach{Law: laws.SwitchStood, Act: "refit-carrier", Switch: site.MeterFit})
}

func TestProveWithoutProofs(t *testing.T) {
	r := resolved(t, nil)
	r.Proofs = nil
	for i := range r.Steps {
		r.Steps[i].Needs, r.Steps[i].Supports = nil, nil
	}
	finds(t, r, laws.Breach{Law: laws.WithoutEvidence, Act: "withdraw-carrier", Needs: laws.NilLoad})
	if _, err := (&Proving{Limit: 100}).Prove(resolved(t, nil)); err == nil {
		t.Error("proved within a hundred states")
	}
}

// A method that asks for what no visit can give is not walked: the error names the step, and says how to mend it.
func TestProveWhatNoVisitCanGive(t *testing.T) {
	long := strings.Repeat("x", maxText+1)
	for _, x := range []struct {
		name   string
		change func(*method.Resolved, *method.Step)
		says   string
	}{
		{"an answer without end", func(r *method.Resolved, s *method.Step) {
			s.Inspect = &method.Inspect{Answers: []string{long, "no"}, Expect: long}
		}, "keep it under 2000"},
		{"a value without end", func(r *method.Resolved, s *method.Step) {
			r.Facts = append(r.Facts, method.Fact{ID: "more", Values: []string{long, "no"}})
			s.Decide = &method.Decide{Fact: "more"}
		}, "keep it under 2000"},
		{"two fields of one name", func(r *method.Resolved, s *method.Step) {
			s.Record = &method.Record{Fields: []method.Field{{ID: "a", Type: "photograph"}, {ID: "a", Type: "text"}}}
		}, "a photograph is attached, not written"},
	} {
		r := resolved(t, nil)
		s := method.Step{ID: "asked", Phase: r.Steps[0].Phase, Say: "x"}
		x.change(r, &s)
		r.Steps = append(r.Steps, s)
		if _, err := (&Proving{Limit: 1_000_000}).Prove(r); err == nil || !strings.Contains(err.Error(), "step asked ") || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%s: %v", x.name, err)
		}
	}
}
