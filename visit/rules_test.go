package visit

import (
	"slices"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/site"
)

// Somebody who does every act in spite of its refusal, with no reading at all, and leaves out the rest,
// has not completed the visit; there is an end that says so.
func TestAVisitOfActsAloneIsNotCompleted(t *testing.T) {
	m := plainMachine(t)
	d := drive(t, m)
	for range m.steps {
		i := slices.IndexFunc(m.steps[min(int(d.v.Control().pos), len(m.steps)):], func(s step) bool { return s.does == doAct })
		if i < 0 {
			break
		}
		s := m.Method.Steps[int(d.v.Control().pos)+i]
		act := Acted{Step: s.ID, Act: site.ActID(s.Act)}
		switch r, _ := d.v.Check(d.event(act)); {
		case r != nil:
			act.InSpite, act.Why = true, "in a hurry"
			d.must(act)
		case i == 0:
			d.must(act)
		default: // It makes safe at any point, and would not be the step.
			d.must(LeftOut{Step: d.v.Next().Step, How: method.NotTested, Why: "in a hurry"})
		}
	}
	for range m.steps {
		if d.v.Next().Step == "" {
			break
		}
		d.must(LeftOut{Step: d.v.Next().Step, How: method.NotTested, Why: "in a hurry"})
	}
	r := d.refused(Ended{Outcome: "completed"}, RowEverythingDone)
	if !lacks(r, StepOwed, func(x Reason) bool { return x.Step == m.Method.Steps[0].ID }) {
		t.Errorf("the refusal does not name the first step: %+v", r.Lacks)
	}
	if back, ok := r.Back(); !ok || back != m.Method.Steps[0].ID {
		t.Errorf("the way on leads to %q", back)
	}
	d.must(Ended{Outcome: "done-otherwise", Left: "x"})
}

func TestWhatIsOwed(t *testing.T) {
	m := plainMachine(t)
	last := m.Method.Steps[len(m.steps)-1].ID
	after := func(change func(*driver)) *driver {
		d := drive(t, m)
		change(d)
		d.through()
		return d
	}
	leave := func(step string, how method.Omission) func(*driver) {
		return func(d *driver) { d.to(step); d.must(LeftOut{Step: step, How: how, Why: "x"}) }
	}
	var may, mayNot *method.Step
	for i := range m.Method.Steps {
		s := &m.Method.Steps[i]
		if s.Inspect == nil && s.Record == nil {
			continue
		}
		if s.MayLeave(method.CouldNot) && may == nil {
			may = s
		}
		if !s.MayLeave(method.CouldNot) && mayNot == nil {
			mayNot = s
		}
	}
	if may == nil || mayNot == nil {
		t.Fatal("the method has no step of each sort")
	}
	d := after(leave(may.ID, method.CouldNot))
	d.must(Ended{Outcome: "completed"})
	d = after(leave(may.ID, method.NotApplicable))
	d.refused(Ended{Outcome: "completed"}, RowEverythingDone)

	d = after(leave(mayNot.ID, method.CouldNot))
	r := d.refused(Ended{Outcome: "completed"}, RowEverythingDone)
	if !lacks(r, StepOwed, func(x Reason) bool { return x.Step == mayNot.ID }) || r.Ways[0].Code != GoBack || r.Ways[0].Step != mayNot.ID {
		t.Errorf("%+v", r)
	}
	// Going back to a later step settles nothing, going back to it does.
	d.must(Returned{Step: last, Why: "x"})
	d.through()
	d.refused(Ended{Outcome: "completed"}, RowEverythingDone)
	d.must(Returned{Step: mayNot.ID, Why: "x"})
	if d.v.Control().owed != 0 {
		t.Error("gone back to, and still owed")
	}

	// The earliest stands.
	d = after(func(d *driver) {
		leave(mayNot.ID, method.CouldNot)(d)
		leave("no-load-clamp", method.NotTested)(d)
		d.must(Returned{Step: "no-load-clamp", Why: "x"})
	})
	if r := d.refused(Ended{Outcome: "completed"}, RowEverythingDone); !lacks(r, StepOwed, func(x Reason) bool { return x.Step == mayNot.ID }) {
		t.Errorf("%+v", r.Lacks)
	}

	// An answer that is withdrawn is owed, one that is corrected is not.
	answer := ""
	d = after(func(d *driver) { d.to("premises"); answer = d.must(Inspected{Step: "premises", Answer: "they agree"}) })
	d.must(Corrected{Event: answer, Now: "they agree", Why: "x"})
	if d.v.Control().owed != 0 {
		t.Error("corrected, and owed")
	}
	d.must(Corrected{Event: answer, Why: "never asked"})
	d.refused(Ended{Outcome: "completed"}, RowEverythingDone)

	// An act in turn, and in spite of a refusal, is owed as the method asks for it.
	d = drive(t, m)
	d.to("take-cover-off")
	d.must(TookOff{Items: []string{"gloves"}})
	d.must(Acted{Step: "take-cover-off", Act: "take-cover-off", InSpite: true, Why: "x"})
	if got := d.v.Control().owed; got != d.v.Control().pos || got == 0 {
		t.Errorf("owed %d at %d", got, d.v.Control().pos)
	}
	// Out of turn too: what came after the act's own step was done before it.
	d = drive(t, m)
	d.through()
	_, refit := m.Method.Step("refit-carrier")
	d.must(Acted{Act: "refit-carrier", InSpite: true, Why: "x"})
	if got := d.v.Control().owed; got != int16(refit)+1 {
		t.Errorf("owed %d, want refit-carrier's %d", got, refit+1)
	}
}

