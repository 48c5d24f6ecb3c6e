// Package visit is the engine of one visit: its events, the pure fold over them,
// and the guards that refuse a step whose protection has lapsed.
//
// The state has two parts. Control is comparable and decides: position, brackets,
// proofs, protection, switches. Account is the narrative for people. Guards read
// Control alone, and stand as rows of one table. Nothing is stored as passed:
// whoever holds the events can fold them again and must come to the same state.
//
// A proof is one unbroken run of observations, each as expected and each made
// with an instrument that was proved before; it holds once every instrument in
// it has been proved again. It lapses by the causes that its method names, by
// time, by a failed second proving, by a correction, and by any act done in
// spite of a refusal.
package visit

import (
	"fmt"
	"slices"

	"meterwright/site"
)

// Visit is a visit in progress. It is a fold: the same machine and events give
// the same Visit. It is not for use by several goroutines at once.
type Visit struct {
	machine *Machine
	account *Account
	branches
	// now is the state of the whole visit.
	now *state
}

// Begin returns a visit without events.
func Begin(m *Machine) *Visit {
	return &Visit{machine: m, account: newAccount(m), now: &state{},
		branches: branches{states: map[string]*state{}, past: map[string][2]string{}, retain: map[string]bool{}}}
}

// Machine returns the machine that the visit follows.
func (v *Visit) Machine() *Machine { return v.machine }

// Control returns the state that decides.
func (v *Visit) Control() Control { return v.now.control }

// Account returns the narrative. The caller must not change it.
func (v *Visit) Account() *Account { return v.account }

// Check says whether the event would be accepted now, by whoever sees the whole visit. A nil
// Refusal and a nil error mean yes. An error means that the event makes no sense in this visit.
func (v *Visit) Check(e Event) (*Refusal, error) {
	at, own := v.now, v.own(&e)
	_, over := e.Body.(TakenOver)
	switch {
	case over:
		at = v.at(&e)
	case own != nil && v.makesSafe(e.Body):
		at = own
	}
	r, refusal, err := v.check(at, &e)
	if err == nil && refusal == nil && own != nil && own != at && r.do != doTakeOver {
		_, refusal, err = v.check(own, &e)
	}
	if err == nil && refusal == nil && r.inSpite && r.lacks == nil {
		err = fmt.Errorf("%s: nothing refuses this: record it without in_spite", e.Body.kind())
	}
	return refusal, err
}

// makesSafe reports whether an event makes safe: it is judged by what its own device knows of who does it,
// also where another holds the visit.
func (v *Visit) makesSafe(b Body) bool {
	acted, ok := b.(Acted)
	i := slices.IndexFunc(v.machine.Method.Acts, func(a site.Act) bool { return a.ID == acted.Act })
	return ok && i >= 0 && v.machine.acts[i].makeSafe
}

// check is Check in a given state. The state it returns is at with the time passed.
func (v *Visit) check(at *state, e *Event) (reduced, *Refusal, error) {
	if at == nil {
		at = &state{}
	}
	r, err := v.reduce(at, e)
	if err != nil {
		return r, nil, err
	}
	c := at.control
	v.machine.lapse(&c, &r.passed)
	refusal := v.refuse(at, &c, &r)
	if r.inSpite && refusal != nil && c.begun && c.ended == NotEnded {
		r.lacks, refusal = refusal.Lacks, nil
	}
	return r, refusal, nil
}

// Apply folds an event into the visit if it is accepted, and otherwise leaves
// the visit as it was.
func (v *Visit) Apply(e Event) (*Refusal, error) {
	refusal, err := v.Check(e)
	if refusal != nil || err != nil {
		return refusal, err
	}
	v.Replay(e)
	return nil, nil
}

// Fold replays recorded events, each after those that it names. One that this engine does not
// accept is kept in the account as a discrepancy; see Replay.
func Fold(m *Machine, events []Event) *Visit {
	v := Begin(m)
	v.ReplayAll(events)
	return v
}

// ReplayAll is Replay of several events.
func (v *Visit) ReplayAll(events []Event) {
	for i := range events {
		v.replay(&events[i])
	}
	v.settle()
}

// Replay folds one recorded event, in the state that it was made in: that of the event before it on its
// chain, together with that of the chain that it takes over. It reports whether the event was
// accepted. One that is not is kept in the account as a discrepancy and changes nothing else, but
// that an act, and taking protection off, count as done in spite of a refusal, after the end too: what was
// done was done. An event without a body is a line that this edition does not read; it has its place
// and says nothing.
func (v *Visit) Replay(e Event) bool {
	accepted := v.replay(&e)
	v.settle()
	return accepted
}

