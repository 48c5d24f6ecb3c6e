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

// longest is the proof with the longest run that begins with four readings by one instrument, and its steps as far as
// they apply to a healthy visit.
func longest(t testing.TB, m *Machine) (proof int, run []int16) {
	t.Helper()
	d := drive(t, m)
	d.through()
	c := d.v.Control()
	for p := range m.proofs {
		list := slices.DeleteFunc(slices.Clone(m.proofs[p].supports), func(i int16) bool { return !m.applies(&c, int(i)) })
		if len(list) < 4 || slices.ContainsFunc(list[:4], func(i int16) bool {
			s := &m.steps[i]
			return s.does != doObserve || s.tool != m.steps[list[0]].tool || m.Method.Steps[i].Observe.Expect == ""
		}) {
			continue
		}
		if len(list) > len(run) {
			proof, run = p, list
		}
	}
	if len(run) < 4 {
		t.Fatalf("a run of %d readings is too short to say anything", len(run))
	}
	return proof, run
}

// otherwise is what an instrument shows that the step does not expect.
func otherwise(s *method.Step) instrument.Indication {
	if s.Observe.Expect == string(instrument.Dark) {
		return lit()
	}
	return dark()
}

func (d *driver) slip(event string) string {
	d.t.Helper()
	return d.must(Corrected{Event: event, Reason: Slip})
}

// answer gives an answer to the step in turn and returns its event.
func (d *driver) answer(b Body) string { d.t.Helper(); return d.must(b) }

func (d *driver) expects() Body {
	s, _ := d.v.machine.Method.Step(d.v.Next().Step)
	return expectedBody(d.v, s)
}

// A slip of any answer of a healthy visit puts the step in turn again and nothing else, and with the answer given
// again the visit is what it would have been.
func TestSlipOfEveryAnswer(t *testing.T) {
	for name, m := range map[string]*Machine{"in order": plainMachine(t), "in sheets": sheetedMachine(t)} {
		hurry := func() *driver { d := drive(t, m); d.pace = 10 * time.Second; return d }
		d, without := hurry(), hurry() // So that no proof lapses by the time that slips take.
		slips, points := 0, map[string]bool{}
		for d.v.Next().Step != "" {
			step, before := d.v.Next(), d.v.Control()
			body := d.expects()
			without.must(body)
			answer := d.answer(body)
			event, no := d.v.Slip("", "p-1")
			s, i := m.Method.Step(step.Step)
			at := point(s)
			switch {
			case !KindOf(body).Correctable() || points[at]:
				if no == nil {
					t.Fatalf("%s, %s: %s can be taken back", name, step.Step, event)
				}
				continue
			case no != nil || event != answer:
				t.Fatalf("%s, %s: %v, %s", name, step.Step, no, event)
			}
			points[at] = true
			slips++
			d.slip(answer)
			if got := d.v.Next(); got.Step != step.Step || !slices.Equal(got.Sheet, step.Sheet) {
				t.Fatalf("%s: after the slip %s %v is in turn, and was %s %v", name, got.Step, got.Sheet, step.Step, step.Sheet)
			}
			for p, was := range before.proofs {
				is := d.v.Control().proofs[p].phase
				if is > was.phase || m.steps[i].does == doObserve && is < min(was.phase, proofRunning) && first(m, p) != int16(i) {
					t.Fatalf("%s, %s: %s stands at %d, and did at %d", name, step.Step, m.Method.Proofs[p].ID, is, was.phase)
				}
			}
			if m.steps[i].does == doProve || m.steps[i].does == doTakeUp {
				// What rested on it is shown anew: that is no matter of this test.
				d, points = hurry(), map[string]bool{}
				for _, e := range without.log[1:] {
					d.must(e.Body)
				}
				continue
			}
			d.answer(body)
		}
		if slips < 20 {
			t.Errorf("%s: %d slips say little", name, slips)
		}
		got, want := d.v.Control(), without.v.Control()
		for p := range got.proofs { // Time has passed differently.
			got.proofs[p].leftMS, want.proofs[p].leftMS = 0, 0
		}
		got.fitMS = want.fitMS
		if got != want {
			t.Errorf("%s: the visit stands at\n%+v, and without slips at\n%+v", name, got, want)
		}
		d.must(Ended{Outcome: Completed.String()})
	}
}