// Everything about arrival and danger that could not be answered does not end as completed.
func TestQuestionsLeftOutAreOwed(t *testing.T) {
	d := drive(t, plainMachine(t))
	for n := d.v.Next(); n.Step != ""; n = d.v.Next() {
		s, _ := d.v.machine.Method.Step(n.Step)
		if s.Inspect != nil && s.Supports == nil {
			d.must(LeftOut{Step: s.ID, How: method.CouldNot, Why: "x"})
			continue
		}
		d.on()
	}
	d.refused(Ended{Outcome: "completed"}, RowEverythingDone)
}

func TestASizeHasNoSign(t *testing.T) {
	upper := &method.Bounds{Upper: "0.5", Unit: "A", Words: "no load"}
	band := &method.Bounds{Lower: "216.2", Upper: "253.0", Unit: "V", Words: "declared voltage"}
	signedUpper := &method.Bounds{Upper: "0.5", Unit: "A", Words: "no load", Signed: true}
	both := &method.Bounds{Lower: "-10", Upper: "10", Unit: "A", Words: "balance", Signed: true}
	for _, x := range []struct {
		with   instrument.Kind
		bounds *method.Bounds
		shows  string
		found  Found // empty: it makes no sense
	}{
		{instrument.Clamp, upper, "-30.00 A", ""},
		{instrument.Voltmeter, band, "-230.0 V", ""},
		{instrument.Clamp, upper, "-0.00 A", FoundExpected},
		{instrument.Clamp, upper, "0.00 A", FoundExpected},
		{instrument.Clamp, signedUpper, "-30.00 A", FoundUnexpected},
		{instrument.Clamp, signedUpper, "30.00 A", FoundUnexpected},
		{instrument.Clamp, signedUpper, "-0.10 A", FoundExpected},
		{instrument.Clamp, both, "-5.0 A", FoundExpected},
		{instrument.Clamp, both, "-30.0 A", FoundUnexpected},
	} {
		shows, ok := ParseShows(x.shows)
		if !ok {
			t.Fatal(x.shows)
		}
		j, err := JudgeReading(&method.Observe{With: string(x.with), Bounds: x.bounds}, shows)
		if (err != nil) != (x.found == "") || j.Found != x.found {
			t.Errorf("%s against %+v: %q, %v, want %q", x.shows, x.bounds, j.Found, err, x.found)
		}
	}
	for _, x := range []struct {
		f    method.Field
		text string
		ok   bool
	}{
		{method.Field{Type: "number"}, "-1", false}, {method.Field{Type: "reading"}, "-1", false},
		{method.Field{Type: "number", Signed: true}, "-1", true}, {method.Field{Type: "number"}, "1", true},
	} {
		if err := checkField(&x.f, x.text); (err == nil) != x.ok {
			t.Errorf("%+v %s: %v", x.f, x.text, err)
		}
	}
}

