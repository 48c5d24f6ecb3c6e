package visit

import "slices"

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
