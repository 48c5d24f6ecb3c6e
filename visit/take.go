package visit

import (
	"maps"
	"math/bits"
	"slices"

	"meterwright/instrument"
)

// add notes an accepted event. before is the state after time has passed, and to is the state that
// the event led to, in which what the account has to know of it is kept.
func (a *Account) add(v *Visit, e *Event, r *reduced, before *Control, to *state) {
	a.keep(e, r)
	if a.Begun.IsZero() {
		a.Begun = e.Wall
	}
	a.Last = e.Wall
	if e.Person != "" {
		a.People[e.Person]++
	}
	line := Line{At: e.Wall, Event: e.Hash, Kind: e.Body.kind(), Found: v.machine.found(before, r).Found, Happened: happened(e.Body), Lacked: r.lacks}
	if r.step >= 0 {
		line.Step = v.machine.Method.Steps[r.step].ID
	}
	if b, ok := e.Body.(TakenOver); ok {
		line.By = e.Person
		if i, ok := a.byHash[b.Head]; ok {
			line.From = a.events[i].person
		}
	}
	a.Story = append(a.Story, line)
	cause := a.cause(v, e, r)
	a.take(v, e, r, before, to, cause)
	a.retested(v, e, r, before, to)
	a.contributed(v, e, r, before, to)
	a.proofs(e, to, before, &to.control, cause)
	a.stops(v, e, r, before, to)
	a.outages(e, before, to)
}

// keep holds what corrections need of an event.
func (a *Account) keep(e *Event, r *reduced) {
	a.byHash[e.Hash] = len(a.events)
	a.events = append(a.events, kept{hash: e.Hash, person: e.Person, body: e.Body, do: r.do, step: r.step, tool: r.tool, items: r.items, result: r.result})
}

// take notes what is special to each kind of event.
func (a *Account) take(v *Visit, e *Event, r *reduced, before *Control, to *state, cause Cause) {
	switch b := e.Body.(type) {
	case Opened:
		a.Opened = &b
	case TookUp:
		a.closeBracket(to, int(r.tool), e, &cause)
		to.toolID[r.tool] = b.Instrument.ID
		a.Instruments = append(a.Instruments, b.Instrument)
	case Proved:
		a.takeProved(b, e, r, before, to, cause)
	case Observed:
		a.takeObserved(v, b, e, r, before, to)
	case Inspected:
		a.remark(v, e, r, before)
	case Recorded:
		a.Entries = append(a.Entries, EntryLine{Event: e.Hash, At: e.Wall, Step: b.Step, Entries: b.Entries, Photographs: b.Photographs})
	case Acted:
		a.takeActed(v, b, e, r, before, to)
	case LeftOut:
		a.LeftOut = append(a.LeftOut, LeftOutLine{Event: e.Hash, At: e.Wall, Step: b.Step, How: b.How, Why: b.Why})
	case WentAway, TakenOver:
		a.voidBrackets(e, before, to, cause)
	case Corrected:
		a.takeCorrected(b, e, r, to, cause)
		a.voidBrackets(e, before, to, cause)
	case Reported:
		a.Reports = append(a.Reports, ReportLine{Event: e.Hash, At: e.Wall, Reported: b})
	case Refused:
		a.Refusals = append(a.Refusals, RefusalLine{Event: e.Hash, At: e.Wall, Refused: b})
	case Defect:
		a.Defects = append(a.Defects, DefectLine{Event: e.Hash, At: e.Wall, Defect: b})
	case Dependant:
		a.Dependants = append(a.Dependants, b)
	case Photograph:
		a.Photographs = append(a.Photographs, b)
	case Advised:
		a.Advice = append(a.Advice, AdviceLine{Event: e.Hash, At: e.Wall, Advised: b})
	case Answered:
		for i := range a.Advice {
			if a.Advice[i].Event == b.Advice {
				a.Advice[i].Answers = append(a.Advice[i].Answers, AnswerLine{Event: e.Hash, At: e.Wall, Answered: b})
			}
		}
	case Ended:
		a.End = &b
	}
}

func (a *Account) takeProved(b Proved, e *Event, r *reduced, before *Control, to *state, cause Cause) {
	if r.result != expected {
		a.closeBracket(to, int(r.tool), e, &cause)
		return
	}
	if k := to.bracket[r.tool]; k > 0 && before.tools[r.tool] == toolProved {
		br := &a.Brackets[k-1]
		src := b.Source
		br.State, br.Closed, br.ClosedAt, br.ClosedOn = BracketClosed, e.Hash, e.Wall, &src
	}
	a.Brackets = append(a.Brackets, Bracket{Kind: b.Kind, Instrument: b.ID, Source: b.Source, Opened: e.Hash, OpenedAt: e.Wall, State: BracketOpen})
	to.bracket[r.tool] = len(a.Brackets)
}

