package visit

import (
	"slices"
	"strings"
	"testing"

	"meterwright/method"
	"meterwright/site"
	"meterwright/visit/laws"
)

// transformers is the shipped method for a meter on current transformers.
func transformers(t *testing.T) *method.Resolved {
	job := method.Job{Site: site.Spec{Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated}}
	return shippedMachine(t, "gb-ct-exchange", nil, job).Method
}

// TestProveTransformers damages the method for a meter on current transformers, and sees each damage convicted.
func TestProveTransformers(t *testing.T) {
	gone := func(r *method.Resolved, is func(s *method.Step) bool) {
		r.Steps = slices.DeleteFunc(r.Steps, func(s method.Step) bool { return is(&s) })
	}
	named := func(prefix string) func(s *method.Step) bool {
		return func(s *method.Step) bool { return strings.HasPrefix(s.ID, prefix) }
	}
	unneeded := func(r *method.Resolved, step, proof string) {
		s, _ := r.Step(step)
		s.Needs = slices.DeleteFunc(slices.Clone(s.Needs), func(p string) bool { return p == proof })
	}
	unasked := func(r *method.Resolved, id site.SwitchID) {
		for i := range r.Steps {
			delete(r.Steps[i].State, string(id))
		}
	}
	for _, c := range []struct {
		name   string
		damage func(r *method.Resolved)
		want   laws.Breach
	}{
		{"current in the lead of a transformer is not measured", func(r *method.Resolved) { gone(r, named("shorted-block-l2")) },
			laws.Breach{Law: laws.WithoutEvidence, Act: "take-meter-off", At: "testblock.l2-s1", Needs: laws.CarriesShorted}},
		{"no current in the meter is not measured", func(r *method.Resolved) { gone(r, named("shorted-meter-l3")) },
			laws.Breach{Law: laws.WithoutEvidence, Act: "take-meter-off", At: "meter.l3-in", Needs: laws.CarriesNothing}},
		{"a current terminal is not tested dead", func(r *method.Resolved) { gone(r, named("dead-current-earth/meter.l1-out")) },
			laws.Breach{Law: laws.WithoutEvidence, Act: "take-meter-off", At: "meter.l1-out", Needs: laws.QuietToEarth}},
		{"the links may stand through", func(r *method.Resolved) {
			gone(r, func(s *method.Step) bool { return s.Act == "short-secondaries" })
			unasked(r, site.Shorting)
		}, laws.Breach{Law: laws.SwitchStood, Act: "take-meter-off", Switch: site.Shorting}},
		{"the links are opened onto a meter that is out", func(r *method.Resolved) {
			gone(r, named("put-meter-on"))
			unasked(r, site.MeterFit)
		}, laws.Breach{Law: laws.SwitchStood, Act: "restore-links", Switch: site.MeterFit}},
		{"nobody looked at the conductors", func(r *method.Resolved) { unneeded(r, "restore-links", "traced") },
			laws.Breach{Law: laws.WithoutEvidence, Act: "restore-links", Needs: laws.LookedSince}},
		{"fuses go onto what may be shorted", func(r *method.Resolved) { gone(r, named("joined-line-neutral/meter.l3-v")) },
			laws.Breach{Law: laws.WithoutEvidence, Act: "put-voltage-fuses-in", At: "meter.l3-v", Needs: laws.PartedFromNeutral}},
		{"gloves come off with the meter alone dead", func(r *method.Resolved) { unneeded(r, "visor-off", "shorted") },
			laws.Breach{Law: laws.GlovesOff, At: "meter.l1-in", Needs: laws.CarriesNothing}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := transformers(t)
			c.damage(r)
			finds(t, r, c.want)
		})
	}
}