func TestProtectionWearsOut(t *testing.T) {
	m := plainMachine(t)
	ready := func() *driver { d := drive(t, m); d.to("take-cover-off"); return d }
	cover := Acted{Step: "take-cover-off", Act: "take-cover-off"}

	d := ready()
	d.must(WentAway{})
	d.must(CameBack{})
	d.refused(cover, RowProtected)
	d.must(PutOn{Items: []string{"gloves", "visor"}})

	// The check of gloves counts for twelve hours [P], and not at the very last millisecond of them.
	for ms, fit := range map[int64]bool{checkLastsMS - 1: true, checkLastsMS: false, -1: false} {
		d := drive(t, m)
		d.must(Checked{Item: "gloves", Found: "sound", Due: "2027-01-31"})
		d.must(PutOn{Items: []string{"gloves"}})
		if ms < 0 {
			d.boot = "another"
		} else {
			d.mono += ms - 2*30_000
		}
		e := d.event(PutOn{Items: []string{"gloves"}})
		if r, err := d.v.Check(e); err != nil || (r == nil) != fit {
			t.Errorf("after %d ms: %v, %v", ms, r, err)
		}
		d.v.Replay(d.event(Noted{Words: "x"}))
	}

	// A date that passes in mid-visit, and one that is not given.
	d = drive(t, m)
	if _, err := d.do(Checked{Item: "gloves", Found: "sound"}); err == nil {
		t.Error("gloves without a date were found sound")
	}
	d.must(Checked{Item: "gloves", Found: "failed"})
	d = drive(t, m)
	d.must(Checked{Item: "gloves", Found: "sound", Due: "2026-11-24"})
	d.must(PutOn{Items: []string{"gloves"}})
	d.wall = time.Date(2026, 11, 24, 23, 59, 0, 0, time.UTC)
	d.must(Noted{Words: "before midnight"})
	if len(d.v.Worn()) != 1 {
		t.Fatal("not worn before midnight")
	}
	d.wall = time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	d.refused(PutOn{Items: []string{"gloves"}}, RowCheckedBeforeWorn)
	d.must(Noted{Words: "after midnight"})
	if len(d.v.Worn()) != 0 {
		t.Error("worn after the date has passed")
	}
	// Tools need no check, so that the time of one takes nothing from them.
	d.must(Checked{Item: "tools", Found: "sound"})
	d.must(PutOn{Items: []string{"tools"}})
	d.boot = "another"
	d.must(Noted{Words: "x"})
	if !slices.Equal(d.v.Worn(), []string{"tools"}) {
		t.Errorf("worn after a restart: %v", d.v.Worn())
	}
	// A visor has no date: it may be found sound without one.
	d.must(Checked{Item: "visor", Found: "sound"})
}

func TestCalibrationPassesInMidVisit(t *testing.T) {
	m := plainMachine(t)
	d := drive(t, m)
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "T-1", Due: "2026-11-24"}})
	prove := Proved{Kind: instrument.TwoPole, ID: "T-1", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}
	d.must(prove)
	d.wall = d.wall.AddDate(0, 0, 1)
	d.refused(prove, RowInstrumentInDate)
	d.must(Noted{Words: "the next day"})
	b := d.v.Account().Brackets
	if len(b) != 1 || b[0].State != BracketVoid || b[0].Void.Code != ByDate || b[0].Void.Kind != instrument.TwoPole {
		t.Errorf("%+v", b)
	}
	// Setting the clock back brings nothing into date again.
	d.wall = d.wall.AddDate(-1, 0, 0)
	d.refused(prove, RowInstrumentInDate)
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "T-1", Due: "2026-11-24"}})
	d.refused(prove, RowInstrumentInDate)
}