func first(m *Machine, proof int) int16 { return m.proofs[proof].supports[0] }

// A run goes on after a slip, and is whole only with the new answer, which stands in the place of the old.
func TestSlipInARun(t *testing.T) {
	m := plainMachine(t)
	p, run := longest(t, m)
	mid, end := m.Method.Steps[run[1]].ID, run[len(run)-1]
	d := drive(t, m)
	d.to(mid)
	old := d.answer(d.expects())
	d.slip(old)
	anew := d.answer(d.expects())
	for d.v.Control().pos <= end {
		d.on()
	}
	if got := d.v.Control().proofs[p].phase; got != proofAwaiting {
		t.Fatalf("the proof stands at %d", got)
	}
	if runs := d.v.now.runs[p]; slices.Contains(runs, old) || !slices.Contains(runs, anew) || len(runs) != len(run) {
		t.Errorf("it rests on %d events, the old one among them %v, the new one %v", len(runs), slices.Contains(runs, old), slices.Contains(runs, anew))
	}
	a := d.v.Account()
	if c := a.Corrections[0]; c.Of != old || c.Reason != Slip || c.Tested != anew || c.Step != mid || c.Stop != "" {
		t.Errorf("the account says %+v", c)
	}
	for _, r := range a.Readings {
		if r.Withdrawn != (r.Event == old) {
			t.Errorf("%s withdrawn: %v", r.Step, r.Withdrawn)
		}
	}
	// The last of the run: nothing is whole without it, whatever is proved meanwhile.
	e := drive(t, m)
	e.to(m.Method.Steps[end].ID)
	e.slip(e.answer(e.expects()))
	kind := instrument.Models()[m.steps[end].tool].Kind
	prove := proof(m.steps[end].tool)
	prove.Kind, prove.ID = kind, "i-"+string(kind)
	e.must(prove)
	if got := e.v.Control().proofs[p].phase; got != proofRunning {
		t.Fatalf("without its last answer the proof stands at %d", got)
	}
	e.must(LeftOut{Step: m.Method.Steps[end].ID, How: method.NotTested, Why: "x"})
	if got := e.v.Control().proofs[p].phase; got != proofNone {
		t.Fatalf("with its last answer left out the proof stands at %d", got)
	}
}

// retesting is a visit in which an answer that raised a stop was taken back: what proves and answers again.
func retesting(t testing.TB, m *Machine) (d *driver, step *method.Step, prove Proved, good Observed) {
	t.Helper()
	_, run := longest(t, m)
	d, step = drive(t, m), &m.Method.Steps[run[1]]
	d.to(step.ID)
	d.slip(d.answer(Observed{Step: step.ID, Shows: otherwise(step)}))
	if d.v.Stop() == "" {
		t.Fatal("the slip lifted the stop")
	}
	prove = proof(m.steps[run[1]].tool)
	prove.ID = "i-" + string(prove.Kind)
	return d, step, prove, Observed{Step: step.ID, Shows: instrument.Show(instrument.Shows(step.Observe.Expect))}
}

