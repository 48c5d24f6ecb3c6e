// Package summary is what lists show of a visit: typed facts, taken from the visit's replay.Case and kept
// as JSON beside the columns that the store filters by. It words nothing and reads no record; package
// say has the words, when a row is shown.
package summary

import (
	json "encoding/json/v2"
	"fmt"
	"iter"
	"slices"
	"time"

	"meterwright/internal/store"
	"meterwright/method"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/visit"
)

// Details is the part of a summary that this package's readers share.
type Details struct {
	MeterPoint string `json:"meter_point,omitempty"`
	Meter      string `json:"meter,omitempty"`
	Edition    string `json:"edition,omitempty"`
	Fictional  bool   `json:"fictional,omitzero"`
	// Method is the hash of the resolved method, which has the words for what follows.
	Method    string            `json:"method,omitempty"`
	Phases    []replay.Standing `json:"phases,omitempty"`
	Step      string            `json:"step,omitempty"`
	Away      bool              `json:"away,omitzero"`
	Contested bool              `json:"contested,omitzero"`
	// Stop is the stop that is in force, or at which the visit ended.
	Stop    *Stop           `json:"stop,omitempty"`
	Undone  *Undone         `json:"undone,omitempty"`
	Told    *replay.Telling `json:"told,omitempty"`
	Needs   []Need          `json:"needs,omitempty"`
	Off     []Outage        `json:"off,omitempty"`
	Defects []replay.Defect `json:"defects,omitempty"`
	Tools   []replay.Tool   `json:"tools,omitempty"`
	People  []string        `json:"people,omitempty"`
	// Recorded counts the defects that a person recorded, Remarks what the method remarks on; Open counts
	// readings that are not between two good provings.
	Recorded int    `json:"recorded,omitzero"`
	Remarks  int    `json:"remarks,omitzero"`
	Readings int    `json:"readings,omitzero"`
	Open     int    `json:"open,omitzero"`
	Refusals int    `json:"refusals,omitzero"`
	InSpite  int    `json:"in_spite,omitzero"`
	LeftOut  int    `json:"left_out,omitzero"`
	Error    string `json:"error,omitempty"`
}

// Stop is a stop; Words is what the person said who declared it.
type Stop struct {
	ID    string `json:"id"`
	Words string `json:"words,omitempty"`
}

// Undone is the proof that came to nothing last, the phase that it belongs to, and what undid it.
type Undone struct {
	Proof string      `json:"proof"`
	Phase string      `json:"phase,omitempty"`
	Cause visit.Cause `json:"cause"`
}

// Outage is one time without supply.
type Outage struct {
	Off time.Time `json:"off"`
	On  time.Time `json:"on,omitzero"`
}

// Need is one reason why a visit needs somebody, from Wakes on where only time brings it about.
type Need struct {
	replay.Need
	Wakes time.Time `json:"wakes,omitzero"`
}

// The needs that only time brings about.
const (
	NeedSilent  replay.NeedCode = "silent"   // Event, the last line that came
	NeedOffLong replay.NeedCode = "off-long" // Event, the act that put the supply off
)

// How long may pass before a visit needs somebody; common practice in the trade [P]. An employer
// who works otherwise sets the people, not these.
const (
	silentAfter = 20 * time.Minute
	offAfter    = 60 * time.Minute
)

// Projector makes the summaries of package store. Its zero value is ready; use one for a store.
type Projector struct{ reader replay.Reader }

// Edition names the rules by which summaries are made; any change to them needs a new one.
func (p *Projector) Edition() string { return "summary-5" }

// Project makes the summary of one visit.
func (p *Projector) Project(id string, events iter.Seq2[record.Event, error]) (store.Summary, error) {
	var list []record.Event
	for e, err := range events {
		if err != nil {
			return store.Summary{}, err
		}
		list = append(list, e)
	}
	c, err := p.reader.Read(list)
	row := store.Summary{Visit: id, Nature: c.Nature, Job: c.Opened.Job, Address: c.Opened.Premises.Address, Person: c.Person, Method: c.Opened.Method, State: string(c.State())}
	d := details(c)
	if err != nil {
		d.Error = err.Error()
		// The lines that would make it readable may come still: the first line of a visit
		// arrives before the one with its method.
		if len(list) < 2 {
			row.State = string(replay.UnderWay)
		}
	}
	var last record.Event
	for _, e := range list {
		if last.Wall.IsZero() || e.Wall.After(last.Wall) {
			last = e
		}
		if row.Opened.IsZero() || e.Kind == record.KindOpened {
			row.Opened = e.Wall
		}
	}
	row.Last = last.Wall
	if c.Visit != nil {
		a := c.Visit.Account()
		row.Stop, row.Outcome = c.Visit.Stop(), outcome(a)
		o, _ := a.Off()
		row.SupplyOffSince = o.Off
		row.Discrepancies = len(a.Discrepancies) + len(c.Unread)
	}
	if slices.Contains([]replay.State{replay.UnderWay, replay.Stopped, replay.HeldByTwo}, replay.State(row.State)) && len(list) > 0 {
		d.Needs = append(d.Needs, inTime(c, last)...)
	}
	for _, n := range d.Needs {
		row.Needs = append(row.Needs, store.Need{Key: n.Key(), Since: n.At, Wakes: n.Wakes, Danger: n.Danger})
	}
	row.Details, err = json.Marshal(d, json.Deterministic(true))
	if err != nil {
		return row, fmt.Errorf("summary of %s: %w", id, err)
	}
	return row, nil
}

