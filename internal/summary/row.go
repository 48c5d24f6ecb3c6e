package summary

import (
	json "encoding/json/v2"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/store"
	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
)

// The states of a visit, for filters.
const (
	UnderWay  = "under-way"
	Stopped   = "stopped"
	Completed = "completed"
	Danger    = "ended-in-danger"
	Short     = "ended-short"
)

// States lists the states of a visit in the order in which choices are shown.
func States() []string {
	return []string{UnderWay, Stopped, Completed, Danger, Short, store.UnreadableState}
}

// Details is the part of a summary that this package's readers share; it is kept as JSON.
type Details struct {
	MeterPoint string   `json:"meter_point,omitempty"`
	Meter      string   `json:"meter,omitempty"`
	Edition    string   `json:"edition,omitempty"`
	Fictional  bool     `json:"fictional,omitempty"`
	Cells      []Cell   `json:"cells,omitempty"`
	Phase      string   `json:"phase,omitempty"`
	Say        string   `json:"say,omitempty"`
	Away       bool     `json:"away,omitempty"`
	Standing   string   `json:"standing,omitempty"`
	Reasons    []Reason `json:"reasons,omitempty"`
	Off        []Outage `json:"off,omitempty"`
	Defects    []Defect `json:"defects,omitempty"`
	Tools      []Tool   `json:"tools,omitempty"`
	People     []string `json:"people,omitempty"`
	Readings   int      `json:"readings,omitempty"`
	Open       int      `json:"open,omitempty"`
	Refusals   int      `json:"refusals,omitempty"`
	InSpite    int      `json:"in_spite,omitempty"`
	LeftOut    int      `json:"left_out,omitempty"`
	Error      string   `json:"error,omitempty"`
}

// Cell is one phase of the method in the strip that shows where a visit stands.
type Cell struct {
	Words string `json:"words"`
	// State is done, now, stopped, undone, gap or ahead.
	State string `json:"state"`
}

// Reason is why a visit needs somebody.
type Reason struct {
	At    time.Time `json:"at"`
	Words string    `json:"words"`
	// Danger says that somebody may be hurt.
	Danger bool `json:"danger,omitempty"`
}

// Outage is one time without supply.
type Outage struct {
	Off time.Time `json:"off"`
	On  time.Time `json:"on,omitzero"`
}

// Defect is something wrong, for its owner, however the visit came to it.
type Defect struct {
	Event      string    `json:"event"`
	At         time.Time `json:"at"`
	From       string    `json:"from"` // defect, stop or remark
	Owner      string    `json:"owner"`
	Asset      string    `json:"asset,omitempty"`
	Words      string    `json:"words"`
	Scheme     string    `json:"scheme,omitempty"`
	Category   string    `json:"category,omitempty"`
	Restricted bool      `json:"restricted,omitempty"`
	// Told says who was told first after it was found, with the reference.
	Told string `json:"told,omitempty"`
}

// Tool is one instrument with what rests on it.
type Tool struct {
	Kind     instrument.Kind `json:"kind"`
	ID       string          `json:"id"`
	Due      string          `json:"due,omitempty"`
	Readings int             `json:"readings"`
	// Void counts brackets that came to nothing, Unclosed those without a second proving.
	Void     int `json:"void,omitempty"`
	Unclosed int `json:"unclosed,omitempty"`
}

// Projector makes the summaries of package store. Its zero value is ready; use one for a store.
type Projector struct{ reader Reader }

// Edition names the rules by which summaries are made; any change to them needs a new one.
func (p *Projector) Edition() string { return "summary-4" }

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
	row := store.Summary{Visit: id, Nature: c.Nature, Job: c.Opened.Job, Address: c.Opened.Premises.Address, Person: c.Person}
	if c.Opened.Method != "" {
		row.Method = c.Opened.Method
	}
	if len(list) > 0 {
		row.Opened, row.Last = list[0].Wall, list[0].Wall
		for _, e := range list {
			if e.Kind == record.KindOpened {
				row.Opened = e.Wall
				break
			}
		}
		for _, e := range list {
			if e.Wall.After(row.Last) {
				row.Last = e.Wall
			}
		}
	}
	d := c.Details()
	if err != nil {
		// The lines that would make it readable may come still: the first line of a
		// visit arrives before the one with its method.
		row.State = UnderWay
		if len(list) > 1 {
			row.State = store.UnreadableState
			row.NeedsAttention = true
		}
		d.Error = err.Error()
	} else {
		a := c.Visit.Account()
		row.State = c.State()
		row.Stop = c.Visit.Stop()
		if a.End != nil {
			row.Outcome = a.End.Outcome
		}
		row.SupplyOffSince, _ = a.Off()
		row.Discrepancies = len(a.Discrepancies) + len(c.Unread)
		row.NeedsAttention = len(d.Reasons) > 0
	}
	row.Details, err = json.Marshal(d, json.Deterministic(true))
	if err != nil {
		return row, fmt.Errorf("summary of %s: %w", id, err)
	}
	return row, nil
}

// Read reads the details of a summary. A summary of another projector gives none.
func Read(s store.Summary) Details {
	var d Details
	if err := json.Unmarshal(s.Details, &d); err != nil {
		return Details{Error: "the details cannot be read: rebuild the summaries"}
	}
	return d
}

// State says in one word where the visit stands.
func (c *Case) State() string {
	switch c.Visit.Outcome() {
	case visit.Completed:
		return Completed
	case visit.StoppedDanger:
		return Danger
	case visit.NotEnded:
		if c.Visit.Stop() != "" {
			return Stopped
		}
		return UnderWay
	}
	return Short
}

