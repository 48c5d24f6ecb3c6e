package visit

import (
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
)

func dark() instrument.Indication { return instrument.Show(instrument.Dark) }
func lit() instrument.Indication  { return instrument.Show(instrument.Lit) }

func TestWholeVisitIsCompleted(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.through()
	d.must(Ended{Outcome: "completed", Left: "on, through the new meter"})
	a := d.v.Account()
	if len(a.Supply) != 1 || a.Supply[0].On.IsZero() {
		t.Errorf("supply: %+v, want one time off that ended", a.Supply)
	}
	for _, act := range a.Acts {
		if act.InSpite || act.Withdrawn {
			t.Errorf("%s is flagged", act.Act)
		}
	}
	if len(a.Discrepancies)+len(a.Refusals)+len(a.Stops) != 0 {
		t.Error("a visit as expected has discrepancies, refusals or stops")
	}
	for _, b := range a.Brackets {
		if b.State == "void" {
			t.Errorf("bracket of %s is void: %s", b.Kind, b.Void.Code)
		}
	}
	d.refused(Noted{Words: "after the end"}, "not-after-the-end")
	d.must(Supplement{Words: "the distributor's reference came by telephone: N-17"})
}

// A folded visit is a function of its events alone.
func TestFoldAgain(t *testing.T) {
	m := plainMachine(t)
	d := drive(t, m)
	d.through()
	d.must(Ended{Outcome: "completed"})
	again := Fold(m, d.log)
	if again.Control() != d.v.Control() || len(again.Account().Discrepancies) != 0 {
		t.Error("folding the same events again comes to another state")
	}
}

func TestSecondProvingFailsAfterTheDeadTest(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("dead-prove-again")
	d.must(Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: dark()})
	r := d.refused(TookOff{Items: []string{"visor"}}, "covered")
	if !lacks(r, NoLongerShown, func(x Reason) bool {
		c := x.Cause
		return x.Proof == "dead" && c.Code == ByProving && c.Kind == instrument.TwoPole && c.Shows.Shows() == instrument.Dark && c.Source == instrument.ProvingUnit && !c.At.IsZero()
	}) {
		t.Errorf("the refusal does not say what undid the proof: %+v", r.Lacks)
	}
	d.must(LeftOut{Step: "dead-prove-again", How: "could-not", Why: "the detector failed"})
	d.must(LeftOut{Step: "visor-off", How: "could-not", Why: "not proved dead"})
	d.to("take-tails-out")
	r = d.refused(Acted{Step: "take-tails-out", Act: "take-tails-out"}, "proofs-hold")
	back, ok := r.Back()
	if !ok {
		t.Fatalf("no way leads back: %+v", r.Ways)
	}
	d.must(Returned{Step: back, Why: "prove dead again"})
	// The bracket is void: nothing read before counts, and the detector must be proved first.
	d.refused(Observed{Step: d.v.Next().Step, Shows: dark()}, "instrument-proved")
	d.must(Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()})
	d.to("take-tails-out")
	d.must(Acted{Step: "take-tails-out", Act: "take-tails-out"})
}

func TestDeclaredStopLeavesMakingSafeOpen(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("jaws")
	d.refused(Supplement{Words: "too early"}, "not-after-the-end")
	d.must(Stopped{Why: "the board is loose"})
	d.refused(Acted{Act: "refit-carrier"}, "no-stop-in-force")
	d.must(Acted{Act: "shroud-contact"})
	d.must(Acted{Act: "put-cover-on"})
	d.must(Ended{Outcome: "abandoned", Left: "carrier out, contact shrouded, cover on"})
}

func TestSourceThatDoesNotSuit(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("supply-prove-lamp")
	r := d.refused(Proved{Kind: instrument.TestLamp, ID: "i-loaded-test-lamp", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}, "source-suits")
	if w := r.Ways[0]; w.Code != ProveOn || !slices.Contains(w.Sources, instrument.LampSource) || slices.Contains(w.Sources, instrument.ProvingUnit) {
		t.Errorf("the way on does not name the sources that suit: %+v", r.Ways)
	}
}

func TestDeadLapsesWithTime(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("take-tails-out")
	if !slices.Contains(d.v.Held(), "dead") {
		t.Fatal("dead does not hold")
	}
	d.mono += 31 * 60_000
	r := d.refused(Acted{Step: "take-tails-out", Act: "take-tails-out"}, "proofs-hold")
	if !lacks(r, NoLongerShown, func(x Reason) bool { return x.Cause.Code == ByTime }) {
		t.Errorf("the refusal does not say that time undid it: %+v", r.Lacks)
	}
	// A refusal leaves the visit as it was; the story learns of the lapse with the next event.
	d.must(Noted{Words: "waited for the distributor"})
	if u := d.v.Account().Proofs; len(r.Ways) == 0 || !slices.ContainsFunc(u, func(p ProofLine) bool {
		return p.ID == "dead" && len(p.Undone) > 0 && p.Undone[0].Cause.Code == ByTime
	}) {
		t.Error("the account does not say that time undid the proof")
	}
}

