package visit

import (
	"cmp"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit/laws"
)

// trial is one event that a search tries, with what it says in the terms of the laws. It goes through
// reduce as any event does. What reduce makes of it depends on little of the state, so that it is done once for
// each such part; a property test holds that the rest does not matter.
type trial struct {
	body Body
	fact laws.Fact
	step int16 // the step that it carries out when in turn, or -1
	// foreign says that it comes from a device that does not hold the visit.
	foreign bool
	// behind says that it is made where devices have not seen how far one another came.
	behind bool
	mono   int64
	boot   string
	// stranger says that somebody else makes it, again is a point at which an answer was taken back before.
	stranger bool
	again    string
	// dates sets a date that has passed when it is made, two days late; nil for none.
	dates func(st *state, passed time.Time)

	// at is what reduce made of it, by position and, where that matters, by each of the ways of wearing protection.
	at   []atomic.Pointer[attempt]
	ways int
}

// The devices, the boot and the day of trials.
const (
	trialHolder, trialOther = "a", "b"
	trialBoot               = "boot"
)

var trialWall = time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)

// longTime is more than any proof or check lasts.
const longTime = int64(1) << 31

// stepTrials are the events about one step.
type stepTrials struct {
	good, late, bad, back          *trial
	more                           []*trial // what else an instrument can show
	leave                          []*trial // in each way
	withdrawn, correctGood, nowBad *trial
	values, correctValues          []*trial
	// slips take back an answer at the step: one that can be, by another person, and a second at its point. slipFailed is
	// the first of them where what is taken back is a proving that failed.
	slips                  []*trial
	slipFailed             *trial
	spite, foreign, behind *trial
	reading                int // index in the universe, or -1
}

// toolTrials and itemTrials are the events about one instrument and one piece of protection.
type toolTrials struct {
	prove, unsuited, failed, take, outdated, past, withdrawProving, withdrawTakeUp *trial
}

type itemTrials struct {
	on, off, sound, failed, withdrawn, past *trial
}

// actTrials are the events about one act.
type actTrials struct {
	plain, spite, foreign, behind *trial
}

// trials is every event that a search of one method tries.
type trials struct {
	v     *Visit
	err   error // the first event of which reduce can make nothing
	steps []stepTrials
	acts  []actTrials
	tools [10]toolTrials
	items []itemTrials

	open, note, away, back, over, long, restart, stop, report, resume, foreignResume *trial
	ends                                                                             []*trial
}

// fact is one that is about no instrument and no reading.
func fact(d laws.Does) laws.Fact { return laws.Fact{Does: d, Tool: -1, Reading: -1} }

func (ts *trials) make(b Body, f laws.Fact) *trial {
	t := &trial{body: b, fact: f, step: -1, boot: trialBoot, ways: 1}
	switch b.(type) {
	case PutOn, TookOff:
		t.ways = 1 << len(ts.v.machine.Method.Protection)
	}
	t.at = make([]atomic.Pointer[attempt], (len(ts.steps)+1)*t.ways)
	if _, err := ts.reduce(t, &Control{begun: true}); ts.err == nil && err != nil {
		ts.err = err
	}
	return t
}

// elsewhere gives an event as it is made on a device that does not hold the visit, and where devices have not
// seen how far one another came.
func (ts *trials) elsewhere(b Body, f laws.Fact) (foreign, behind *trial) {
	foreign, behind = ts.make(b, f), ts.make(b, f)
	foreign.foreign, foreign.fact.Foreign = true, true
	behind.behind, behind.fact.Contested = true, true
	return foreign, behind
}

// act gives the trials of an act at a step, or out of turn, and as it is done in spite of a refusal at a step.
func (ts *trials) act(b Acted, f laws.Fact, spiteAt string) (t actTrials) {
	t.plain = ts.make(b, f)
	t.foreign, t.behind = ts.elsewhere(b, f)
	f.InSpite = true
	t.spite = ts.make(Acted{Step: spiteAt, Act: b.Act, InSpite: true, Why: "x"}, f)
	return t
}

// past is the passing of a date.
func (ts *trials) past(f laws.Fact, dates func(*state, time.Time)) *trial {
	f.Does = laws.DatePassed
	t := ts.make(Noted{Words: "x"}, f)
	t.dates = dates
	return t
}

// event is the trial as an event, and the state in which it is made.
func (t *trial) event(c *Control) (*state, *Event) {
	st := &state{control: *c, holder: trialHolder, joined: t.behind}
	st.boot, st.wall, st.latest, st.opened, st.answered = trialBoot, trialWall, trialWall, trialWall.Add(-time.Hour), -1
	e := &Event{Body: t.body, Chain: trialHolder, Wall: trialWall, Mono: t.mono, Boot: t.boot}
	if t.dates != nil {
		t.dates(st, trialWall.AddDate(0, 0, 1))
		e.Wall = trialWall.AddDate(0, 0, 2)
	}
	if t.foreign {
		e.Chain = trialOther
	}
	if c, ok := t.body.(Corrected); ok && c.Reason == Slip {
		st.answer = c.Event
		if st.slipped = []string{t.again}; t.stranger {
			e.Person = trialOther
		}
	}
	return st, e
}