func (v *Visit) replay(e *Event) bool {
	at := v.at(e)
	if at == nil {
		at = &state{}
	}
	if e.Body == nil {
		v.pass(at, e)
		return false
	}
	r, refusal, err := v.check(at, e)
	if err != nil || refusal != nil {
		v.account.discrepancy(e, refusal, err)
		var done bool
		if r, done = v.done(at, e); !done {
			v.pass(at, e)
			return false
		}
		if refusal != nil {
			r.lacks = refusal.Lacks
		}
	}
	v.fold(at, e, &r)
	return refusal == nil && err == nil
}

// done is what hands did by an event that is not accepted, as done in spite of it; ok is false where it
// says of none, or of none that this service position has.
func (v *Visit) done(at *state, e *Event) (r reduced, ok bool) {
	r = reduced{attempt: attempt{step: -1, act: -1, tool: -1, inSpite: true, passed: at.passedBy(e)}}
	switch b := e.Body.(type) {
	case Acted:
		i := slices.IndexFunc(v.machine.Method.Acts, func(a site.Act) bool { return a.ID == b.Act })
		r.do, r.act = doAct, int8(i)
		if _, n := v.machine.Method.Step(b.Step); n >= 0 && v.machine.steps[n].act == r.act {
			r.step = int16(n)
		} else {
			r.step = at.inTurn(v.machine, doAct, func(s *step) bool { return s.act == r.act })
		}
		ok = i >= 0
	case TookOff:
		var err error
		r.do = doTakeOff
		r.items, err = v.items(b.Items)
		ok = err == nil
	}
	return r, ok && at.control.begun
}

// pass gives an event its place and nothing else: a take-over that is not accepted has seen nothing.
func (v *Visit) pass(at *state, e *Event) {
	if own := v.own(e); own != nil {
		at = own
	}
	to := *at
	to.event, to.chain = e.Hash, e.Chain
	v.follow(&Event{Hash: e.Hash, Chain: e.Chain, Prev: e.Prev}, &to)
}

// fold takes an event into the account and the states.
func (v *Visit) fold(at *state, e *Event, r *reduced) {
	to := *at
	to.joined = false
	lapsed := at.control
	v.machine.lapse(&lapsed, &passed{elapsedMS: r.elapsedMS})
	cause := timeCause(&r.passed)
	if r.do == doTakeOver && r.elapsedMS < 0 {
		cause.Code = ByHandOver
	}
	v.account.proofs(e, &to, &at.control, &lapsed, cause)
	v.outdate(e, &to, &lapsed, r)
	to.control = v.machine.fold(lapsed, &r.attempt)
	to.event, to.chain = e.Hash, e.Chain
	v.account.clocks(at, e, r)
	to.tick(e, r)
	to.recall(v, e, r)
	switch r.do {
	case doOpen, doTakeOver:
		to.holder, to.held, to.released = e.Chain, e.Hash, false
	case doHandOver:
		to.released = true
	}
	if r.claims() {
		to.claim = e.Hash
	}
	v.account.add(v, e, r, &lapsed, &to)
	v.follow(e, &to)
}

// Elapse returns the state that the visit would have if the given number of
// milliseconds passed, so that a page can show what lapses when.
func (v *Visit) Elapse(ms int64) Control {
	c := v.now.control
	v.machine.lapse(&c, &passed{elapsedMS: ms})
	return c
}

// Next says which step comes next.
type Next struct {
	Step  string `json:"step,omitempty"`
	Phase string `json:"phase,omitempty"`
	Does  string `json:"does,omitempty"`
	// Sheet lists the rows that are in turn, in the method's order, where the step is a row of a sheet:
	// each is accepted, and Step is the first of them.
	Sheet []string `json:"sheet,omitempty"`
	// Stop is the stop in force, by id, or "declared" for one that the person declared.
	Stop string `json:"stop,omitempty"`
	// Blocked lists what would refuse the step now.
	Blocked *Refusal `json:"blocked,omitempty"`
	// Warns says that an answer to the step which is not as expected is accepted all the same.
	Warns bool   `json:"warns,omitempty"`
	Ended string `json:"ended,omitempty"`
}

