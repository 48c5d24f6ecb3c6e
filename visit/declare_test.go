package visit

import (
	"slices"
	"testing"

	"meterwright/site"
)

// Of the acts that make safe, those are left to do that still change how a switch stands and that no switch bars.
func TestLeftToDo(t *testing.T) {
	for _, at := range []struct {
		step string
		want []site.ActID
	}{
		{"premises", []site.ActID{"switch-off-house"}},
		{"polarity-neutral/meter.n-in", []site.ActID{"put-cover-on", "switch-off-house"}},
		{"no-load-clamp", []site.ActID{"put-cover-on"}},
		{"jaws", []site.ActID{"put-cover-on", "shroud-contact"}},
		{"dead-meter-earth/meter.l-in", []site.ActID{"put-cover-on"}},
	} {
		d := drive(t, plainMachine(t))
		d.to(at.step)
		for _, act := range []site.ActID{"put-cover-on", "shroud-contact", "switch-off-house"} {
			if got := d.v.LeftToDo(act); got != slices.Contains(at.want, act) {
				t.Errorf("%s: %s is left to do: %v", at.step, act, got)
			}
		}
	}
	if d := drive(t, plainMachine(t)); d.v.LeftToDo("nothing-of-the-kind") {
		t.Error("an act that the method has not is left to do")
	}
}

// A stop declared without a name gives way to any that has one; of two that have one the graver stands, and only what would
// be in force is to be declared.
func TestWhatIsLeftToDeclare(t *testing.T) {
	all := []string{"burning", "somebody-hurt", "leads-failed", "carrier-loose", "meter-back", "leave-as-found", "broken-off"}
	for _, x := range []struct {
		in   []string
		left []string
	}{
		{nil, all},
		{[]string{""}, all},
		{[]string{"", "leads-failed"}, []string{"burning", "somebody-hurt", "carrier-loose", "meter-back", "leave-as-found"}},
		{[]string{"", "leave-as-found"}, []string{"burning", "somebody-hurt", "carrier-loose", "meter-back"}},
		{[]string{"leave-as-found", ""}, []string{"burning", "somebody-hurt", "carrier-loose", "meter-back"}},
		{[]string{"", "burning"}, nil},
		{[]string{"burning", ""}, nil},
	} {
		d := drive(t, plainMachine(t))
		for _, id := range x.in {
			d.must(Stopped{Stop: id})
		}
		if got := d.v.Declarable(); !slices.Equal(got, x.left) {
			t.Errorf("after %q these are left: %v", x.in, got)
		}
		for _, id := range all {
			d := drive(t, plainMachine(t))
			for _, in := range x.in {
				d.must(Stopped{Stop: in})
			}
			before := d.v.Stop()
			d.must(Stopped{Stop: id})
			if now := d.v.Stop(); (now == id && before != id) != slices.Contains(x.left, id) {
				t.Errorf("after %q and %s %q is in force", x.in, id, now)
			}
		}
	}
}
