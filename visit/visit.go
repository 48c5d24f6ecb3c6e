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

import "fmt"

// Visit is a visit in progress. It is a fold: the same machine and events give
// the same Visit. It is not for use by several goroutines at once.
type Visit struct {
	machine *Machine
	control Control
	account *Account
	mono    int64
	boot    string
}

// Begin returns a visit without events.
func Begin(m *Machine) *Visit {
	return &Visit{machine: m, account: newAccount(m)}
}

// Machine returns the machine that the visit follows.
func (v *Visit) Machine() *Machine { return v.machine }

// Control returns the state that decides.
func (v *Visit) Control() Control { return v.control }

// Account returns the narrative. The caller must not change it.
func (v *Visit) Account() *Account { return v.account }

// Refusal is why an event was refused, in the three parts that a person is told.
type Refusal struct {
	// Rows names the rows of the guard table.
	Rows []string `json:"rows"`
	// What cannot be done.
	What string `json:"what"`
	// Undid says what undid it, or what is missing.
	Undid []string `json:"undid"`
	// Way is the way on.
	Way []string `json:"way"`
	// Return is the step to go back to, or empty.
	Return string `json:"return,omitempty"`
}

func (r *Refusal) Error() string {
	text := r.What
	for _, u := range r.Undid {
		text += " " + u
	}
	for _, w := range r.Way {
		text += " " + w
	}
	return text
}

// Check says whether the event would be accepted now. A nil Refusal and a nil
// error mean yes. An error means that the event makes no sense in this visit.
func (v *Visit) Check(e Event) (*Refusal, error) {
	r, c, err := v.prepare(&e)
	if err != nil {
		return nil, err
	}
	refusal := v.refuse(&c, &r, &e)
	if r.inSpite {
		if refusal == nil {
			return nil, fmt.Errorf("%s: nothing refuses this: record it without in_spite", e.Body.kind())
		}
		if !v.spiteable(&c, &r) {
			return refusal, nil
		}
		return nil, nil
	}
	return refusal, nil
}

// spiteable reports whether an act in spite of a refusal can be recorded: any
// act can, once a visit has begun and has not ended.
func (v *Visit) spiteable(c *Control, r *reduced) bool { return c.begun && c.ended == NotEnded }

func (v *Visit) prepare(e *Event) (reduced, Control, error) {
	r, err := v.reduce(e)
	if err != nil {
		return r, v.control, err
	}
	c := v.control
	v.machine.lapse(&c, r.elapsedMS)
	return r, c, nil
}

// Apply folds an event into the visit if it is accepted, and otherwise leaves
// the visit as it was.
func (v *Visit) Apply(e Event) (*Refusal, error) {
	refusal, err := v.Check(e)
	if refusal != nil || err != nil {
		return refusal, err
	}
	v.fold(e)
	return nil, nil
}

// Fold replays recorded events. One that this engine does not accept is kept in
// the account as a discrepancy and changes nothing else.
func Fold(m *Machine, events []Event) *Visit {
	v := Begin(m)
	for _, e := range events {
		v.Replay(e)
	}
	return v
}

// Replay folds one recorded event, as Fold does. It reports whether the event
// was accepted.
func (v *Visit) Replay(e Event) bool {
	refusal, err := v.Apply(e)
	switch {
	case err != nil:
		v.account.discrepancy(&e, err.Error())
		return false
	case refusal != nil:
		v.account.discrepancy(&e, refusal.Error())
		return false
	}
	return true
}

func (v *Visit) fold(e Event) {
	r, _ := v.reduce(&e)
	before := v.control
	c := v.control
	v.machine.lapse(&c, r.elapsedMS)
	v.account.lapsed(v, &e, &before, &c, r.elapsedMS)
	lapsed := c
	v.control = v.machine.fold(c, &r.attempt)
	v.account.add(v, &e, &r, &lapsed, &v.control)
	v.mono, v.boot = e.Mono, e.Boot
}

// Elapse returns the state that the visit would have if the given number of
// milliseconds passed, so that a page can show what lapses when.
func (v *Visit) Elapse(ms int64) Control {
	c := v.control
	v.machine.lapse(&c, ms)
	return c
}

// Next says which step comes next.
type Next struct {
	Step  string `json:"step,omitempty"`
	Phase string `json:"phase,omitempty"`
	Does  string `json:"does,omitempty"`
	Say   string `json:"say,omitempty"`
	// Stop is the stop in force, by id, or "declared" for one that the person declared.
	Stop string `json:"stop,omitempty"`
	// Blocked lists what would refuse the step now.
	Blocked *Refusal `json:"blocked,omitempty"`
	Ended   string   `json:"ended,omitempty"`
}

// Next returns what comes next.
func (v *Visit) Next() Next {
	n := Next{Ended: v.control.ended.String(), Stop: v.stopID(v.control.stop)}
	if int(v.control.pos) >= len(v.machine.steps) || v.control.ended != NotEnded {
		return n
	}
	s := &v.machine.Method.Steps[v.control.pos]
	n.Step, n.Phase, n.Does, n.Say = s.ID, s.Phase, s.Does(), s.Say
	row := &v.machine.steps[v.control.pos]
	a := reduced{attempt: attempt{do: row.does, step: v.control.pos, act: row.act, tool: row.tool, items: row.items, result: expected, source: 1}}
	n.Blocked = v.refuse(&v.control, &a, nil)
	return n
}

func (v *Visit) stopID(stop int8) string {
	switch stop {
	case 0:
		return ""
	case personStop:
		return "declared"
	}
	return v.machine.Method.Stops[stop-1].ID
}

// Worn lists the protection that is worn.
func (v *Visit) Worn() []string { return v.wornIn(&v.control) }

func (v *Visit) wornIn(c *Control) []string {
	var ids []string
	for i, p := range v.machine.Method.Protection {
		if c.worn&(1<<i) != 0 {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

// Held lists the proofs that hold.
func (v *Visit) Held() []string {
	var ids []string
	for i, p := range v.machine.Method.Proofs {
		if v.control.proofs[i].phase == proofHeld {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

// Switches lists every switch with its position.
func (v *Visit) Switches() map[string]string { return v.switchesIn(&v.control) }

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
	if int(v.control.pos) >= len(v.machine.steps) {
		return ""
	}
	return v.machine.Method.Steps[v.control.pos].ID
}

// Outcome returns how the visit ended, or NotEnded.
func (v *Visit) Outcome() Outcome { return v.control.ended }

// Stop returns the stop in force: its id, "declared", or "".
func (v *Visit) Stop() string { return v.stopID(v.control.stop) }

// Away reports whether the person has left the service position.
func (v *Visit) Away() bool { return v.control.away }

// Facts returns what was found on site.
func (v *Visit) Facts() map[string]string {
	out := map[string]string{}
	for i, f := range v.machine.Method.Facts {
		if n := v.control.facts[i]; n > 0 {
			out[f.ID] = f.Values[n-1]
		}
	}
	return out
}
