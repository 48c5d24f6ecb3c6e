package visit

import (
	"encoding/json/v2"
	"math/bits"
	"reflect"
	"slices"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
)

// TestEveryRefusal holds the whole refusal, code by code with its arguments, for every row of the table.
func TestEveryRefusal(t *testing.T) {
	m := plainMachine(t)
	at := func(step string) *driver { d := drive(t, m); d.to(step); return d }
	fresh := func() *driver { return &driver{t: t, v: Begin(m), boot: "boot-1"} }
	stopped := func() *driver { d := at("take-cover-off"); d.must(Stopped{Why: "x"}); return d }
	grave := func() *driver {
		d := at("take-cover-off")
		d.must(Observed{Step: "metalwork-detector/metalwork.box", Shows: lit()})
		d.must(Reported{To: site.Employer})
		return d
	}
	ended := func() *driver { d := at("take-cover-off"); d.must(Ended{Outcome: "abandoned", Left: "x"}); return d }
	away := func() *driver { d := at("take-cover-off"); d.must(WentAway{}); return d }
	bare := func() *driver { d := at("take-cover-off"); d.must(TookOff{Items: []string{"gloves"}}); return d }
	again := func() *driver {
		d := at("withdraw-carrier")
		d.must(WentAway{})
		d.must(CameBack{})
		d.must(PutOn{Items: []string{"gloves", "visor"}})
		return d
	}
	cover := Acted{Step: "take-cover-off", Act: "take-cover-off"}
	carrier := Acted{Step: "withdraw-carrier", Act: "withdraw-carrier"}
	two := []instrument.Kind{instrument.TwoPole}
	proved := Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}
	unsuited := Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.LampSource}, Shows: lit()}
	for _, x := range []struct {
		name string
		at   *driver
		body Body
		rows []Row
		what Reason
		lack []Reason
		ways []Reason
	}{
		{"before the opening", fresh(), Noted{Words: "x"}, []Row{RowOpenedFirst}, Reason{Code: CannotNow}, []Reason{{Code: NotOpened}}, []Reason{{Code: OpenFirst}}},
		{"opened twice", at("premises"), Opened{MethodHash: m.Hash}, []Row{RowOpenedFirst}, Reason{Code: CannotOpen}, []Reason{{Code: OpenedAlready}}, []Reason{{Code: GoOn}}},
		{"after the end", ended(), Noted{Words: "x"}, []Row{RowNotAfterTheEnd}, Reason{Code: CannotNow}, []Reason{{Code: HasEnded, Outcome: "abandoned"}}, []Reason{{Code: AddSupplement}}},
		{"added too early", at("premises"), Supplement{Words: "x"}, []Row{RowNotAfterTheEnd}, Reason{Code: CannotNow}, []Reason{{Code: NotYetEnded}}, []Reason{{Code: AddNote}}},
		{"away", away(), Returned{Step: "premises", Why: "x"}, []Row{RowPresent}, Reason{Code: CannotReturn}, []Reason{{Code: IsAway}}, []Reason{{Code: SayBack}}},
		{"stop", stopped(), cover, []Row{RowNoStopInForce, RowProofsHold}, Reason{Code: CannotAct, Act: "take-cover-off"}, []Reason{{Code: StopInForce, Stop: Declared}}, []Reason{{Code: FollowStop}}},
		{"stop of the method", grave(), PutOn{Items: []string{"tools"}}, nil, Reason{}, nil, nil},
		{"out of turn", at("take-cover-off"), Inspected{Step: "premises", Answer: "they agree"}, []Row{RowInTurn}, Reason{Code: CannotStep, Step: "premises"},
			[]Reason{{Code: AnotherInTurn, Step: "take-cover-off"}}, []Reason{{Code: CarryOut, Step: "take-cover-off"}}},
		{"not entered live", at("premises"), Inspected{Step: "premises", Answer: "they agree", Entry: Entry{Entered: "after", Happened: "2026-11-24T09:00:31Z"}}, []Row{RowEnteredLive},
			Reason{Code: CannotStep, Step: "premises"}, []Reason{{Code: LiveEntryOnly}}, []Reason{{Code: EnterNow}}},
		{"not checked", at("premises"), PutOn{Items: []string{"gloves", "tools"}}, []Row{RowCheckedBeforeWorn}, Reason{Code: CannotPutOn, Items: []string{"gloves", "tools"}},
			[]Reason{{Code: NotChecked, Items: []string{"gloves"}}}, []Reason{{Code: CheckFirst, Items: []string{"gloves"}}}},
		{"not worn", bare(), cover, []Row{RowProtected}, Reason{Code: CannotAct, Act: "take-cover-off"},
			[]Reason{{Code: NotWorn, Items: []string{"gloves"}}}, []Reason{{Code: PutOnFirst, Items: []string{"gloves"}}}},
		{"not taken up", at("premises"), proved, []Row{RowInstrumentInDate}, Reason{Code: CannotProve, Kinds: two},
			[]Reason{{Code: NotTakenUp, Kinds: two}}, []Reason{{Code: TakeUp, Kinds: two}}},
		{"source", at("take-cover-off"), unsuited, []Row{RowSourceSuits}, Reason{Code: CannotProve, Kinds: two},
			[]Reason{{Code: SourceUnsuited, Kinds: two}}, []Reason{{Code: ProveOn, Kinds: two, Sources: []instrument.SourceKind{instrument.ProvingUnit, instrument.KnownLive}}}},
		{"not gone on to", at("premises"), Returned{Step: "withdraw-carrier", Why: "x"}, []Row{RowBackwardsOnly}, Reason{Code: CannotReturn}, []Reason{{Code: LaterStep}}, []Reason{{Code: GoOn}}},
		{"nobody told", stopped(), Resumed{Why: "x"}, []Row{RowToldSomebody}, Reason{Code: CannotResume}, []Reason{{Code: NobodyTold}}, []Reason{{Code: TellSomebody}}},
		{"stop that ends", grave(), Resumed{Why: "x"}, []Row{RowStopCanBeLeft}, Reason{Code: CannotResume}, []Reason{{Code: StopEndsWork, Stop: "metalwork-live"}}, []Reason{{Code: EndVisit}}},
		{"no stop", at("premises"), Resumed{Why: "x"}, []Row{RowToldSomebody, RowStopCanBeLeft}, Reason{Code: CannotResume}, []Reason{{Code: NobodyTold}, {Code: NoStopInForce}}, []Reason{{Code: TellSomebody}, {Code: GoOn}}},
		{"not done", at("take-cover-off"), Ended{Outcome: "completed"}, []Row{RowEverythingDone}, Reason{Code: CannotCallDone},
			[]Reason{{Code: StepsLeft, Step: "take-cover-off"}, {Code: SwitchStands, Switch: site.Seals, Is: "off"}}, []Reason{{Code: EndOtherwise}}},
	} {
		r, err := x.at.v.Check(x.at.event(x.body))
		if err != nil {
			t.Errorf("%s: %v", x.name, err)
			continue
		}
		want := &Refusal{Rows: x.rows, What: x.what, Lacks: x.lack, Ways: x.ways}
		if x.rows == nil {
			want = nil
		}
		if !reflect.DeepEqual(r, want) {
			got, _ := json.Marshal(r)
			t.Errorf("%s: got %s", x.name, got)
		}
	}
	// Refusals whose reasons depend on how a proof, a bracket or a date came to nothing.
	d := again()
	r := d.refused(carrier, RowProofsHold)
	for _, proof := range m.Method.Steps[d.v.Control().pos].Needs {
		if !lacks(r, NoLongerShown, func(x Reason) bool { return x.Proof == proof && x.Cause.Code == ByLeaving }) {
			t.Errorf("%s: %+v", proof, r.Lacks)
		}
	}
	if back, ok := r.Back(); !ok || back == "" {
		t.Errorf("no way back: %+v", r.Ways)
	}
	d = drive(t, m)
	d.to("premises")
	if r := d.refused(LeftOut{Step: "service-cable", How: method.CouldNot, Why: "x"}, RowInTurn); r.What.Step != "service-cable" {
		t.Errorf("%+v", r.What)
	}

	one := func(r *Refusal, lack, way Reason) {
		t.Helper()
		if !slices.ContainsFunc(r.Lacks, func(x Reason) bool { return reflect.DeepEqual(x, lack) }) || !slices.ContainsFunc(r.Ways, func(x Reason) bool { return reflect.DeepEqual(x, way) }) {
			t.Errorf("got %+v and %+v, want %+v and %+v", r.Lacks, r.Ways, lack, way)
		}
	}
	d = at("take-cover-off")
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Due: "2026-11-01"}})
	one(d.refused(proved, RowInstrumentInDate), Reason{Code: PastCalibration, Kinds: two}, Reason{Code: TakeUpAnother, Kinds: two})

	// Taken up and never proved.
	d = drive(t, m)
	d.must(TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Due: "2027-11-01"}})
	_, dead := m.Method.Step("dead-prove-again")
	read := -1
	for i := range dead {
		if m.steps[i].does == doObserve && m.Method.Steps[i].Observe.With == string(instrument.TwoPole) {
			read = i
		}
	}
	d.v.now.control.pos = int16(read)
	one(d.refused(Observed{Step: m.Method.Steps[read].ID, Shows: dark()}, RowInstrumentProved), Reason{Code: NotProved, Kinds: two}, Reason{Code: ProveOrOther, Kinds: two})

	// A run that is whole and waits, one that is not whole, one that was never begun, and one that lies ahead.
	p := slices.IndexFunc(m.Method.Proofs, func(p method.Proof) bool { return p.ID == "dead" })
	c := Control{begun: true, tools: d.v.now.control.tools}
	_, out := m.Method.Step("take-tails-out")
	first, _ := m.span(&c, p)
	act := Acted{Step: "take-tails-out", Act: "take-tails-out"}
	for _, x := range []struct {
		state proofState
		pos   int16
		lack  Reason
		way   Reason
	}{
		{proofState{phase: proofAwaiting, rests: 1 << uint(instrument.Index(instrument.TwoPole)), leftMS: 1 << 30}, int16(out), Reason{Code: AwaitsProving, Proof: "dead"}, Reason{Code: ProveAgain, Kinds: two}},
		{proofState{phase: proofRunning, leftMS: 1 << 30}, int16(out), Reason{Code: Unfinished, Proof: "dead"}, Reason{Code: GoBack, Step: m.Method.Steps[first].ID}},
		{proofState{}, int16(out), Reason{Code: NotShown, Proof: "dead"}, Reason{Code: GoBack, Step: m.Method.Steps[first].ID}},
	} {
		d := drive(t, m)
		d.v.now.control.pos, d.v.now.control.proofs[p] = x.pos, x.state
		one(d.refused(act, RowProofsHold), x.lack, x.way)
	}
	f := &refusing{v: d.v, at: d.v.now, c: &Control{begun: true, pos: first}, r: &reduced{}}
	f.explainProofs(1 << p)
	one(&f.Refusal, Reason{Code: NotShown, Proof: "dead"}, Reason{Code: GoBack, Step: m.Method.Steps[first].ID})
	f = &refusing{v: d.v, at: d.v.now, c: &Control{begun: true, pos: first - 1}, r: &reduced{}}
	f.explainProofs(1 << p)
	one(&f.Refusal, Reason{Code: NotShown, Proof: "dead"}, Reason{Code: GoOn})

	// Time undid it just now; or the date of the instrument whose bracket it still rests on.
	for ms, code := range map[int64]CauseCode{2000: ByTime, -1: ByUnknownTime} {
		d := drive(t, m)
		d.v.now.control.pos, d.v.now.control.proofs[p] = int16(out), proofState{phase: proofHeld, leftMS: 1000}
		e := d.event(act)
		e.Mono = d.v.now.mono + ms
		if r, _ := d.v.Check(e); !lacks(r, NoLongerShown, func(x Reason) bool { return x.Proof == "dead" && x.Cause.Code == code }) {
			t.Errorf("after %d ms: %+v", ms, r.Lacks)
		}
	}
	d = drive(t, m)
	k := instrument.Index(instrument.TwoPole)
	d.v.now.control.pos, d.v.now.control.proofs[p] = int16(out), proofState{phase: proofAwaiting, rests: 1 << k, leftMS: 1 << 30}
	d.v.now.control.tools[k], d.v.now.toolDue[k] = toolProved, d.wall.AddDate(0, 0, -2)
	if r := d.refused(act, RowProofsHold); !lacks(r, NoLongerShown, func(x Reason) bool { return x.Proof == "dead" && x.Cause.Code == ByDate }) {
		t.Errorf("past its date: %+v", r.Lacks)
	}
	// A step that is owed and no longer applies: the way leads to one before it that does.
	m2 := *m
	m2.steps = slices.Clone(m.steps)
	m2.steps[5].when = []condition{{fact: 0, values: 0}}
	v := Begin(&m2)
	v.now.control = Control{begun: true, pos: int16(len(m.steps)), owed: 6}
	r, err := v.Check(Event{Body: Ended{Outcome: "completed"}})
	if err != nil {
		t.Fatal(err)
	}
	one(r, Reason{Code: StepOwed, Step: m.Method.Steps[5].ID}, Reason{Code: GoBack, Step: m.Method.Steps[4].ID})
}