func TestRestartHidesTimeAndLetsProofsLapse(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("take-tails-out")
	d.boot, d.mono = "boot-2", 10
	d.refused(Acted{Step: "take-tails-out", Act: "take-tails-out"}, "proofs-hold")
}

// At the end of summer time the wall clock goes back an hour. Order and elapsed
// time come from the sequence and the monotonic clock, so that nothing lapses
// and nothing lasts longer. The date is the last Sunday of October, 2026-10-25,
// 01:00 UTC, by the Summer Time Order 2002 [M].
func TestClockChangeUndoesNothing(t *testing.T) {
	for name, step := range map[string]time.Duration{"back an hour": -time.Hour, "on an hour": time.Hour} {
		t.Run(name, func(t *testing.T) {
			d := drive(t, plainMachine(t))
			d.wall = time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC)
			d.to("take-tails-out")
			d.wall = d.wall.Add(step)
			d.must(Acted{Step: "take-tails-out", Act: "take-tails-out"})
			d.mono += 31 * 60_000
			d.refused(Acted{Step: "take-meter-off", Act: "take-meter-off"}, "proofs-hold")
		})
	}
}

func TestCorrectionVoidsAndFlags(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("take-tails-out")
	var reading string
	for _, r := range d.v.Account().Readings {
		if strings.HasPrefix(r.Step, "dead-meter-earth/meter.l-in") {
			reading = r.Event
		}
	}
	d.must(Acted{Step: "take-tails-out", Act: "take-tails-out"})
	d.must(Corrected{Event: reading, Now: "lit", Why: "mistyped: it was lit"})
	if d.v.Stop() != "dead-shows-voltage" {
		t.Errorf("stop %q, want dead-shows-voltage", d.v.Stop())
	}
	if acts := d.v.Account().Acts; !acts[len(acts)-1].Withdrawn {
		t.Error("the act is not flagged as resting on a withdrawn observation")
	}
	if slices.Contains(d.v.Held(), "dead") {
		t.Error("dead still holds")
	}
	d.refused(Acted{Step: "take-meter-off", Act: "take-meter-off"}, "no-stop-in-force")
	d.must(Corrected{Event: reading, Now: "dark", Why: "it was dark after all"})
	if slices.Contains(d.v.Held(), "dead") {
		t.Error("a correction made a proof")
	}
}

func TestInSpite(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("withdraw-carrier")
	d.must(WentAway{})
	d.must(CameBack{})
	d.must(PutOn{Items: []string{"gloves", "visor"}})
	d.refused(Acted{Step: "withdraw-carrier", Act: "withdraw-carrier"}, "proofs-hold")
	if _, err := d.do(Acted{Step: "withdraw-carrier", Act: "withdraw-carrier", InSpite: true}); err == nil {
		t.Error("an act in spite of a refusal was taken without a reason")
	}
	d.must(Acted{Step: "withdraw-carrier", Act: "withdraw-carrier", InSpite: true, Why: "smoke from the meter"})
	if len(d.v.Held()) != 0 {
		t.Errorf("%v still hold after an act outside the method", d.v.Held())
	}
	if acts := d.v.Account().Acts; !acts[len(acts)-1].InSpite {
		t.Error("the act is not recorded as done in spite")
	}
	if _, off := d.v.Account().Off(); !off {
		t.Error("the supply is off and the account does not say so")
	}
	if _, err := d.do(Acted{Act: "shroud-contact", InSpite: true, Why: "x"}); err == nil {
		t.Error("an act that nothing refuses was taken as done in spite")
	}
}

func TestWarningsAreNeverRefused(t *testing.T) {
	d := drive(t, plainMachine(t))
	// At the very start, with nothing proved, nothing worn and out of turn.
	d.must(Observed{Step: "metalwork-detector/metalwork.box", Shows: lit()})
	if d.v.Stop() != "metalwork-live" {
		t.Fatalf("stop %q, want metalwork-live", d.v.Stop())
	}
	d.must(Reported{To: "distributor", Reference: "N-44"})
	d.refused(Resumed{Why: "it went away"}, "stop-can-be-left")
	d.must(Ended{Outcome: "stopped-danger", Left: "guarded, supply on", Guarded: "the operative stays"})
}