func (a *Account) takeObserved(v *Visit, b Observed, e *Event, r *reduced, before *Control, to *state) {
	o := v.machine.Method.Steps[r.step].Observe
	line := Reading{Event: e.Hash, At: e.Wall, Happened: b.Happened, Step: b.Step, Kind: instrument.Kind(o.With),
		Instrument: to.toolID[r.tool], Point: o.At, Against: o.Against, Shows: b.Shows, Judged: v.machine.found(before, r), Bounds: o.Bounds,
		Bracket: -1, Worn: v.wornIn(before), Switches: v.switchesIn(before), Note: b.Note}
	if before.tools[r.tool] == toolProved {
		line.Bracket = to.bracket[r.tool] - 1
	}
	for i := range a.Readings {
		if x := &a.Readings[i]; x.Step == b.Step && x.Judged.Found == FoundDoubtful {
			line.Doubted++
		}
	}
	a.Readings = append(a.Readings, line)
	a.remark(v, e, r, before)
}

func (a *Account) takeActed(v *Visit, b Acted, e *Event, r *reduced, before *Control, to *state) {
	line := ActLine{Event: e.Hash, At: e.Wall, Act: b.Act, Worn: v.wornIn(before), InSpite: r.inSpite, Why: b.Why, Happened: b.Happened}
	if r.step >= 0 {
		line.Step = v.machine.Method.Steps[r.step].ID
		for set := v.machine.steps[r.step].needs & v.machine.held(before); set != 0; set &= set - 1 {
			line.Rests = append(line.Rests, to.runs[bits.TrailingZeros16(set)]...)
		}
	}
	a.Acts = append(a.Acts, line)
}

func (a *Account) takeCorrected(b Corrected, e *Event, r *reduced, to *state, cause Cause) {
	was := a.events[a.byHash[b.Event]]
	a.Corrections = append(a.Corrections, Correction{Event: e.Hash, At: e.Wall, Of: b.Event, Corrected: b})
	if r.slip {
		to.pending = len(a.Corrections)
		for i := range a.Entries {
			a.Entries[i].Withdrawn = a.Entries[i].Withdrawn || a.Entries[i].Event == b.Event
		}
		for p, run := range to.runs {
			to.runs[p] = slices.DeleteFunc(slices.Clone(run), func(h string) bool { return h == b.Event })
		}
	}
	if r, ok := was.body.(Recorded); ok && len(b.Entries) > 0 {
		a.Entries = append(a.Entries, EntryLine{Event: e.Hash, At: e.Wall, Step: r.Step, Entries: b.Entries, Corrects: b.Event})
	}
	a.withdraw(was, r, cause)
}

// retested notes what became of a slip: that the step was answered again, and that a stop was lifted by that.
func (a *Account) retested(v *Visit, e *Event, r *reduced, before *Control, to *state) {
	if to.pending == 0 {
		return
	}
	c := &a.Corrections[to.pending-1]
	switch {
	case r.slip:
		c.Step = v.machine.Method.Steps[r.step].ID
		c.Stop = v.stopID(to.control.stop)
	case v.machine.answers(before, &r.attempt):
		c.Tested = e.Hash
		for i := range a.Remarks {
			a.Remarks[i].Withdrawn = a.Remarks[i].Withdrawn || a.Remarks[i].Event == c.Of
		}
	}
	if before.retest != 0 && before.stop != 0 && to.control.stop == 0 && r.do != doResume {
		c.Lifted = e.Wall
		for _, i := range to.stops {
			a.Stops[i].left = left{at: e.Wall, slip: c.Event}
		}
		to.stops = nil
	}
	if to.control.retest == 0 {
		to.pending = 0
	}
}

// withdraw flags the readings that a correction takes back, and every act that
// rested on one of them.
func (a *Account) withdraw(was kept, r *reduced, cause Cause) {
	gone := map[string]bool{was.hash: true}
	for i := range a.Readings {
		rd := &a.Readings[i]
		bad := rd.Event == was.hash
		if was.do == doProve && r.result != expected && rd.Bracket >= 0 {
			br := &a.Brackets[rd.Bracket]
			if br.Opened == was.hash || br.Closed == was.hash {
				withdrawn := cause
				withdrawn.Code = ByWithdrawnProof
				br.State, br.Void = BracketVoid, &withdrawn
				bad = true
			}
		}
		if was.do == doTakeUp && r.result != expected && was.tool >= 0 && instrument.Index(rd.Kind) == int(was.tool) {
			bad = true
		}
		if bad {
			rd.Withdrawn = true
			gone[rd.Event] = true
		}
	}
	for i := range a.Acts {
		if slices.ContainsFunc(a.Acts[i].Rests, func(h string) bool { return gone[h] }) {
			a.Acts[i].Withdrawn = true
		}
	}
}

// contributed keeps which events each run of a proof is made of.
func (a *Account) contributed(v *Visit, e *Event, r *reduced, before *Control, to *state) {
	if r.do != doObserve && r.do != doInspect || r.step < 0 || !v.machine.counts(&r.attempt) || v.machine.asks(before, &r.attempt) {
		return
	}
	for set := v.machine.steps[r.step].supports; set != 0; set &= set - 1 {
		p := bits.TrailingZeros16(set)
		if to.control.proofs[p].phase == proofNone {
			continue
		}
		if first, _ := v.machine.span(&to.control, p); first == r.step {
			to.runs[p] = nil
		}
		to.runs[p] = append(slices.Clip(to.runs[p]), e.Hash)
	}
}

