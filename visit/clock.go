package visit

import (
	"fmt"
	"time"

	"meterwright/method"
)

// clock is what a chain knows of time, beside what Control counts down: it says which dates have
// passed, when something entered afterwards can have happened, and whether the clock can be believed.
type clock struct {
	// mono and boot are the monotonic time of the event before, wall its time of day.
	mono int64
	boot string
	wall time.Time
	// latest is the latest time of day that any event had. Dates are judged by it, so that
	// setting a clock back brings nothing into date again.
	latest time.Time
	// opened is when the visit was, acted when the last act was, proved when an instrument was.
	opened, acted time.Time
	proved        [10]time.Time
	// due and toolDue are the days on which protection and instruments fall due, zero for none.
	due     [method.MaxProtection]time.Time
	toolDue [10]time.Time
	// answered is the monotonic time of the last live answer in this boot, and -1 for none.
	answered int64
}

// A clock that is set back by more than setBack is a fact of the account [P]: less is what networks
// correct from day to day. Two answers by hand within hasteMS are too: no one can put two probes to a point,
// read what the instrument shows and enter it in half a second [P].
const (
	setBack = 2 * time.Minute
	hasteMS = 500
)

// now is the time of day by which an event is judged.
func (k *clock) now(e *Event) time.Time {
	if e.Wall.Before(k.latest) {
		return k.latest
	}
	return e.Wall
}

// elapsed returns the milliseconds since the event before, or -1 when a restart
// of the device or a clock that went backwards hides them.
func (k *clock) elapsed(e *Event) int64 {
	if e.Boot != k.boot || e.Mono < k.mono {
		return -1
	}
	return e.Mono - k.mono
}

// passedBy is what has gone by when an event is made in the state.
func (at *state) passedBy(e *Event) passed {
	var p passed
	if !at.control.begun {
		return p
	}
	p.elapsedMS = at.elapsed(e)
	now := at.now(e)
	for i, due := range at.due {
		if !due.IsZero() && isPast(due, now) {
			p.pastItems |= 1 << i
		}
	}
	for i, due := range at.toolDue {
		if !due.IsZero() && isPast(due, now) {
			p.pastTools |= 1 << i
		}
	}
	return p
}

// isPast reports whether a day has passed at a time of day.
func isPast(day, now time.Time) bool {
	y, mo, d := now.Date()
	return time.Date(y, mo, d, 0, 0, 0, 0, time.UTC).After(day)
}

// dueBy reads a date YYYY-MM-DD and reports whether it has not passed. An empty date counts as not
// passed only where none is required.
func dueBy(due string, now time.Time, required bool) (day time.Time, in bool, err error) {
	if due == "" {
		return time.Time{}, !required, nil
	}
	day, err = time.Parse(time.DateOnly, due)
	if err != nil {
		return day, false, fmt.Errorf("%q is no date: write it like 2026-11-24", clip(due))
	}
	return day, !isPast(day, now), nil
}

// tick takes the clock past an event that is folded.
func (to *state) tick(e *Event, r *reduced) {
	if e.Boot != to.boot || r.do == doOpen {
		to.answered = -1
	}
	to.mono, to.boot, to.wall, to.latest = e.Mono, e.Boot, e.Wall, to.now(e)
	when := e.Wall
	if t := parsedTime(happened(e.Body)); !t.IsZero() {
		when = t
	}
	switch {
	case r.do == doOpen:
		to.opened = when
	case r.do == doAct:
		to.acted = when
	case r.do == doProve && r.result == expected:
		to.proved[r.tool] = when
	case r.do == doTakeUp, r.do == doCorrect && r.target == doTakeUp:
		to.toolDue[r.tool] = r.due
	case r.do == doCheck:
		for i := range to.due {
			if r.items&(1<<i) != 0 {
				to.due[i] = r.due
			}
		}
	}
	if r.byHand() {
		to.answered = e.Mono
	}
}

// byHand reports whether the event takes somebody's hands: a proving, a reading or an act, entered live.
func (r *reduced) byHand() bool {
	return !r.after && (r.do == doProve || r.do == doObserve || r.do == doAct)
}

func parsedTime(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}
	}
	return t
}

// joinClocks keeps what bounds most: the earlier date, the later act.
func joinClocks(a, b *clock) clock {
	out := *a
	later := func(x, y time.Time) time.Time {
		if x.Before(y) {
			return y
		}
		return x
	}
	earlier := func(x, y time.Time) time.Time {
		switch {
		case x.IsZero():
			return y
		case y.IsZero() || x.Before(y):
			return x
		}
		return y
	}
	out.latest, out.acted = later(a.latest, b.latest), later(a.acted, b.acted)
	for i := range out.proved {
		out.proved[i], out.toolDue[i] = later(a.proved[i], b.proved[i]), earlier(a.toolDue[i], b.toolDue[i])
	}
	for i := range out.due {
		out.due[i] = earlier(a.due[i], b.due[i])
	}
	return out
}

// checkEntry checks how an answer was entered. What is entered afterwards happened since the opening
// and since the last act, which no phase spans, since the proving of its instrument, and not after
// it was entered.
func (at *state) checkEntry(e *Event, r *reduced, entry Entry) (after bool, err error) {
	switch entry.Entered {
	case "":
		if entry.Happened != "" {
			return false, fmt.Errorf("happened is given for an answer that was entered live: leave it out, or write entered: after")
		}
		return false, nil
	case "after":
	default:
		return false, fmt.Errorf("%q is no way of entry: write after, or leave it out", clip(entry.Entered))
	}
	when := parsedTime(entry.Happened)
	if when.IsZero() {
		return false, fmt.Errorf("an answer entered after its phase needs the time when it happened, like 2026-11-24T10:42:00Z")
	}
	since, what := at.opened, fmt.Errorf("when the visit was opened")
	if since.Before(at.acted) {
		since, what = at.acted, fmt.Errorf("the last act")
	}
	if r.do == doObserve && at.control.tools[r.tool] == toolProved && since.Before(at.proved[r.tool]) {
		since, what = at.proved[r.tool], fmt.Errorf("the proving of the instrument")
	}
	// People give the minute, and it can have happened at any moment of it.
	since, until := since.Truncate(time.Minute), at.now(e)
	if when.Before(since) || when.After(until) {
		return false, fmt.Errorf("happened %s does not lie between %s, %w, and %s, when it is entered: give the time when it happened",
			when.Format(time.RFC3339), since.Format(time.RFC3339), what, until.Format(time.RFC3339))
	}
	return true, nil
}