func TestEntryAfterThePhase(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.refused(Inspected{Step: "premises", Answer: "they agree", Entry: Entry{Entered: "after", Happened: "2026-11-24T09:00:40Z"}}, "entered-live")
	d.to("socket-line-neutral")
	late := Entry{Entered: "after", Happened: d.wall.Format(time.RFC3339)}
	d.must(Observed{Step: "socket-line-neutral", Shows: instrument.ShowValue(measure.MustDecimal("238.1"), "V"), Entry: late})
	r := d.v.Account().Readings
	if r[len(r)-1].Happened == "" {
		t.Error("the reading does not say when it happened")
	}
	if _, err := d.do(Observed{Step: "socket-line-earth", Shows: instrument.ShowValue(measure.MustDecimal("238.1"), "V"), Entry: Entry{Entered: "after"}}); err == nil {
		t.Error("an answer entered afterwards without its time was taken")
	}
}

func TestOutOfCalibration(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("kit")
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "T-9", Due: "2026-11-23"}})
	d.refused(Proved{Kind: instrument.TwoPole, ID: "T-9", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}, "instrument-in-date")
	// On the very day that it falls due it is still in date.
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "T-10", Due: "2026-11-24"}})
	d.must(Proved{Kind: instrument.TwoPole, ID: "T-10", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()})
}

func TestNonsenseIsAnErrorNotARefusal(t *testing.T) {
	d := drive(t, plainMachine(t))
	long := strings.Repeat("x", maxText+1)
	for name, b := range map[string]Body{
		"unknown step":         Observed{Step: "no-such-step", Shows: dark()},
		"wrong kind of step":   Observed{Step: "premises", Shows: dark()},
		"impossible reading":   Observed{Step: "metalwork-detector/metalwork.box", Shows: instrument.ShowValue(measure.MustDecimal("3"), "V")},
		"nothing read":         Observed{Step: "metalwork-detector/metalwork.box"},
		"unknown answer":       Inspected{Step: "premises", Answer: "maybe"},
		"unknown value":        Decided{Step: "arrangement", Value: "IT"},
		"unknown act":          Acted{Act: "cut-the-cable"},
		"act of another step":  Acted{Step: "take-cover-off", Act: "withdraw-carrier"},
		"unknown protection":   PutOn{Items: []string{"hat"}},
		"no protection":        PutOn{},
		"no such event":        Corrected{Event: "ff", Why: "x"},
		"correction of itself": Corrected{Event: d.log[0].Hash, Why: "x"},
		"bad date":             TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "x", Due: "next year"}},
		"unknown instrument":   TookUp{Instrument: Instrument{Kind: "divining-rod", ID: "x"}},
		"unknown outcome":      Ended{Outcome: "fine"},
		"empty note":           Noted{},
		"long note":            Noted{Words: long},
		"bare category":        Defect{Owner: "distributor", Words: "hot", Category: "A"},
		"how left out":         LeftOut{Step: "premises", How: "skipped"},
		"reported to nobody":   Reported{},
	} {
		before := d.v.Control()
		r, err := d.do(b)
		if err == nil || r != nil {
			t.Errorf("%s: got refusal %v and error %v, want an error", name, r, err)
		}
		if d.v.Control() != before {
			t.Errorf("%s: changed the state", name)
		}
	}
}

func TestReplayKeepsWhatTheEngineDoesNotAccept(t *testing.T) {
	m := plainMachine(t)
	d := drive(t, m)
	d.to("withdraw-carrier")
	// A device that did not ask the engine pulled the carrier without gloves.
	events := append(slices.Clone(d.log), d.event(TookOff{Items: []string{"gloves"}}), d.event(Acted{Step: "withdraw-carrier", Act: "withdraw-carrier"}))
	v := Fold(m, events)
	if n := len(v.Account().Discrepancies); n == 0 {
		t.Error("an act that the engine does not accept is no discrepancy")
	}
}

func lacks(r *Refusal, code Code, fits func(Reason) bool) bool {
	return slices.ContainsFunc(r.Lacks, func(x Reason) bool { return x.Code == code && fits(x) })
}

// Every stop is told, also one that is raised while another is in force; all are left together, by a
// decision to go on and by nothing else.
func TestEveryStopIsTold(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("cutout-danger")
	d.must(Stopped{Why: "smoke"})
	d.must(Stopped{Why: "flames now"})
	s, _ := d.v.machine.Method.Step("cutout-danger")
	wrong := s.Inspect.Answers[slices.IndexFunc(s.Inspect.Answers, func(a string) bool { return a != s.Inspect.Expect })]
	d.must(Inspected{Step: s.ID, Answer: wrong})
	d.must(Inspected{Step: s.ID, Answer: wrong})
	stops := d.v.Account().Stops
	if len(stops) != 3 || stops[0].Words != "smoke" || stops[1].Words != "flames now" || stops[2].ID != s.Unexpected.Stop {
		t.Fatalf("stops: %+v", stops)
	}
	for _, x := range stops {
		if !x.LeftAt.IsZero() {
			t.Errorf("%s counts as left, and nobody decided to go on", x.ID)
		}
	}
	if d.v.Stop() != s.Unexpected.Stop {
		t.Errorf("in force is %s", d.v.Stop())
	}
}
