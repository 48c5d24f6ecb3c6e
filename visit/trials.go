package visit

import (
	"cmp"
	"fmt"
	"slices"
	"sync"
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
	wall   time.Time
	// date is the protection or the instrument, by its index, whose date has passed when it is made.
	dateOf *int8
	tools  bool

	at   []atomic.Pointer[attempt] // by position
	worn sync.Map                  // by position and protection worn, for what depends on it
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
	good, late, bad, doubt, back   *trial
	leave                          []*trial // in each way
	withdrawn, correctGood, nowBad *trial
	values, correctValues          []*trial
	spite                          *trial
	foreign, behind                *trial
	reading                        int // index in the universe, or -1
	danger                         bool
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

func (ts *trials) make(b Body, f laws.Fact, change ...func(*trial)) *trial {
	t := &trial{body: b, fact: f, step: -1, boot: trialBoot, wall: trialWall, at: make([]atomic.Pointer[attempt], len(ts.v.machine.steps)+1)}
	for _, c := range change {
		c(t)
	}
	if _, err := ts.reduce(t, &Control{begun: true}); ts.err == nil && err != nil {
		ts.err = err
	}
	return t
}

// elsewhere gives an event as it is made on a device that does not hold the visit, and where devices have not
// seen how far one another came.
func (ts *trials) elsewhere(b Body, f laws.Fact) (foreign, behind *trial) {
	g := f
	f.Foreign, g.Contested = true, true
	return ts.make(b, f, func(t *trial) { t.foreign = true }), ts.make(b, g, func(t *trial) { t.behind = true })
}

// event is the trial as an event, and the state in which it is made.
func (t *trial) event(c *Control) (*state, *Event) {
	st := &state{control: *c, holder: trialHolder, joined: t.behind}
	st.boot, st.wall, st.latest, st.opened, st.answered = trialBoot, trialWall, trialWall, trialWall.Add(-time.Hour), -1
	if t.dateOf != nil {
		if t.tools {
			st.toolDue[*t.dateOf] = trialWall.AddDate(0, 0, 1)
		} else {
			st.due[*t.dateOf] = trialWall.AddDate(0, 0, 1)
		}
	}
	e := &Event{Body: t.body, Chain: trialHolder, Wall: t.wall, Mono: t.mono, Boot: t.boot}
	if t.foreign {
		e.Chain = trialOther
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
	switch t.body.(type) {
	case PutOn, TookOff:
		key := int32(c.pos)<<8 | int32(c.worn)
		if a, ok := t.worn.Load(key); ok {
			return a.(attempt), nil
		}
		a, err := ts.reduce(t, c)
		if err == nil {
			t.worn.Store(key, a)
		}
		return a, err
	}
	p := &t.at[c.pos]
	if a := p.Load(); a != nil {
		return *a, nil
	}
	a, err := ts.reduce(t, c)
	if err == nil {
		p.Store(&a)
	}
	return a, err
}

func newTrials(m *Machine, reading func(step int) (int, bool)) (*trials, error) {
	ts := &trials{v: Begin(m)}
	fact := func(d laws.Does) laws.Fact { return laws.Fact{Does: d, Tool: -1, Reading: -1} }
	ts.steps = make([]stepTrials, len(m.steps))
	for i := range m.Method.Steps {
		k, danger := reading(i)
		if err := cmp.Or(ts.step(i, k, danger), ts.err); err != nil {
			return nil, fmt.Errorf("step %s asks for what no visit can give: %w", m.Method.Steps[i].ID, err)
		}
	}
	for i, a := range m.Method.Acts {
		f := fact(laws.Acted)
		f.Act = i
		row := actTrials{plain: ts.make(Acted{Act: a.ID}, f)}
		row.foreign, row.behind = ts.elsewhere(Acted{Act: a.ID}, f)
		f.InSpite = true
		step := ""
		for j := range m.steps {
			if m.steps[j].act == int8(i) {
				step = m.Method.Steps[j].ID
				break
			}
		}
		row.spite = ts.make(Acted{Step: step, Act: a.ID, InSpite: true, Why: "x"}, f)
		ts.acts = append(ts.acts, row)
	}
	for i := range m.Method.Protection {
		ts.item(i)
	}
	for i := range instrument.Models() {
		if err := ts.tool(int8(i)); err != nil {
			return nil, err
		}
	}
	ts.open = ts.make(Opened{MethodHash: m.Hash}, fact(laws.Opened))
	ts.note = ts.make(Noted{Words: "x"}, fact(laws.Unlikely))
	ts.away, ts.back = ts.make(WentAway{}, fact(laws.LeftPlace)), ts.make(CameBack{}, fact(laws.CameBack))
	ts.over = ts.make(TakenOver{Chain: trialOther, Head: "0", Why: "x"}, fact(laws.HandedOver))
	ts.long = ts.make(Noted{Words: "x"}, fact(laws.TimePassed), func(t *trial) { t.mono = longTime })
	ts.restart = ts.make(Noted{Words: "x"}, fact(laws.TimePassed), func(t *trial) { t.boot = "another" })
	ts.stop, ts.report = ts.make(Stopped{Why: "x"}, fact(laws.Declared)), ts.make(Reported{To: site.Employer}, fact(laws.Reported))
	ts.resume = ts.make(Resumed{Why: "x"}, fact(laws.Resumed))
	f := fact(laws.Resumed)
	f.Foreign = true
	ts.foreignResume = ts.make(Resumed{Why: "x"}, f, func(t *trial) { t.foreign = true })
	for _, o := range Outcomes() {
		f := fact(laws.Ended)
		f.Good = o == Completed
		ts.ends = append(ts.ends, ts.make(Ended{Outcome: o.String(), Left: "x"}, f))
	}
	return ts, ts.err
}

// corrects keeps a body in the account as if it had been accepted, so that it can be corrected.
func (ts *trials) corrects(b Body, name string, pos int16, f laws.Fact, now string) *trial {
	c := Control{begun: true, pos: pos}
	t := ts.make(b, f)
	st, e := t.event(&c)
	e.Hash = name
	if _, known := ts.v.account.byHash[name]; !known {
		r, err := ts.v.reduce(st, e)
		if err != nil {
			return t // make has kept the error.
		}
		ts.v.account.keep(e, &r)
	}
	f.Does = laws.Withdrawn
	return ts.make(Corrected{Event: name, Now: now, Why: "x"}, f)
}

func (ts *trials) step(i, reading int, danger bool) error {
	m := ts.v.machine
	s, row := &m.Method.Steps[i], &m.steps[i]
	x := &ts.steps[i]
	x.reading, x.danger = reading, danger
	inTurn := func(t *trial) { t.step = int16(i) }
	late := func(b Body) Body { return b }
	entered := Entry{Entered: "after", Happened: trialWall.Format(time.RFC3339)}
	f := laws.Fact{Does: laws.Unlikely, Tool: -1, Reading: -1}
	left := laws.Fact{Does: laws.LeftOut, Tool: -1, Reading: -1}
	for _, how := range method.Omissions() {
		t := ts.make(LeftOut{Step: s.ID, How: how, Why: "x"}, left)
		if s.MayLeave(how) {
			t.step = int16(i)
		}
		x.leave = append(x.leave, t)
	}
	x.back = ts.make(Returned{Step: s.ID, Why: "x"}, laws.Fact{Does: laws.Unlikely, Tool: -1, Reading: -1})
	name := func(of string) string { return fmt.Sprint(of, "/", i) }
	var body Body
	switch row.does {
	case doObserve:
		good, doubt, bad, err := indications(s.Observe)
		if err != nil {
			return err
		}
		f = laws.Fact{Does: laws.Read, Tool: int(row.tool), Reading: reading, Good: true}
		body = Observed{Step: s.ID, Shows: good}
		late = func(Body) Body { return Observed{Step: s.ID, Shows: good, Entry: entered} }
		g := f
		g.Good = false
		if !doubt.IsZero() {
			x.doubt = ts.make(Observed{Step: s.ID, Shows: doubt}, g)
			x.doubt.step = int16(i)
		}
		g.Danger = danger
		x.bad = ts.make(Observed{Step: s.ID, Shows: bad}, g, inTurn)
		back := laws.Fact{Tool: -1, Reading: reading}
		x.withdrawn = ts.corrects(body, name("read"), int16(i), back, "")
		x.correctGood = ts.corrects(body, name("read"), int16(i), back, good.String())
		if row.stop >= 0 {
			back.Danger = danger
			x.nowBad = ts.corrects(body, name("read"), int16(i), back, bad.String())
		}
		x.withdrawn.fact.Owes = int16(i) + 1
	case doInspect:
		answer, other := s.Inspect.Expect, ""
		if answer == "" {
			answer = s.Inspect.Answers[0]
		}
		for _, a := range s.Inspect.Answers {
			if a != answer && s.Inspect.Expect != "" {
				other = a
			}
		}
		body = Inspected{Step: s.ID, Answer: answer}
		late = func(Body) Body { return Inspected{Step: s.ID, Answer: answer, Entry: entered} }
		if other != "" {
			x.bad = ts.make(Inspected{Step: s.ID, Answer: other}, laws.Fact{Does: laws.Read, Tool: -1, Reading: -1}, inTurn)
		}
	case doDecide:
		for _, v := range m.Method.Facts[row.fact].Values {
			x.values = append(x.values, ts.make(Decided{Step: s.ID, Value: v}, f, inTurn))
			x.correctValues = append(x.correctValues, ts.corrects(Decided{Step: s.ID, Value: v}, name("decided"), int16(i), f, v))
			x.correctValues[len(x.correctValues)-1].fact.Does = laws.Unlikely
		}
		return nil
	case doRecord:
		body = Recorded{Step: s.ID, Entries: recordedEntries(s.Record), Photographs: recordedPictures(s.Record)}
	case doAct:
		f.Does, f.Act = laws.Acted, int(row.act)
		body = Acted{Step: s.ID, Act: site.ActID(s.Act)}
		x.good = ts.make(body, f, inTurn)
		x.foreign, x.behind = ts.elsewhere(body, f)
		f.InSpite = true
		x.spite = ts.make(Acted{Step: s.ID, Act: site.ActID(s.Act), InSpite: true, Why: "x"}, f)
		return nil
	case doPutOn, doTakeOff:
		f.Does, f.Items = laws.PutOn, row.items
		body = PutOn{Items: s.PutOn}
		if row.does == doTakeOff {
			f.Does, body = laws.TookOff, TookOff{Items: s.TakeOff}
		}
	case doProve:
		// In turn an instrument is proved on the source that the step names.
		proved := proof(row.tool)
		if len(s.Prove.On) > 0 {
			proved.Source.Kind = instrument.SourceKind(s.Prove.On[0])
		}
		f.Does, f.Tool, f.Good, f.Suits = laws.Proved, int(row.tool), true, true
		body = proved
	default:
		return nil // Instruments and checks are tried wherever the work stands.
	}
	x.good = ts.make(body, f, inTurn)
	g := f
	if f.Does == laws.Unlikely {
		g.Does = laws.LeftOut
	}
	x.foreign, x.behind = ts.elsewhere(body, g)
	if row.does == doObserve || row.does == doInspect {
		g := f
		g.Late = !row.after
		x.late = ts.make(late(body), g, inTurn)
	}
	return nil
}

func (ts *trials) item(i int) {
	id := ts.v.machine.Method.Protection[i].ID
	f := laws.Fact{Items: 1 << i, Tool: -1, Reading: -1}
	with := func(d laws.Does, good bool) laws.Fact {
		g := f
		g.Does, g.Good = d, good
		return g
	}
	of := int8(i)
	due := trialWall.AddDate(1, 0, 0).Format(time.DateOnly)
	sound := Checked{Item: id, Due: due, Found: "sound"}
	ts.items = append(ts.items, itemTrials{
		on:        ts.make(PutOn{Items: []string{id}}, with(laws.PutOn, false)),
		off:       ts.make(TookOff{Items: []string{id}}, with(laws.TookOff, false)),
		sound:     ts.make(sound, with(laws.Checked, true)),
		failed:    ts.make(Checked{Item: id, Due: due, Found: "failed"}, with(laws.Checked, false)),
		withdrawn: ts.corrects(sound, fmt.Sprint("checked/", i), int16(len(ts.steps)), f, ""),
		past: ts.make(Noted{Words: "x"}, with(laws.DatePassed, false), func(t *trial) {
			t.dateOf, t.wall = &of, trialWall.AddDate(0, 0, 2)
		}),
	})
}

func (ts *trials) tool(k int8) error {
	model := instrument.Models()[k]
	f := laws.Fact{Tool: int(k), Reading: -1}
	with := func(d laws.Does, good, suits bool) laws.Fact {
		g := f
		g.Does, g.Good, g.Suits = d, good, suits
		return g
	}
	x := &ts.tools[k]
	due := trialWall.AddDate(1, 0, 0).Format(time.DateOnly)
	take := TookUp{Instrument: Instrument{Kind: model.Kind, ID: "1", Due: due}}
	end := int16(len(ts.steps))
	x.take = ts.make(take, with(laws.TakenUp, true, false))
	if model.Calibrated {
		x.outdated = ts.make(TookUp{Instrument: Instrument{Kind: model.Kind, ID: "1", Due: "2020-01-01"}}, with(laws.TakenUp, false, false))
		x.past = ts.make(Noted{Words: "x"}, with(laws.DatePassed, false, false), func(t *trial) {
			t.dateOf, t.tools, t.wall = &k, true, trialWall.AddDate(0, 0, 2)
		})
	}
	g := f
	g.TakeUp = true
	x.withdrawTakeUp = ts.corrects(take, fmt.Sprint("taken/", k), end, g, "")
	if len(model.ProvedOn) == 0 {
		return nil
	}
	proved := proof(k)
	bad := instrument.Indication{}
	for _, s := range model.Shows {
		if s != instrument.Value && !slices.Contains(model.Good, s) {
			bad = instrument.Show(s)
		}
	}
	x.prove = ts.make(proved, with(laws.Proved, true, true))
	failed := proved
	failed.Shows = bad
	x.failed = ts.make(failed, with(laws.Proved, false, true))
	for _, src := range instrument.SourceKinds() {
		if !instrument.Suits(src, model.Kind) {
			unsuited := proved
			unsuited.Source.Kind = src
			x.unsuited = ts.make(unsuited, with(laws.Proved, true, false))
		}
	}
	x.withdrawProving = ts.corrects(proved, fmt.Sprint("proved/", k), end, f, "")
	return nil
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

// indications gives what an instrument shows when all is as the step expects, when it is in doubt, and
// otherwise. doubt is zero where nothing is.
func indications(o *method.Observe) (good, doubt, bad instrument.Indication, err error) {
	model, ok := instrument.Lookup(instrument.Kind(o.With))
	if !ok {
		return good, doubt, bad, fmt.Errorf("%q is no kind of instrument", o.With)
	}
	if o.Expect != "" {
		good = instrument.Show(instrument.Shows(o.Expect))
		bad = instrument.ShowValue(measure.MustDecimal("0"), model.Unit)
		for _, s := range model.Shows {
			if s != instrument.Shows(o.Expect) && s != instrument.Value {
				bad = instrument.Show(s)
			}
		}
		return good, doubt, bad, nil
	}
	limit, err := boundsLimit(o.Bounds)
	if err != nil {
		return good, doubt, bad, err
	}
	show := func(v float64) instrument.Indication {
		d, bad := measure.FromScaled(int64(v*1000), 3)
		if bad != nil {
			err = bad
		}
		return instrument.ShowValue(d, o.Bounds.Unit)
	}
	low, isLow := limit.Lower()
	high, isHigh := limit.Upper()
	switch {
	case isLow && isHigh:
		return show((low + high) / 2), show(high), show(2*high + 1), err
	case isLow:
		return show(2*low + 1), show(low), show(0), err
	}
	return show(0), show(high), show(2*high + 1), err
}

func recordedEntries(r *method.Record) map[string]string {
	out := map[string]string{}
	for _, f := range r.Fields {
		switch f.Type {
		case "photograph":
		case "number", "reading":
			out[f.ID] = "1"
		case "choice":
			out[f.ID] = f.Choices[0]
		default:
			out[f.ID] = "x"
		}
	}
	return out
}

func recordedPictures(r *method.Record) map[string]Attachment {
	out := map[string]Attachment{}
	for _, f := range r.Fields {
		if f.Type == "photograph" {
			out[f.ID] = Attachment{ID: "x", Media: "image/jpeg", Bytes: 1}
		}
	}
	return out
}