// Next returns what comes next.
func (v *Visit) Next() Next {
	c := &v.now.control
	n := Next{Ended: c.ended.String(), Stop: v.stopID(c.stop)}
	if int(c.pos) >= len(v.machine.steps) || c.ended != NotEnded {
		return n
	}
	s := &v.machine.Method.Steps[c.pos]
	n.Step, n.Phase, n.Does = s.ID, s.Phase, s.Does()
	row := &v.machine.steps[c.pos]
	if row.first != row.last {
		for i := range v.machine.open(c) {
			n.Sheet = append(n.Sheet, v.machine.Method.Steps[i].ID)
		}
	}
	a := reduced{attempt: attempt{do: row.does, step: c.pos, act: row.act, tool: row.tool, items: row.items, result: expected, source: 1}}
	n.Blocked = v.refuse(v.now, c, &a)
	a.result = unexpected
	n.Warns = a.warning()
	return n
}

func (v *Visit) stopID(stop int8) string {
	switch stop {
	case 0:
		return ""
	case personStop:
		return Declared
	}
	return v.machine.Method.Stops[stop-1].ID
}

// Worn lists the protection that is worn.
func (v *Visit) Worn() []string { return v.wornIn(&v.now.control) }

func (v *Visit) wornIn(c *Control) []string { return v.itemIDs(c.worn) }

// Held lists the proofs that hold.
func (v *Visit) Held() []string {
	var ids []string
	for i, p := range v.machine.Method.Proofs {
		if v.now.control.proofs[i].phase == proofHeld {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

// Switches lists every switch with its position.
func (v *Visit) Switches() map[string]string { return v.switchesIn(&v.now.control) }

// ContactBare reports whether the carrier is out and the live contact behind it is not shrouded: something
// live is within reach then, whatever was proved dead beyond it.
func (v *Visit) ContactBare() bool {
	at := v.Switches()
	return at[string(site.Carrier)] == "out" && at[string(site.Contact)] != "shrouded"
}

func (v *Visit) switchesIn(c *Control) map[string]string {
	out := make(map[string]string, len(v.machine.Method.Switches))
	for i, w := range v.machine.Method.Switches {
		p := w.Home
		if c.switches&(1<<i) != 0 {
			p = w.Away
		}
		out[string(w.ID)] = string(p)
	}
	return out
}

// Position returns the id of the step in turn, after the end too, or "" when no step
// is left.
func (v *Visit) Position() string {
	if int(v.now.control.pos) >= len(v.machine.steps) {
		return ""
	}
	return v.machine.Method.Steps[v.now.control.pos].ID
}

// Ahead reports whether the step with that index is still to be carried out: the step in turn, or one after
// it that is no answered row of its sheet.
func (v *Visit) Ahead(step int) bool { return v.machine.ahead(&v.now.control, int16(step)) }

// Outcome returns how the visit ended, or NotEnded.
func (v *Visit) Outcome() Outcome { return v.now.control.ended }

// Stop returns the stop in force: its id, "declared", or "".
func (v *Visit) Stop() string { return v.stopID(v.now.control.stop) }

// Resumable reports whether the stop in force can be left by a decision to go on; one that cannot ends
// the work here.
func (v *Visit) Resumable() bool {
	stop := v.now.control.stop
	return stop != 0 && v.machine.resumable(stop)
}

// Declarable lists the stops that the method has for a person to declare, in its order, each of which would be in force
// if it were declared now.
func (v *Visit) Declarable() []string {
	var ids []string
	for i, s := range v.machine.Method.Stops {
		if in := v.now.control.stop; s.Declared && in != int8(i+1) && v.machine.givesWay(in, int8(i+1)) {
			ids = append(ids, s.ID)
		}
	}
	return ids
}

// LeftToDo reports whether an act would still change something, and is barred by no switch at any point. What must be worn
// for it is told when it is done.
func (v *Visit) LeftToDo(id site.ActID) bool {
	i := slices.IndexFunc(v.machine.Method.Acts, func(a site.Act) bool { return a.ID == id })
	if i < 0 {
		return false
	}
	c, row := &v.now.control, &v.machine.acts[i]
	return !row.standsSo(c) && c.switches&row.safeMask == row.safeWant
}

// Away reports whether the person has left the service position.
func (v *Visit) Away() bool { return v.now.control.away }

// Facts returns what was found on site.
func (v *Visit) Facts() map[string]string {
	out := map[string]string{}
	for i, f := range v.machine.Method.Facts {
		if n := v.now.control.facts[i]; n > 0 {
			out[f.ID] = f.Values[n-1]
		}
	}
	return out
}