// reduce is what the engine makes of the trial in a state. The error says that it makes nothing of it: the method
// asks for an answer that no visit can give.
func (ts *trials) reduce(t *trial, c *Control) (attempt, error) {
	st, e := t.event(c)
	r, err := ts.v.reduce(st, e)
	return r.attempt, err
}

// attempt is reduce, done once for each part of the state that it depends on.
func (ts *trials) attempt(t *trial, c *Control) (attempt, error) {
	if !c.begun {
		return ts.reduce(t, c)
	}
	p := &t.at[int(c.pos)*t.ways+int(c.worn)%t.ways]
	if a := p.Load(); a != nil {
		return *a, nil
	}
	a, err := ts.reduce(t, c)
	if err == nil {
		p.Store(&a)
	}
	return a, err
}

// newTrials prepares the events of a method, given the index of each reading that it asks for.
func newTrials(m *Machine, index map[laws.Reading]int) (*trials, error) {
	ts := &trials{v: Begin(m), steps: make([]stepTrials, len(m.steps))}
	for i := range ts.steps {
		x := &ts.steps[i]
		x.reading = -1
		if r := m.reading(i); r.Says != 0 {
			x.reading = index[r]
		}
		if err := cmp.Or(ts.step(i), ts.err); err != nil {
			return nil, fmt.Errorf("step %s asks for what no visit can give: %w", m.Method.Steps[i].ID, err)
		}
	}
	for i, a := range m.Method.Acts {
		f, at := fact(laws.Acted), ""
		f.Act = i
		if j := slices.IndexFunc(m.steps, func(s step) bool { return s.act == int8(i) }); j >= 0 {
			at = m.Method.Steps[j].ID
		}
		ts.acts = append(ts.acts, ts.act(Acted{Act: a.ID}, f, at))
	}
	for i := range m.Method.Protection {
		ts.item(i)
	}
	for i := range instrument.Models() {
		ts.tool(int8(i))
	}
	ts.open = ts.make(Opened{MethodHash: m.Hash}, fact(laws.Opened))
	ts.note = ts.make(Noted{Words: "x"}, fact(laws.Unlikely))
	ts.away, ts.back = ts.make(WentAway{}, fact(laws.LeftPlace)), ts.make(CameBack{}, fact(laws.CameBack))
	ts.over = ts.make(TakenOver{Chain: trialOther, Head: "0", Why: "x"}, fact(laws.HandedOver))
	ts.long, ts.restart = ts.make(Noted{Words: "x"}, fact(laws.TimePassed)), ts.make(Noted{Words: "x"}, fact(laws.TimePassed))
	ts.long.mono, ts.restart.boot = longTime, "another"
	ts.stop, ts.report = ts.make(Stopped{Why: "x"}, fact(laws.Declared)), ts.make(Reported{To: site.Employer}, fact(laws.Reported))
	ts.resume = ts.make(Resumed{Why: "x"}, fact(laws.Resumed))
	ts.foreignResume, _ = ts.elsewhere(Resumed{Why: "x"}, fact(laws.Resumed))
	for _, o := range Outcomes() {
		f := fact(laws.Ended)
		f.Good = o == Completed
		ts.ends = append(ts.ends, ts.make(Ended{Outcome: o.String(), Left: "x"}, f))
	}
	return ts, ts.err
}

// corrects keeps a body in the account as if it had been accepted, so that it can be corrected.
func (ts *trials) corrects(b Body, name string, pos int, f laws.Fact, now string) *trial {
	ts.keep(b, name, pos, f)
	f.Does = laws.Withdrawn
	return ts.make(Corrected{Event: name, Now: now, Why: "x"}, f)
}

// corrected makes the corrections of what was seen at a step: taken back, to what is expected, and to what is not.
func (ts *trials) corrected(i int, body Body, good, bad string) {
	x := &ts.steps[i]
	correct := func(now string, danger bool) *trial {
		return ts.corrects(body, fmt.Sprint("read/", i), i, laws.Fact{Tool: -1, Reading: x.reading, Danger: danger}, now)
	}
	x.withdrawn, x.correctGood = correct("", false), correct(good, false)
	if ts.v.machine.steps[i].stop >= 0 && x.bad != nil {
		x.nowBad = correct(bad, x.bad.fact.Danger)
	}
	x.withdrawn.fact.Owes = int16(i) + 1
}