func TestClockSetBack(t *testing.T) {
	d := drive(t, plainMachine(t))
	was := d.wall
	d.wall = d.wall.AddDate(-1, 0, 0)
	h := d.must(Noted{Words: "x"})
	d.must(Noted{Words: "x"})
	d.wall = d.wall.Add(-setBack - 30*time.Second) // To the millisecond what networks may correct.
	d.must(Noted{Words: "x"})
	if c := d.v.Account().Clocks; len(c) != 1 || c[0].Event != h || !c[0].Was.Equal(was) {
		t.Errorf("%+v", c)
	}
	d.wall = d.wall.Add(-setBack - 30*time.Second - time.Millisecond)
	d.must(Noted{Words: "x"})
	if c := d.v.Account().Clocks; len(c) != 2 {
		t.Errorf("%+v", c)
	}
}

func TestEnteredAfterwardsWithinItsBounds(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.to("socket-line-neutral")
	opened := d.v.Account().Begun
	proved := time.Time{}
	for _, b := range d.v.Account().Brackets {
		if b.Kind == instrument.Voltmeter && b.State == BracketOpen {
			proved = b.OpenedAt
		}
	}
	if proved.IsZero() {
		t.Fatal("the voltmeter is not proved")
	}
	entry := func(at time.Time) Entry { return Entry{Entered: "after", Happened: at.Format(time.RFC3339)} }
	try := func(b func(Entry) Body, at time.Time, sense bool) {
		t.Helper()
		if _, err := d.v.Check(d.event(b(entry(at)))); (err == nil) != sense {
			t.Errorf("happened %s: %v", at.Format(time.RFC3339), err)
		}
	}
	read := func(e Entry) Body {
		return Observed{Step: "socket-line-neutral", Shows: instrument.ShowValue(measure.MustDecimal("238.1"), "V"), Entry: e}
	}
	asked := func(e Entry) Body { return Inspected{Step: "premises", Answer: "they agree", Entry: e} }
	try(read, proved, true)
	try(read, proved.Truncate(time.Minute), true)
	try(read, proved.Truncate(time.Minute).Add(-time.Second), false)
	try(read, d.wall.AddDate(10, 0, 0), false)
	try(read, d.wall.Add(20*time.Second), true)
	try(asked, opened, true)
	try(asked, opened.Truncate(time.Minute).Add(-time.Second), false)
	d.to("take-cover-off")
	d.must(Acted{Step: "take-cover-off", Act: "take-cover-off"})
	acted := d.wall
	try(asked, acted, true)
	try(asked, acted.Truncate(time.Minute).Add(-time.Second), false)
}

func TestFasterThanHands(t *testing.T) {
	m := plainMachine(t)
	d := drive(t, m)
	d.to("take-cover-off")
	if n := d.v.Account().Hasty; n != 0 {
		t.Fatalf("%d answers half a minute apart are too fast", n)
	}
	prove := Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}
	for _, x := range []struct {
		ms   int64
		body Body
		want int
	}{{30_000, prove, 0}, {hasteMS, prove, 0}, {hasteMS - 1, prove, 1}, {0, prove, 2}, {0, Noted{Words: "x"}, 2}, {1, Noted{Words: "x"}, 2}, {hasteMS, prove, 2}} {
		d.mono += x.ms - 30_000
		d.must(x.body)
		if got := d.v.Account().Hasty; got != x.want {
			t.Errorf("after %d ms %s: %d, want %d", x.ms, KindOf(x.body), got, x.want)
		}
	}
	d.boot, d.mono = "another", d.mono+1-30_000
	d.must(prove)
	if got := d.v.Account().Hasty; got != 2 {
		t.Error("the time before a restart is not known")
	}
}