// TestEveryCause holds what is said to have undone a proof, for every event that can.
func TestEveryCause(t *testing.T) {
	m := plainMachine(t)
	p := slices.IndexFunc(m.Method.Proofs, func(p method.Proof) bool { return p.ID == "dead" })
	supports := m.Method.Steps[m.proofs[p].supports[0]].ID
	question, other := "", ""
	for i := range m.steps {
		if q := m.Method.Steps[i].Inspect; q != nil && m.steps[i].supports != 0 && question == "" {
			question = m.Method.Steps[i].ID
			other = q.Answers[(slices.Index(q.Answers, q.Expect)+1)%len(q.Answers)]
			p = bits.TrailingZeros16(m.steps[i].supports)
		}
	}
	answered := p
	p = slices.IndexFunc(m.Method.Proofs, func(p method.Proof) bool { return p.ID == "dead" })
	for _, x := range []struct {
		name string
		body Body
		want Cause
	}{
		{"leaving", WentAway{}, Cause{Code: ByLeaving}},
		{"hand-over", TakenOver{Chain: "b", Head: "x"}, Cause{Code: ByHandOver}},
		{"stop", Stopped{Why: "x"}, Cause{Code: ByStop}},
		{"reading", Observed{Step: supports, Shows: lit()}, Cause{Code: ByReading, Step: supports, Shows: ref(lit())}},
		{"replacement", TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "2", Due: "2027-01-01"}}, Cause{Code: ByReplacement, Kind: instrument.TwoPole}},
		{"proving", Proved{Kind: instrument.TwoPole, ID: "1", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: dark()},
			Cause{Code: ByProving, Kind: instrument.TwoPole, Shows: ref(dark()), Source: instrument.ProvingUnit}},
		{"left out", LeftOut{Step: supports, How: method.NotTested, Why: "x"}, Cause{Code: ByLeavingOut, Step: supports}},
		{"answer", Inspected{Step: question, Answer: other}, Cause{Code: ByAnswer, Step: question, Answer: other}},
		{"in spite", Acted{Act: "refit-carrier", InSpite: true, Why: "x"}, Cause{Code: ByActInSpite}},
	} {
		d := drive(t, m)
		k := instrument.Index(instrument.TwoPole)
		c := &d.v.now.control
		if x.want.Code == ByAnswer {
			if question == "" {
				t.Fatal("no question supports a proof")
			}
			p = answered
		}
		c.pos, c.tools[k] = m.proofs[p].supports[0], toolProved
		c.proofs[p] = proofState{phase: proofAwaiting, rests: 1 << k, leftMS: 1 << 30}
		if _, over := x.body.(TakenOver); over {
			other := *d.v.now
			d.v.states["x"] = &other
		}
		d.must(x.body)
		u := d.v.Account().lastUndone(p)
		if u == nil {
			t.Errorf("%s: nothing undid it", x.name)
			continue
		}
		got := u.Cause
		if got.Event == "" || got.At.IsZero() {
			t.Errorf("%s: the cause does not say which event, or when: %+v", x.name, got)
		}
		got.Event, got.At = "", time.Time{}
		if !reflect.DeepEqual(got, x.want) {
			t.Errorf("%s: %+v, want %+v", x.name, got, x.want)
		}
	}
}

// Another fact found on site undoes what hangs on it, and says so.
func TestOtherFactIsACause(t *testing.T) {
	m := plainMachine(t)
	for i, s := range m.steps {
		hangs := uint16(0)
		if s.does == doDecide {
			hangs = m.hangsOn(s.fact)
		}
		if hangs == 0 {
			continue
		}
		p := bits.TrailingZeros16(hangs)
		d := drive(t, m)
		c := &d.v.now.control
		c.pos, c.facts[s.fact], c.proofs[p] = int16(i), 1, proofState{phase: proofHeld, leftMS: 1 << 30}
		d.must(Decided{Step: m.Method.Steps[i].ID, Value: m.Method.Facts[s.fact].Values[1]})
		if u := d.v.Account().lastUndone(p); u == nil || u.Cause.Code != ByFact || u.Cause.Step != m.Method.Steps[i].ID {
			t.Errorf("%+v", u)
		}
		return
	}
	t.Fatal("no proof hangs on a fact")
}

func ref[T any](v T) *T { return &v }