func (ts *trials) step(i int) error {
	m := ts.v.machine
	s, row, x := &m.Method.Steps[i], &m.steps[i], &ts.steps[i]
	inTurn := func(b Body, f laws.Fact) *trial { return ts.inTurn(i, b, f) }
	for _, how := range method.Omissions() {
		t := ts.make(LeftOut{Step: s.ID, How: how, Why: "x"}, fact(laws.LeftOut))
		if s.MayLeave(how) {
			t.step = int16(i)
		}
		x.leave = append(x.leave, t)
	}
	x.back = ts.make(Returned{Step: s.ID, Why: "x"}, fact(laws.Unlikely))
	after := Entry{Entered: "after", Happened: trialWall.Format(time.RFC3339)}
	var body, late Body
	f := fact(laws.Unlikely)
	switch row.does {
	case doObserve:
		var err error
		if f, body, late, err = ts.observed(i, after); err != nil {
			return err
		}
		x.slips = ts.slips(body, i, f)
		x.slips = ts.slips(body, i, f)
	case doInspect:
		f = laws.Fact{Does: laws.Read, Tool: -1, Reading: x.reading, Good: true}
		answer := cmp.Or(s.Inspect.Expect, s.Inspect.Answers[0])
		body, late = Inspected{Step: s.ID, Answer: answer}, Inspected{Step: s.ID, Answer: answer, Entry: after}
		other := ""
		for _, a := range s.Inspect.Answers {
			if a == answer || s.Inspect.Expect == "" {
				continue
			}
			if x.bad != nil && len(row.others) > 0 {
				x.more = append(x.more, x.bad)
			}
			other = a
			x.bad = inTurn(Inspected{Step: s.ID, Answer: a}, laws.Fact{Does: laws.Read, Tool: -1, Reading: x.reading})
		}
		if x.reading >= 0 {
			ts.corrected(i, body, answer, other)
		}
		x.slips = ts.slips(body, i, f)
	case doDecide:
		ts.decided(i, f)
		return nil
	case doRecord:
		body = recorded(s)
		x.slips = ts.slips(body, i, f)
	case doAct:
		f.Does, f.Act = laws.Acted, int(row.act)
		t := ts.act(Acted{Step: s.ID, Act: site.ActID(s.Act)}, f, s.ID)
		x.good, x.spite, x.foreign, x.behind = t.plain, t.spite, t.foreign, t.behind
		x.good.step = int16(i)
		return nil
	case doPutOn:
		f.Does, f.Items, body = laws.PutOn, row.items, PutOn{Items: s.PutOn}
	case doTakeOff:
		f.Does, f.Items, body = laws.TookOff, row.items, TookOff{Items: s.TakeOff}
	case doProve:
		// In turn an instrument is proved on the source that the step names.
		proved := proof(row.tool)
		if len(s.Prove.On) > 0 {
			proved.Source.Kind = instrument.SourceKind(s.Prove.On[0])
		}
		f = laws.Fact{Does: laws.Proved, Tool: int(row.tool), Reading: -1, Good: true, Suits: true}
		body = proved
		ts.slipProving(i, proved, f)
	default:
		ts.slipThing(i, f)
		return nil // Instruments and checks are tried wherever the work stands.
	}
	x.good = inTurn(body, f)
	if late != nil {
		g := f
		g.Late = !row.after
		x.late = inTurn(late, g)
	}
	if f.Does == laws.Unlikely {
		f.Does = laws.LeftOut
	}
	x.foreign, x.behind = ts.elsewhere(body, f)
	return nil
}

// inTurn is an event that carries a step out.
func (ts *trials) inTurn(step int, b Body, f laws.Fact) *trial {
	t := ts.make(b, f)
	t.step = int16(step)
	return t
}

// observed makes the trials of an observation but for the expected one, of which it gives the fact and the
// body, as it is entered live and after.
func (ts *trials) observed(i int, after Entry) (f laws.Fact, body, late Body, err error) {
	s, row, x := &ts.v.machine.Method.Steps[i], &ts.v.machine.steps[i], &ts.steps[i]
	list, err := showings(s)
	if err != nil {
		return f, nil, nil, err
	}
	good, bad := list[0].shows, list[0].shows
	f = laws.Fact{Does: laws.Read, Tool: int(row.tool), Reading: x.reading}
	for _, y := range list[1:] {
		g := y.fact(f, ts.v.machine.reading(i).Says)
		t := ts.inTurn(i, Observed{Step: s.ID, Shows: y.shows}, g)
		if y.result != unexpected || y.odd || x.bad != nil && (x.bad.fact.Danger || !g.Danger) {
			x.more = append(x.more, t)
			continue
		}
		if x.bad != nil {
			x.more = append(x.more, x.bad)
		}
		x.bad, bad = t, y.shows
	}
	f.Good = true
	body, late = Observed{Step: s.ID, Shows: good}, Observed{Step: s.ID, Shows: good, Entry: after}
	ts.corrected(i, body, good.String(), bad.String())
	return f, body, late, nil
}

