package serve

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestWaysByTaps goes, by taps alone, the ways of examples/visits that have a page of their own.
func TestWaysByTaps(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir())
	p := newPhone(t, s)

	t.Run("metalwork live, told, ended", func(t *testing.T) {
		p.t = t
		p.open("/field/op-114/")
		p.tap("08:40 2 Tollhouse Mews")
		p.says("Stop. Voltage on metalwork", "category A", "service termination", "105", "NM-44-1")
		p.look("stop-told")
		p.tap("I have rung somebody else")
		p.look("told")
		p.touch("the employer")
		p.write("reference", "FM-1")
		p.tap("Keep it")
		p.says("FM-1")
		p.tap("Photograph, defect, more")
		p.tap("Defect")
		p.look("defect")
		p.tap("Keep it")
		p.says("name the part that is wrong")
		p.look("defect-problem")
		p.write("asset", "meter box")
		p.write("words", "voltage on the meter box")
		p.touch("the distributor")
		p.touch("Service termination issue reporting (the copy in force): category A")
		p.tap("Keep it")
		p.tap("End the visit here")
		p.look("end-danger")
		p.touch("Completed")
		p.write("left", "nothing was opened")
		p.tap("End the visit")
		p.says("The visit is not completed", "A stop is in force")
		p.look("refused-end")
		p.tap("End the visit otherwise")
		p.touch("Stopped: danger was found")
		p.write("left", "nothing was opened and the supply is as it was found")
		p.write("guarded", "the operative stays until the distributor takes over")
		p.tap("End the visit")
		p.says("Stopped: danger was found", "category A", "meter box", "steps")
		p.look("ended-danger")
	})

	t.Run("second proving fails", func(t *testing.T) {
		p.t = t
		p.open("/field/op-226/")
		p.tap("10:40 5 Beacon Close")
		p.look("step-prove-void")
		p.says("showed dark on the proving unit", "Nothing since", "void")
		p.tap("Take up another two-pole detector")
		p.look("take-out-of-turn")
		p.tap("VD-205")
		p.tap("More")
		p.tap("Go back to a step")
		p.look("go-back")
		p.tap("Prove the two-pole detector")
		p.says("void")
		w := walk(t, p, demoMethod(t, "NM-3005"))
		w.to("visor-off")
		w.tap("Off:")
	})

	t.Run("barred, the way on, and back", func(t *testing.T) {
		p.t = t
		p.open("/field/op-231/")
		p.tap("14:00 9 Ropewalk Yard")
		p.says("take the seals off", "the service position was left", "The way on")
		p.look("blocked")
		p.tap("Go back to:")
		w := walk(t, p, demoMethod(t, "NM-3010"))
		w.to("take-cover-off")
		// The visor comes off, and the step is barred until it is on again.
		p.tap("More")
		p.tap("Protection on or off")
		p.look("protection")
		p.tap("Take off: face visor")
		p.says("Not worn: face visor")
		p.look("blocked-protection")
		p.tap("Put on: face visor")
		w.to("polarity-line-in")
		minute := newClock().Now().Format("15:04")
		// Entered afterwards, with the time; the browser asks for it where it is missing.
		p.tap("More")
		p.tap("Read aloud, enter afterwards")
		p.look("aloud")
		if n := eval[int](p, `document.querySelectorAll("[data-line]").length`); n < 4 {
			t.Errorf("only %d lines to read aloud", n)
		}
		p.in = "fieldset.line"
		p.touch("lights")
		p.in = ""
		eval[bool](p, `(() => { document.getElementById("happened").value = `+quote(minute)+`; return true; })()`)
		p.tap("Enter what is filled in")
		if at := w.at(); at == "polarity-line-in" {
			t.Errorf("the page is at %s still", at)
		}
		// The wrong button takes the answer back, and the point is asked for again.
		at := w.at()
		w.expected(at)
		p.tap("Wrong button")
		if again := w.at(); again != at {
			t.Errorf("after the wrong button the page is at %q, not at %q", again, at)
		}
		p.look("slip")
		p.tap("stays dark")
		p.says("Stop.")
		p.look("stop-untold")
	})

	t.Run("gloves fail, past calibration, left out, note, photograph, stop, go on", func(t *testing.T) {
		p.t = t
		w := walk(t, p, demoMethod(t, "NM-3013"))
		p.open("/field/op-318/")
		p.tap("16:00 3 Fennel Way")
		p.look("arrival-hazard")
		p.says("fell due", "a dog")
		p.tap("I am there")
		w.to("kit/voltmeter")
		p.look("take-up-past")
		p.in = `[data-row="kit/two-pole-detector"]`
		p.tap("VD-204")
		p.in = ""
		p.tap("More")
		p.tap("Prove an instrument")
		p.tap("Two-pole detector")
		p.tap("lights")
		p.says("This does not prove the two-pole detector", "past its calibration date")
		p.look("refused-calibration")
		p.tap("Take up another two-pole detector")
		p.tap("VD-205")
		w.to("gloves-check")
		p.in = `[data-row="gloves-check"]`
		p.touch("G-31")
		p.tap("Failed")
		p.in = ""
		p.says("Stop. The gloves failed their check")
		p.tap("Decide to go on")
		p.look("resume")
		p.write("why", "the other pair is here")
		p.tap("Go on")
		p.says("Nobody has been told of the stop")
		p.look("refused-resume")
		p.tap("Record who was told")
		p.touch("the employer")
		p.tap("Keep it")
		p.tap("Decide to go on")
		p.write("why", "the other pair is here, said the supervisor")
		p.tap("Go on")
		p.says("Check the gloves")
		p.in = `[data-row="gloves-check"]`
		p.touch("G-32")
		p.tap("Sound")
		p.in = ""
		p.says("Stop") // Its test fell due: the engine takes it for failed.
		p.tap("I have rung somebody else")
		p.touch("somebody else")
		p.write("whom", "the depot")
		p.tap("Keep it")
		p.tap("Decide to go on")
		p.write("why", "a third pair was brought")
		p.tap("Go on")
		p.in = `[data-row="gloves-check"]`
		p.touch("G-31")
		p.tap("Sound")
		p.in = ""
		w.to("socket-line-neutral")
		p.tap("Could not")
		p.look("leave-out")
		p.tap("Not tested")
		p.says("say why it is left out")
		p.write("why", "the socket is behind a cupboard")
		p.tap("Not tested")
		p.tap("More")
		p.tap("Not tested, not done")
		p.look("untested")
		p.says("behind a cupboard")
		p.tap("Back to the visit")
		p.tap("More")
		p.tap("Photograph")
		p.look("photograph")
		p.write("of", "the cupboard")
		p.tap("Keep it")
		p.says("no photograph came with the form")
		p.do(chromedp.SetUploadFiles(chromedp.ID("picture"), []string{w.photo}))
		p.tap("Keep it")
		p.tap("More")
		p.tap("Note")
		p.look("note")
		p.write("words", "the light in the cupboard is out")
		p.tap("Keep it")
		p.tap("More")
		p.tap("Somebody depends on the supply")
		p.look("dependant")
		p.write("words", "a fish tank")
		p.write("agreed", "an hour at most")
		p.tap("Keep it")
		p.tap("More")
		p.tap("The story so far")
		p.says("the cupboard", "fish tank")
		if got := eval[int](p, `(() => { const i = document.querySelector("img"); i.scrollIntoView(); return i.decode().then(() => i.naturalWidth); })()`); got != 48 {
			t.Errorf("the photograph is %d pixels wide, not 48", got)
		}
		p.tap("Back to the visit")
		p.tap("Stop")
		p.says("Stop. Declared by the person on site")
		p.look("stop-declared")
		p.tap("I have rung somebody")
		p.touch("the employer")
		p.tap("Keep it")
		p.tap("End the visit here")
		p.touch("Given up by the person on site")
		p.write("left", "nothing was opened")
		p.tap("End the visit")
		p.says("The visit has ended", "Declared by the person on site")
	})

	t.Run("handed over, done in spite, leaving", func(t *testing.T) {
		p.t = t
		w := walk(t, p, demoMethod(t, "NM-3004"))
		p.open("/field/op-207/")
		p.tap("10:00 11 Tannery Bank")
		p.tap("More")
		p.tap("Hand over to somebody")
		p.look("hand-over")
		p.tap("R. Quill has the device now")
		p.says("in the hands of A. Brindle")
		p.look("in-other-hands")
		p.tap("I take it over")
		w.to("visor-off")
		p.tap("More")
		p.tap("Protection on or off")
		p.tap("Take off: insulating gloves")
		p.tap("More")
		p.tap("Protection on or off")
		p.tap("Check: insulating gloves")
		p.look("check-out-of-turn")
		p.touch("G-32")
		p.tap("Sound")
		p.says("Stop. The gloves failed")
		p.look("stop-gloves")
		p.tap("I have rung the employer")
		p.tap("Decide to go on")
		p.write("why", "the first pair is sound")
		p.tap("Go on")
		p.tap("More")
		p.tap("Cover, switch off, lock off")
		p.look("acts")
		p.tap("Put the meter terminal cover on")
		p.says("put the meter terminal cover on", "Not worn")
		p.look("refused-act")
		p.touch("It has been done already")
		p.look("in-spite")
		p.write("why", "it was done while the page loaded")
		p.tap("Record it as done in spite of the refusal")
		p.tap("More")
		p.tap("Leave the service position")
		p.look("leaving")
		p.tap("I am leaving")
		p.says("You have left the service position")
		p.look("away")
		p.tap("I am back")
	})

	t.Run("socket wrong, then the dead test shows voltage", func(t *testing.T) {
		p.t = t
		goOn := func(why string) {
			t.Helper()
			p.tap("I have rung somebody else")
			p.touch("the employer")
			p.tap("Keep it")
			p.tap("Decide to go on")
			p.write("why", why)
			p.tap("Go on")
		}
		w := walk(t, p, demoMethod(t, "NM-3001"))
		p.open("/field/op-114/jobs/NM-3001")
		p.tap("I am there")
		w.to("socket-neutral-earth")
		p.keys("63")
		p.tap("enter 63 V")
		p.says("Stop. The socket near the meter does not show what it should")
		p.look("stop-socket")
		goOn("the tester was not pushed home, said the supervisor: test again")
		w.to("dead-meter-earth/meter.l-in")
		p.tap("lights")
		p.says("Stop. Voltage at a point that should be dead")
		p.look("stop-dead")
		goOn("a second supply was found and locked off")
		p.says("Prove the two-pole detector")
		w.to("take-tails-out")
		w.tap("Done")
	})

	t.Run("two tabs, back, a form of before", func(t *testing.T) {
		p.t = t
		p.open("/field/op-207/jobs/NM-3011")
		p.tap("I am there")
		before := eval[string](p, `document.querySelector("input[name=state]").value`)
		p.in = `[data-row="premises"]`
		p.tap("They agree")
		// Another tab still holds the page of before, and says something else.
		eval[bool](p, `(() => { for (const i of document.querySelectorAll("input[name=state]")) i.value = `+quote(before)+`; return true; })()`)
		eval[bool](p, `(() => { const row = document.querySelector("[data-row=premises]"); for (const b of row.querySelectorAll("button")) b.disabled = false; return true; })()`)
		p.tap("They differ")
		p.in = ""
		p.says("Things have moved on", "They differ", "They agree")
		p.look("moved-on")
		p.tap("Where things stand")
		p.says("Does anything about the place")
		// Back leads to the page as things stand now.
		p.settle(func() { eval[bool](p, `(() => { history.back(); return true; })()`) })
		p.says("Does anything about the place")
	})

	t.Run("connection lost", func(t *testing.T) {
		p.t = t
		p.open("/field/op-207/jobs/NM-3011")
		p.tap("Earlier visit")
		// First the form does not arrive, then it is recorded and the answer is lost.
		for _, how := range []int32{lostOnTheWay, lostOnTheWayBack} {
			p.lost.Store(how)
			p.in = `[data-row="hazards"]`
			p.touch("Nothing")
			if !eval[bool](p, `new Promise((done) => { const n = document.getElementById("notice"); if (!n.hidden) done(true); new MutationObserver(() => { if (!n.hidden) done(true); }).observe(n, { attributes: true }); setTimeout(() => done(false), 5000); })`) {
				t.Fatal("the page does not say that no answer came")
			}
			p.says("Nothing you entered here is lost")
			p.look("connection-lost")
			p.lost.Store(0)
		}
		p.tap("Nothing")
		p.in = ""
		p.tap("More")
		p.tap("The story so far")
		if n := strings.Count(p.text(), "prevent the work"); n != 1 {
			t.Errorf("the answer stands in the story %d times", n)
		}
	})

	t.Run("somebody depends on the supply", func(t *testing.T) {
		p.t = t
		w := walk(t, p, demoMethod(t, "NM-3011"))
		p.open("/field/op-207/jobs/NM-3011")
		p.tap("Earlier visit")
		w.to("dependants")
		p.in = `[data-row="dependants"]`
		p.tap("Somebody and nothing is arranged")
		p.in = ""
		p.says("Stop. Somebody or something depends on the supply")
		p.look("stop-dependant")
		p.tap("I have rung the supplier")
		p.tap("End the visit here")
		p.touch("The interruption was not agreed")
		p.write("left", "the supply was left on")
		p.tap("End the visit")
		p.says("The visit has ended")
	})
}
