package visit

import (
	"fmt"
	"slices"

	"meterwright/instrument"
	"meterwright/visit/laws"
)

// slip tries to take an answer back that was just accepted: as it may be, by another person, and as a second one.
func (s *search) slip(p place, spite int8, by *trial) {
	step, x := s.att.step, &s.ts.steps[s.att.step]
	back := x.slips[0]
	if s.att.do == doProve && s.att.result != expected {
		back = x.slipFailed
	}
	for _, t := range x.slips[1:] {
		s.watch(p, t.fact, t, by)
	}
	q, ok := s.watch(p, back.fact, back, by)
	switch {
	case !ok:
	case q.c.stop == 0:
		s.push(q, spite, by, back)
	default:
		s.retest(q, step, spite, by, back)
	}
}

// retest tests a point again under the stop that a slip left in force: as it must be, with one part of that lacking, and with
// something else at every place between.
func (s *search) retest(p place, step int16, spite int8, by ...*trial) {
	st, x := &s.m.steps[step], &s.ts.steps[step]
	parts := []*trial{x.good}
	switch st.does {
	case doObserve:
		prove := s.ts.tools[st.tool].prove
		parts = []*trial{prove, x.good, prove}
	case doCheck:
		for k := range s.ts.items {
			if st.items&(1<<k) != 0 {
				parts[0] = s.ts.items[k].sound
			}
		}
	}
	s.follow(p, spite, by, parts)
	if !s.once(retestedOtherwise, &p) {
		return
	}
	for i := range parts {
		s.follow(p, spite, by, slices.Delete(slices.Clone(parts), i, i+1))
	}
	for _, t := range s.between(st, x) {
		for i := range len(parts) + 1 {
			s.follow(p, spite, by, slices.Insert(slices.Clone(parts), i, t))
		}
	}
}

// follow gives events one after another, passes over those that are refused, and goes on from there if the stop was lifted.
func (s *search) follow(p place, spite int8, by, list []*trial) {
	by = slices.Clip(by)
	for _, t := range list {
		if q, ok := s.watch(p, t.fact, t, by...); ok {
			p, by = q, append(by, t)
		}
	}
	if p.c.stop == 0 && !p.c.away {
		s.push(p, spite, by[0], by[1:]...)
	}
}

// between is what can come between the parts of testing a point again.
func (s *search) between(st *step, x *stepTrials) []*trial {
	ts := s.ts
	list := []*trial{ts.away, ts.over, ts.stop, ts.note, ts.report, ts.long, x.bad, x.withdrawn, x.slips[0]}
	list = append(list, x.more...)
	if st.tool >= 0 {
		k := &ts.tools[st.tool]
		list = append(list, k.failed, k.unsuited, k.take, k.outdated, k.past, k.withdrawProving, k.withdrawTakeUp)
	}
	for i := range ts.acts {
		if s.m.acts[i].makeSafe {
			list = append(list, ts.acts[i].plain)
		}
	}
	for i := range ts.items {
		list = append(list, ts.items[i].failed)
	}
	return slices.DeleteFunc(list, func(t *trial) bool { return t == nil })
}

// slipProving takes back a proving in turn, a good one and one that failed.
func (ts *trials) slipProving(i int, proved Proved, f laws.Fact) {
	x := &ts.steps[i]
	x.slips = ts.slips(proved, i, f)
	if failed := failing(proved); !failed.Shows.IsZero() {
		f.Good = false
		x.slipFailed = ts.slips(failed, i, f)[0]
	}
}

// slipThing takes back that an instrument was taken up, or protection found sound.
func (ts *trials) slipThing(i int, f laws.Fact) {
	row := &ts.v.machine.steps[i]
	f.Good = true
	switch row.does {
	case doTakeUp:
		f.Tool, f.TakeUp = int(row.tool), true
		ts.steps[i].slips = ts.slips(takeUp(row.tool), i, f)
	case doCheck:
		f.Items = row.items
		ts.steps[i].slips = ts.slips(Checked{Item: ts.v.machine.Method.Steps[i].Check.Item, Due: trialDue, Found: "sound"}, i, f)
	}
}

// keep has a body in the account as if it had been accepted.
func (ts *trials) keep(b Body, name string, pos int, f laws.Fact) {
	st, e := ts.make(b, f).event(&Control{begun: true, pos: int16(pos)})
	e.Hash = name
	if _, known := ts.v.account.byHash[name]; known {
		return
	}
	if r, err := ts.v.reduce(st, e); err == nil { // Otherwise make has kept the error.
		ts.v.account.keep(e, &r)
	}
}

// slips takes an answer to a step back: as it may be, by another person, and as a second one at its point.
func (ts *trials) slips(b Body, step int, f laws.Fact) []*trial {
	name := fmt.Sprintf("%s/%v/at/%d", b.kind(), f.Good, step)
	ts.keep(b, name, step, f)
	f.Does, f.Owes = laws.Slipped, int16(step)+1
	var list []*trial
	for range 3 {
		list = append(list, ts.make(Corrected{Event: name, Reason: Slip}, f))
	}
	list[1].stranger, list[1].fact.Stranger = true, true
	list[2].again, list[2].fact.Again = point(&ts.v.machine.Method.Steps[step]), true
	return list
}

// failing is a proving of which the instrument shows nothing good; it shows nothing at all where it cannot.
func failing(proved Proved) Proved {
	model, _ := instrument.Lookup(proved.Kind)
	proved.Shows = instrument.Indication{}
	for _, s := range model.Shows {
		if s != instrument.Value && !slices.Contains(model.Good, s) {
			proved.Shows = instrument.Show(s)
		}
	}
	return proved
}

func takeUp(tool int8) TookUp {
	return TookUp{Instrument: Instrument{Kind: instrument.Models()[tool].Kind, ID: "1", Due: trialDue}}
}