// Details gathers what lists show. It works on a case that could not be folded too.
func (c *Case) Details() Details {
	d := Details{MeterPoint: c.Opened.Premises.MeterPoint, Meter: c.Opened.Premises.Meter, Edition: c.Opened.Edition,
		Fictional: c.Opened.Fictional, People: c.People}
	if c.Visit == nil {
		return d
	}
	a := c.Visit.Account()
	d.Readings, d.Refusals, d.LeftOut = len(a.Readings), len(a.Refusals), len(a.LeftOut)
	for _, r := range a.Readings {
		if r.Bracket < 0 || a.Brackets[r.Bracket].State != "closed" {
			d.Open++
		}
	}
	for _, x := range a.Acts {
		if x.InSpite {
			d.InSpite++
		}
	}
	for _, o := range a.Supply {
		d.Off = append(d.Off, Outage{Off: o.Off, On: o.On})
	}
	d.Away = c.Visit.Away()
	d.Cells, d.Phase, d.Say = c.cells()
	d.Defects = c.Defects()
	d.Tools = c.Tools()
	d.Reasons = c.reasons(d.Defects)
	d.Standing = c.standing()
	return d
}

// cells says for each phase of the method where the visit stands in it.
func (c *Case) cells() (cells []Cell, phase, say string) {
	m := c.Visit.Machine().Method
	a := c.Visit.Account()
	at := len(m.Steps)
	if p := c.Visit.Position(); p != "" {
		_, at = m.Step(p)
	}
	current := len(m.Phases)
	if at < len(m.Steps) {
		current = slices.IndexFunc(m.Phases, func(p method.Phase) bool { return p.ID == m.Steps[at].Phase })
		phase, say = m.Phases[current].Words, m.Steps[at].Say
	}
	gaps := map[string]bool{}
	for _, l := range a.LeftOut {
		if s, _ := m.Step(l.Step); s != nil {
			gaps[s.Phase] = true
		}
	}
	undone := map[string]bool{}
	for _, p := range a.Proofs {
		if p.State == "holds" || len(p.Undone) == 0 || !p.Undone[len(p.Undone)-1].Held && p.State != "not shown" {
			continue
		}
		// A proof that lapsed because the work went on as it should is no news.
		if lapsedInCourse(p.Undone[len(p.Undone)-1].Why) {
			continue
		}
		for i := range m.Steps {
			if slices.Contains(m.Steps[i].Supports, p.ID) {
				undone[m.Steps[i].Phase] = true
			}
		}
	}
	stopped := c.Visit.Stop() != "" || c.Visit.Outcome() == visit.StoppedDanger
	for i, p := range m.Phases {
		state := "done"
		switch {
		case i > current:
			state = "ahead"
		case i == current && stopped:
			state = "stopped"
		case undone[p.ID]:
			state = "undone"
		case i == current && c.Visit.Outcome() == visit.NotEnded:
			state = "now"
		case i == current:
			state = "ahead"
		case gaps[p.ID]:
			state = "gap"
		}
		cells = append(cells, Cell{Words: p.Words, State: state})
	}
	return cells, phase, say
}

// lapsedInCourse reports whether a proof came to nothing by an act of the work itself.
func lapsedInCourse(why string) bool { return strings.HasPrefix(why, "you began to ") }

// standing says in one line how the visit stands.
func (c *Case) standing() string {
	a := c.Visit.Account()
	var parts []string
	if n := len(a.Stops); n > 0 && (c.Visit.Stop() != "" || c.Visit.Outcome() != visit.NotEnded) && a.Stops[n-1].LeftAt.IsZero() {
		parts = append(parts, "stopped: "+lowerFirst(a.Stops[n-1].Title))
	}
	if words := c.undone(); words != "" {
		parts = append(parts, words)
	}
	if n := len(a.Reports); n > 0 {
		r := a.Reports[n-1]
		words := fmt.Sprintf("%s told %s", strings.TrimPrefix(r.To, "the "), r.At.Format("15:04"))
		if r.Reference != "" {
			words += ", reference " + r.Reference
		}
		parts = append(parts, words)
	}
	if n := len(a.Defects); n > 0 {
		parts = append(parts, count(n, "defect"))
	}
	if n := len(a.Remarks); n > 0 {
		parts = append(parts, count(n, "remark"))
	}
	if len(parts) == 0 && c.Visit.Outcome() == visit.Completed {
		parts = append(parts, "nothing found")
	}
	if n := len(a.LeftOut); n > 0 {
		parts = append(parts, count(n, "step")+" left out")
	}
	return strings.Join(parts, "; ")
}

// undone says which proof came to nothing last, and why.
func (c *Case) undone() string {
	m := c.Visit.Machine().Method
	var last time.Time
	words := ""
	for _, p := range c.Visit.Account().Proofs {
		n := len(p.Undone)
		if n == 0 || p.State == "holds" || lapsedInCourse(p.Undone[n-1].Why) || !p.Undone[n-1].At.After(last) {
			continue
		}
		last = p.Undone[n-1].At
		where := p.ID
		for i := range m.Steps {
			if slices.Contains(m.Steps[i].Supports, p.ID) {
				j := slices.IndexFunc(m.Phases, func(ph method.Phase) bool { return ph.ID == m.Steps[i].Phase })
				where = m.Phases[j].Words
				break
			}
		}
		words = lowerFirst(where) + " undone: " + p.Undone[n-1].Why
	}
	return words
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func lowerFirst(s string) string {
	if len(s) < 2 || s[1] >= 'A' && s[1] <= 'Z' {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