// A reading in doubt ends the run that it supports; a pass after it is counted.
func TestDoubtEndsTheRun(t *testing.T) {
	d := at(t, bandsMethod(t), "still")
	for range 3 {
		d.must(reads("still", "0.45 A"))
	}
	d.must(reads("still", "0.00 A"))
	r := d.v.Account().Readings
	if got := r[len(r)-1]; got.Doubted != 3 || got.Judged.Found != FoundExpected {
		t.Errorf("%d readings in doubt before: %+v", got.Doubted, got)
	}
}

// Each proof with a limit lapses at the very limit, not before, and when the time is not known.
func TestEveryLimitToTheMillisecond(t *testing.T) {
	for _, v := range variants() {
		m := shippedMachine(t, v.method, v.overlays, v.job)
		for p, row := range m.proofs {
			if row.lastsMS == 0 {
				t.Errorf("%s: %s has no limit in time", v.name, m.Method.Proofs[p].ID)
			}
			for ms, holds := range map[int64]bool{row.lastsMS - 1: true, row.lastsMS: false, -1: false, 0: true} {
				c := Control{begun: true}
				c.proofs[p] = proofState{phase: proofHeld, leftMS: row.lastsMS}
				m.lapse(&c, &passed{elapsedMS: ms})
				if got := c.proofs[p].phase == proofHeld; got != holds {
					t.Errorf("%s: %s after %d ms: holds %v", v.name, m.Method.Proofs[p].ID, ms, got)
				}
			}
		}
	}
}

func TestElapsed(t *testing.T) {
	k := clock{mono: 100, boot: "a"}
	for _, x := range []struct {
		mono int64
		boot string
		want int64
	}{{100, "a", 0}, {101, "a", 1}, {99, "a", -1}, {200, "b", -1}} {
		if got := k.elapsed(&Event{Mono: x.mono, Boot: x.boot}); got != x.want {
			t.Errorf("%+v: %d", x, got)
		}
	}
}

func TestTellingCountsForWhatWasFoundBefore(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.must(Reported{To: site.Employer})
	d.must(Stopped{Why: "the board is loose"})
	d.refused(Resumed{Why: "x"}, RowToldSomebody)
	d.must(Reported{To: site.Employer})
	d.must(Stopped{Why: "and it smokes"})
	d.refused(Resumed{Why: "x"}, RowToldSomebody)
	d.must(Reported{To: site.Employer})
	d.must(Resumed{Why: "x"})
}

func TestAProvingNamesTheInstrumentTakenUp(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "T-1", Due: "2027-01-01"}})
	b := Proved{Kind: instrument.TwoPole, ID: "T-2", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}
	if _, err := d.do(b); err == nil {
		t.Error("another instrument than the one taken up was proved")
	}
	b.ID = "T-1"
	d.must(b)
}

func TestWritingWithoutTakingOver(t *testing.T) {
	d := drive(t, plainMachine(t))
	d.v.now.holder = "a"
	for chain, refused := range map[string]bool{"a": false, "b": true} {
		e := d.event(PutOn{Items: []string{"tools"}})
		e.Chain = chain
		e.Prev = d.log[len(d.log)-1].Hash
		r, err := d.v.Check(e)
		if err != nil || (r != nil) != refused || refused && !slices.Equal(r.Rows, []Row{RowInHand}) {
			t.Errorf("%s: %v, %v", chain, r, err)
		}
	}
	d.v.now.released = true
	e := d.event(PutOn{Items: []string{"tools"}})
	e.Chain, e.Prev = "a", d.log[len(d.log)-1].Hash
	if r, _ := d.v.Check(e); r == nil {
		t.Error("a device that handed over writes on")
	}
}