func (a *Account) closeBracket(to *state, tool int, e *Event, void *Cause) {
	k := to.bracket[tool]
	if k == 0 {
		return
	}
	br := &a.Brackets[k-1]
	br.State, br.Void, br.Closed, br.ClosedAt = BracketVoid, void, e.Hash, e.Wall
	to.bracket[tool] = 0
}

// voidBrackets ends every open bracket that an event made void.
func (a *Account) voidBrackets(e *Event, before *Control, to *state, cause Cause) {
	for i := range before.tools {
		if before.tools[i] == toolProved && to.control.tools[i] != toolProved {
			a.closeBracket(to, i, e, &cause)
		}
	}
}

func (a *Account) remark(v *Visit, e *Event, r *reduced, before *Control) {
	if r.result != unexpected && r.result != remarked || v.machine.asks(before, &r.attempt) {
		return
	}
	s, outcome := &v.machine.Method.Steps[r.step], v.machine.outcome(before, &r.attempt)
	if u := s.Outcome(outcome); u != nil && u.Remark != "" {
		a.Remarks = append(a.Remarks, Remark{Event: e.Hash, At: e.Wall, Step: s.ID, Outcome: outcome, Scheme: u.Scheme, Category: u.Category, Owner: u.Owner})
	}
}

// stops notes a stop that the event raised, also where another one is in force already, and that all
// are left where somebody decided to go on.
func (a *Account) stops(v *Visit, e *Event, r *reduced, before *Control, to *state) {
	if b, ok := e.Body.(Resumed); ok && before.stop != 0 && to.control.stop == 0 {
		for _, i := range to.stops {
			a.Stops[i].left = left{at: e.Wall, why: b.Why}
		}
		to.stops = nil
		return
	}
	raised := v.machine.raises(before, &r.attempt)
	line := StopLine{At: e.Wall, Event: e.Hash, ID: v.stopID(raised)}
	switch {
	case raised == 0:
		return
	case raised == personStop:
	case slices.ContainsFunc(to.stops, func(i int) bool { return a.Stops[i].ID == line.ID }):
		return // It is in force, and said.
	default:
		s := v.machine.Method.Stops[raised-1]
		line.Scheme, line.Category, line.Owner = s.Scheme, s.Category, s.Owner
	}
	if b, ok := e.Body.(Stopped); ok {
		line.Words = b.Why
	}
	to.stops = append(slices.Clip(to.stops), len(a.Stops))
	a.Stops = append(a.Stops, line)
}

func (a *Account) outages(e *Event, before *Control, to *state) {
	if a.supply < 0 {
		return
	}
	bit := uint32(1) << a.supply
	switch was, is := before.switches&bit != 0, to.control.switches&bit != 0; {
	case !was && is:
		a.Supply = append(a.Supply, Outage{Off: e.Wall, OffEvent: e.Hash})
		to.off = len(a.Supply)
	case was && !is && to.off > 0:
		last := &a.Supply[to.off-1]
		last.On, last.OnEvent = e.Wall, e.Hash
		to.off = 0
	}
}

// cause says why the event undid a proof.
func (a *Account) cause(v *Visit, e *Event, r *reduced) Cause {
	c := Cause{Event: e.Hash, At: e.Wall, Code: BySomethingElse}
	if r.step >= 0 {
		c.Step = v.machine.Method.Steps[r.step].ID
	}
	if r.inSpite {
		c.Code = ByActInSpite
		return c
	}
	switch b := e.Body.(type) {
	case TookUp:
		c.Code, c.Kind = ByReplacement, b.Instrument.Kind
	case Proved:
		c.Code, c.Kind, c.Shows, c.Source = ByProving, b.Kind, &b.Shows, b.Source.Kind
	case Observed:
		c.Code, c.Shows = ByReading, &b.Shows
	case Inspected:
		c.Code, c.Answer = ByAnswer, b.Answer
	case Decided:
		c.Code = ByFact
	case Acted:
		c.Code, c.Act = ByAct, b.Act
	case LeftOut:
		c.Code = ByLeavingOut
	case WentAway:
		c.Code = ByLeaving
	case TakenOver:
		c.Code = ByHandOver
	case Corrected:
		c.Code = ByCorrection
		if b.Reason == Slip {
			c.Code = BySlip
		}
	case Stopped:
		c.Code = ByStop
	}
	return c
}

// Standing returns the entries of a step's fields as they stand after corrections, with the
// line that each comes from.
func (a *Account) Standing(event string) (entries map[string]string) {
	entries = map[string]string{}
	for _, l := range a.Entries {
		if l.Event == event || l.Corrects == event {
			maps.Copy(entries, l.Entries)
		}
	}
	return entries
}

func happened(b Body) string {
	if entered, ok := b.(interface{ happened() string }); ok {
		return entered.happened()
	}
	return ""
}