// decided is every answer to what is found on site, and each corrected.
func (ts *trials) decided(i int, f laws.Fact) {
	m, x := ts.v.machine, &ts.steps[i]
	for _, v := range m.Method.Facts[m.steps[i].fact].Values {
		body := Decided{Step: m.Method.Steps[i].ID, Value: v}
		correct := ts.corrects(body, fmt.Sprint("decided/", i), i, f, v)
		correct.fact.Does = laws.Unlikely
		x.values, x.correctValues = append(x.values, ts.inTurn(i, body, f)), append(x.correctValues, correct)
	}
	x.slips = ts.slips(x.values[0].body, i, f)
}

// trialDue is a day on which nothing that trials use has fallen due.
var trialDue = trialWall.AddDate(1, 0, 0).Format(time.DateOnly)

func (ts *trials) item(i int) {
	id := ts.v.machine.Method.Protection[i].ID
	of := func(d laws.Does, good bool) laws.Fact {
		return laws.Fact{Does: d, Items: 1 << i, Tool: -1, Reading: -1, Good: good}
	}
	sound := Checked{Item: id, Due: trialDue, Found: "sound"}
	ts.items = append(ts.items, itemTrials{
		on:        ts.make(PutOn{Items: []string{id}}, of(laws.PutOn, false)),
		off:       ts.make(TookOff{Items: []string{id}}, of(laws.TookOff, false)),
		sound:     ts.make(sound, of(laws.Checked, true)),
		failed:    ts.make(Checked{Item: id, Due: trialDue, Found: "failed"}, of(laws.Checked, false)),
		withdrawn: ts.corrects(sound, fmt.Sprint("checked/", i), len(ts.steps), of(laws.Withdrawn, false), ""),
		past:      ts.past(of(laws.DatePassed, false), func(st *state, passed time.Time) { st.due[i] = passed }),
	})
}

func (ts *trials) tool(k int8) {
	model := instrument.Models()[k]
	of := func(d laws.Does, good, suits bool) laws.Fact {
		return laws.Fact{Does: d, Tool: int(k), Reading: -1, Good: good, Suits: suits}
	}
	x := &ts.tools[k]
	take := takeUp(k)
	x.take = ts.make(take, of(laws.TakenUp, true, false))
	if model.Calibrated {
		x.outdated = ts.make(TookUp{Instrument: Instrument{Kind: model.Kind, ID: "1", Due: "2020-01-01"}}, of(laws.TakenUp, false, false))
		x.past = ts.past(of(laws.DatePassed, false, false), func(st *state, passed time.Time) { st.toolDue[k] = passed })
	}
	f := of(laws.Withdrawn, false, false)
	f.TakeUp = true
	x.withdrawTakeUp = ts.corrects(take, fmt.Sprint("taken/", k), len(ts.steps), f, "")
	if len(model.ProvedOn) == 0 {
		return
	}
	proved := proof(k)
	x.prove = ts.make(proved, of(laws.Proved, true, true))
	x.withdrawProving = ts.corrects(proved, fmt.Sprint("proved/", k), len(ts.steps), of(laws.Withdrawn, false, false), "")
	failed, unsuited := failing(proved), proved
	x.failed = ts.make(failed, of(laws.Proved, false, true))
	for _, src := range instrument.SourceKinds() {
		if !instrument.Suits(src, model.Kind) {
			unsuited.Source.Kind = src
			x.unsuited = ts.make(unsuited, of(laws.Proved, true, false))
		}
	}
}

// proof is a good proving of an instrument on the first source that suits it.
func proof(tool int8) Proved {
	model := instrument.Models()[tool]
	shows := instrument.Show(model.Good[0])
	if model.Good[0] == instrument.Value {
		shows = instrument.ShowValue(measure.MustDecimal("230"), model.Unit)
	}
	return Proved{Kind: model.Kind, ID: "1", Source: ProvingSource{Kind: model.ProvedOn[0]}, Shows: shows}
}

// recorded is an answer to everything that a step records.
func recorded(s *method.Step) Recorded {
	r := Recorded{Step: s.ID, Entries: map[string]string{}, Photographs: map[string]Attachment{}}
	for _, f := range s.Record.Fields {
		switch f.Type {
		case "photograph":
			r.Photographs[f.ID] = Attachment{ID: "x", Media: "image/jpeg", Bytes: 1}
		case "number", "reading":
			r.Entries[f.ID] = "1"
		case "choice":
			r.Entries[f.ID] = f.Choices[0]
		default:
			r.Entries[f.ID] = "x"
		}
	}
	return r
}
