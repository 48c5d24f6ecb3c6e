package serve

import (
	"strings"
	"testing"

	"meterwright/say/en"
)

// TestLeadsByTaps opens the leads of the demonstration's visit that has some, sets one aside, follows
// one, and goes back to a step where that is advised; the office shows the same.
func TestLeadsByTaps(t *testing.T) {
	t.Parallel()
	words, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, t.TempDir())
	p := newPhone(t, s)
	p.open("/field/op-258/")
	p.tap("16:40 8 Chandler's Row")
	p.look("step-leads")
	p.says("Leads, not findings")
	if eval[float64](p, `document.querySelector(".answers").getBoundingClientRect().top`) > eval[float64](p, `document.querySelector(".leads").getBoundingClientRect().top`) {
		t.Error("the leads stand above the answers")
	}
	// In a gloved phase one line is all there is until somebody asks for more.
	if eval[bool](p, `document.querySelector(".leads details").open`) {
		t.Error("the leads are unfolded in a gloved phase")
	}
	p.touch("Leads, not findings")
	p.look("step-leads-open")
	p.says("Still fits", "danger")
	p.tap("All leads, and your answer")
	p.look("leads")
	p.says(words.Say("lead.caution"), "Something that is not in the model", "The next test that would tell most", "Your answer")
	sizes := eval[[]int](p, `[...document.querySelectorAll("button[name=answer]")].flatMap((b) => { const r = b.getBoundingClientRect(); return [Math.round(r.width), Math.round(r.height)]; })`)
	if len(sizes) != 4 || sizes[0] != sizes[2] || sizes[1] != sizes[3] {
		t.Errorf("the two answers have not the same size: %v", sizes)
	}
	p.tap("Set it aside")
	p.says("why the advice is set aside")
	p.look("leads-problem")
	p.write("why", "the other instrument reads the same")
	p.tap("Set it aside")
	p.says("set aside: the other instrument reads the same")
	p.tap("Follow it")
	p.says("followed")
	p.look("leads-answered")
	p.tap("Back to the visit")
	w := walk(t, p, demoMethod(t, "NM-3014"))
	// The device restarted since, so that what is worn is put on again before the next reading.
	w.to("socket-line-earth")
	w.expected("socket-line-earth")
	p.tap("More")
	p.tap("Leads")
	p.says("Leads, not findings", "Before that")
	p.look("leads-later")
	if strings.Contains(strings.ToLower(p.text()), "safe") {
		t.Error("the page says safe")
	}
}