// A stop that a slip raised is lifted by testing the point again in a fresh run, and by nothing less.
func TestSlipUnderAStop(t *testing.T) {
	m := plainMachine(t)
	p, run := longest(t, m)
	d, step, prove, good := retesting(t, m)
	stop := d.v.Stop()
	d.refused(good, RowInstrumentProved)
	d.must(prove)
	d.must(Noted{Words: "x"})
	d.must(Reported{To: site.Employer})
	tested := d.must(good)
	if d.v.Stop() != stop {
		t.Fatal("the stop was lifted before the instrument was proved again")
	}
	d.must(prove)
	if d.v.Stop() != "" {
		t.Fatalf("the stop stays: %s", d.v.Stop())
	}
	// The run that the answer had ended begins anew.
	if got := d.v.Next().Step; got != m.Method.Steps[run[0]].ID || d.v.Control().proofs[p].phase != proofNone {
		t.Errorf("%s is in turn, the proof at %d", got, d.v.Control().proofs[p].phase)
	}
	a := d.v.Account()
	c, s := a.Corrections[0], a.Stops[0]
	if c.Stop != stop || c.Tested != tested || c.Lifted.IsZero() || c.Step != step.ID {
		t.Errorf("the slip is told as %+v", c)
	}
	if s.ID != stop || s.Slip != c.Event || !s.LeftAt.Equal(c.Lifted) || s.Why != "" {
		t.Errorf("the stop is told as %+v", s)
	}
	if r := a.Readings[len(a.Readings)-2]; !r.Withdrawn || a.Brackets[r.Bracket].State != BracketVoid || a.Brackets[r.Bracket].Void.Code != BySlip {
		t.Errorf("the reading that was taken back stands in %+v", a.Brackets[r.Bracket])
	}
	d.through()
	d.must(Ended{Outcome: Completed.String()})
}

// Whatever does not belong to testing the point again leaves the stop as one like any other.
func TestWhatBreaksARetestOff(t *testing.T) {
	m := plainMachine(t)
	_, step, prove, good := retesting(t, m)
	failed := prove
	failed.Shows = dark()
	bad := Observed{Step: step.ID, Shows: otherwise(step)}
	take := TookUp{Instrument: Instrument{Kind: prove.Kind, ID: prove.ID, Due: "2027-03-01"}}
	var calm Body
	for i, x := range m.acts {
		if x.makeSafe && x.protect == 0 {
			calm = Acted{Act: m.Method.Acts[i].ID}
		}
	}
	for name, between := range map[string][]Body{
		"a stop":               {Stopped{Why: "x"}},
		"another reading":      {bad},
		"a proving that fails": {failed},
		"another instrument":   {take},
		"leaving":              {WentAway{}, CameBack{}, PutOn{Items: []string{"gloves", "visor"}}},
		"an act":               {calm},
		"a correction":         {nil},
	} {
		for gap := range 3 {
			d, _, _, _ := retesting(t, m)
			for i, b := range []Body{prove, good, prove} {
				if i == gap {
					for _, x := range between {
						if x == nil {
							x = Corrected{Event: d.log[len(d.log)-1].Hash, Now: "", Why: "x"}
							if gap == 0 {
								x = Corrected{Event: d.v.Account().Readings[0].Event, Why: "x"}
							}
						}
						if r, err := d.do(x); err != nil {
							t.Fatal(name, gap, err)
						} else if _, act := x.(Acted); r != nil && !act {
							t.Fatal(name, gap, r)
						}
					}
				}
				if _, err := d.do(b); err != nil {
					t.Fatal(name, gap, err)
				}
			}
			if d.v.Stop() == "" {
				t.Errorf("%s, after %d of prove, test, prove: the stop is lifted", name, gap)
			}
		}
	}
	// Without the first proving, or the test, or the second.
	for i := range 3 {
		d, _, _, _ := retesting(t, m)
		for j, b := range []Body{prove, good, prove} {
			if i != j {
				if _, err := d.do(b); err != nil {
					t.Fatal(err)
				}
			}
		}
		if d.v.Stop() == "" {
			t.Errorf("lifted without part %d", i+1)
		}
	}
}