// inTime is what a visit that goes on needs when nothing more comes of it.
func inTime(c *replay.Case, last record.Event) []Need {
	list := []Need{{Need: replay.Need{At: last.Wall, Code: NeedSilent, Event: last.Hash.String()}, Wakes: last.Wall.Add(silentAfter)}}
	if c.Visit == nil {
		return list
	}
	if o, off := c.Visit.Account().Off(); off {
		list = append(list, Need{Need: replay.Need{At: o.Off, Code: NeedOffLong, Event: o.OffEvent}, Wakes: o.Off.Add(offAfter)})
	}
	return list
}

// Read reads the details of a summary. A summary of another projector gives none.
func Read(s store.Summary) Details {
	var d Details
	if err := json.Unmarshal(s.Details, &d); err != nil {
		return Details{Error: fmt.Errorf("the details cannot be read: rebuild the summaries: %w", err).Error()}
	}
	return d
}

// details gathers what lists show. It works on a case that could not be folded too.
func details(c *replay.Case) Details {
	d := Details{MeterPoint: c.Opened.Premises.MeterPoint, Meter: c.Opened.Premises.Meter, Edition: c.Opened.Edition, Fictional: c.Opened.Fictional, People: c.People}
	for _, n := range c.Needs() {
		d.Needs = append(d.Needs, Need{Need: n})
	}
	if c.Visit == nil {
		return d
	}
	v, a := c.Visit, c.Visit.Account()
	d.Method = v.Machine().Hash
	d.Phases, d.Step, d.Away = c.Phases(), v.Position(), v.Away()
	_, d.Contested = v.Holder()
	d.Defects, d.Tools = c.Defects(), c.Tools()
	d.Recorded, d.Remarks, d.Readings, d.Refusals, d.LeftOut = len(a.Defects), len(a.Remarks), len(a.Readings), len(a.Refusals), len(a.LeftOut)
	for _, r := range a.Readings {
		if r.Bracket < 0 || a.Brackets[r.Bracket].State != visit.BracketClosed {
			d.Open++
		}
	}
	for _, l := range a.Story {
		switch b, _ := a.Body(l.Event); b := b.(type) {
		case visit.Acted:
			d.InSpite += count(b.InSpite)
		case visit.TookOff:
			d.InSpite += count(b.InSpite)
		}
	}
	for _, o := range a.Supply {
		d.Off = append(d.Off, Outage{Off: o.Off, On: o.On})
	}
	for _, s := range a.Stops {
		if s.LeftAt.IsZero() && (v.Stop() != "" || v.Outcome() != visit.NotEnded) {
			d.Stop = &Stop{ID: s.ID, Words: s.Words}
		}
	}
	if n := len(a.Reports); n > 0 {
		r := a.Reports[n-1]
		d.Told = &replay.Telling{To: r.To, Whom: r.Whom, At: r.At, Reference: r.Reference}
	}
	d.Undone = undone(v.Machine().Method, a)
	return d
}

// outcome is that of the end, or nothing.
func outcome(a *visit.Account) string {
	if a.End == nil {
		return ""
	}
	return a.End.Outcome
}

func count(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// undone finds the proof that came to nothing last and was not shown again.
func undone(m *method.Resolved, a *visit.Account) *Undone {
	var last *Undone
	var at time.Time
	for _, p := range a.Proofs {
		if !p.Lost() {
			continue
		}
		u := p.Undone[len(p.Undone)-1]
		if last != nil && !u.At.After(at) {
			continue
		}
		last, at = &Undone{Proof: p.ID, Cause: u.Cause}, u.At
		if i := slices.IndexFunc(m.Steps, func(s method.Step) bool { return slices.Contains(s.Supports, p.ID) }); i >= 0 {
			last.Phase = m.Steps[i].Phase
		}
	}
	return last
}
