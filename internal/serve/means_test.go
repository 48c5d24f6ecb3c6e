package serve

import (
	"regexp"
	"strings"
	"testing"

	"meterwright/say/en"
)

// figure is a probability or an id as the record has them, which no page shows.
var figure = regexp.MustCompile(`\b0\.\d{3}\b|\b(open|failing|weak|reversed|blown|dead)/`)

// TestMeansByTaps opens what the readings of one of the demonstration's visits may mean, sets it aside, follows
// it, and goes on: before an answer nothing of it stands on the page of a step, and it is said in words.
func TestMeansByTaps(t *testing.T) {
	t.Parallel()
	words, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, t.TempDir())
	p := newPhone(t, s)
	p.open("/field/op-258/")
	p.tap("16:40 8 Chandler's Row")
	p.look("step-without-means")
	unsaid := func() {
		t.Helper()
		for _, w := range []string{words.Say("odds.most-likely"), words.Say("odds.possible"), words.Say("odds.not-left-out"), words.Say("means.head")} {
			if strings.Contains(strings.ToLower(p.text()), strings.ToLower(w)) {
				t.Errorf("before the answer the page says %q:\n%s", w, p.text())
			}
		}
	}
	unsaid()
	p.tap("More")
	p.tap("What this may mean")
	p.look("means")
	p.says(words.Say("means.head"), words.Say("means.caution"), ", and dangerous: ", "The next test that would tell most", "Your answer")
	if found := figure.FindString(p.text()); found != "" {
		t.Errorf("the page says %s", found)
	}
	sizes := eval[[]int](p, `[...document.querySelectorAll("button[name=answer]")].flatMap((b) => { const r = b.getBoundingClientRect(); return [Math.round(r.width), Math.round(r.height)]; })`)
	if len(sizes) != 4 || sizes[0] != sizes[2] || sizes[1] != sizes[3] {
		t.Errorf("the two answers have not the same size: %v", sizes)
	}
	p.tap("Set it aside")
	p.says("why the advice is set aside")
	p.look("means-problem")
	p.write("why", "the other instrument reads the same")
	p.tap("Set it aside")
	p.says("set aside: the other instrument reads the same")
	p.tap("Follow it")
	p.says("followed")
	p.look("means-answered")
	p.tap("Back to the visit")
	w := walk(t, p, demoMethod(t, "NM-3014"))
	// The device restarted since, so that what is worn is put on again before the next reading.
	w.to("socket-line-earth")
	unsaid()
	w.expected("socket-line-earth")
	p.tap("More")
	p.tap("What this may mean")
	p.says(words.Say("means.head"), "Before that")
	p.look("means-later")
	if strings.Contains(strings.ToLower(p.text()), "safe") {
		t.Error("the page says safe")
	}
}