// What is no slip is refused with its reason, and corrected as a mistake.
func TestWhatIsNoSlip(t *testing.T) {
	m := plainMachine(t)
	_, run := longest(t, m)
	id := m.Method.Steps[run[1]].ID
	at := func() (*driver, string) {
		d := drive(t, m)
		d.to(id)
		return d, d.answer(d.expects())
	}
	reason := func(d *driver, event string, row Row, code Code) {
		t.Helper()
		r := d.refused(Corrected{Event: event, Reason: Slip}, row)
		if len(r.Lacks) != 1 || r.Lacks[0].Code != code || r.What.Code != CannotTakeBack || len(r.Ways) != 1 || r.Ways[0].Code != CorrectIt {
			t.Errorf("%s: %+v", row, r)
		}
	}
	d, old := at()
	d.must(Noted{Words: "x"})
	reason(d, old, RowSlipLast, NotTheLast)
	if event, no := d.v.Slip("", "p-1"); event != "" || no == nil || no.Lacks[0].Code != NotTheLast {
		t.Errorf("%s can be taken back after a remark: %v", event, no)
	}
	d.must(Corrected{Event: old, Why: "x"})

	d, _ = at()
	reason(d, d.v.Account().Readings[0].Event, RowSlipLast, NotTheLast)

	d, old = at()
	if event, no := d.v.Slip("", "p-2"); event != old || no == nil || no.Lacks[0].Code != NotOnesOwn {
		t.Errorf("somebody else takes it back: %v", no)
	}

	d, old = at()
	d.slip(old)
	reason(d, d.answer(d.expects()), RowSlipOnce, SlippedBefore)

	// Out of turn, and under a stop, there is none.
	d, _ = at()
	reason(d, d.answer(Observed{Step: m.Method.Steps[run[0]].ID, Shows: otherwise(&m.Method.Steps[run[0]])}), RowSlipLast, NotTheLast)
	d, _ = at()
	d.must(Stopped{Why: "x"})
	reason(d, d.answer(Observed{Step: id, Shows: otherwise(&m.Method.Steps[run[1]])}), RowSlipLast, NotTheLast)

	// Another instrument is one in its own run.
	d, old = at()
	d.slip(old)
	kind := instrument.Models()[m.steps[run[1]].tool].Kind
	d.must(TookUp{Instrument: Instrument{Kind: kind, ID: "another", Due: "2027-03-01"}})
	if c := d.v.Control(); c.retest != 0 || d.v.Account().Corrections[0].Tested != "" {
		t.Error("another instrument tests the point again")
	}

	for name, b := range map[string]Corrected{
		"a value in its place": {Event: old, Reason: Slip, Now: "dark"},
		"no such reason":       {Event: old, Reason: "haste", Why: "x"},
		"a mistake unsaid":     {Event: old},
		"an act":               {Event: d.log[0].Hash, Reason: Slip},
	} {
		if _, err := d.do(b); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}

// Advice, and an answer to it, come between an answer and its slip.
func TestAdviceLeavesASlip(t *testing.T) {
	m := plainMachine(t)
	_, run := longest(t, m)
	d := drive(t, m)
	d.to(m.Method.Steps[run[1]].ID)
	old := d.answer(d.expects())
	c := d.v.Control()
	if got := m.fold(c, &attempt{do: doNote, step: -1, act: -1, tool: -1, quiet: true}); got != c {
		t.Error("advice changes what can be taken back")
	}
	if got := m.fold(c, &attempt{do: doNote, step: -1, act: -1, tool: -1}); got.slip != 0 {
		t.Error("a remark leaves it")
	}
	d.slip(old)
}

// A number that no working instrument could show is asked for again where its step is in turn, and counts at once where
// nothing would ask again.
func TestAnOddNumberOutOfTurnCounts(t *testing.T) {
	m := plainMachine(t)
	for p := range m.proofs {
		run := m.proofs[p].supports
		k := slices.IndexFunc(run[:len(run)-1], func(i int16) bool {
			o := m.Method.Steps[i].Observe
			return o != nil && o.Bounds != nil && o.Bounds.Unit == "V" && o.Bounds.Credible != nil
		})
		if k < 0 {
			continue
		}
		odd := Observed{Step: m.Method.Steps[run[k]].ID, Shows: instrument.ShowValue(measure.MustDecimal("2381"), "V")}
		d := drive(t, m)
		d.to(odd.Step)
		d.must(odd)
		if d.v.Stop() != "" || d.v.Next().Step != odd.Step {
			t.Fatalf("in turn: stop %q, next %s", d.v.Stop(), d.v.Next().Step)
		}
		d.on()
		if d.v.Control().proofs[p].phase != proofRunning {
			t.Fatal("the run was not begun")
		}
		d.must(odd)
		if got := d.v.Control().proofs[p].phase; got != proofNone {
			t.Errorf("out of turn: the run stands at %d", got)
		}
		return
	}
	t.Fatal("no run begins with a voltage")
}
