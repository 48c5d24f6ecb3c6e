package replay

import (
	"slices"
	"strconv"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/record"
	"meterwright/site"
	"meterwright/visit"
)

// State says where a visit stands.
type State string

// The states of a visit.
const (
	UnderWay   State = "under-way"
	Stopped    State = "stopped"
	HeldByTwo  State = "held-by-two"
	Completed  State = "completed"
	Danger     State = "ended-in-danger"
	Short      State = "ended-short"
	Unreadable State = "unreadable"
)

// States lists the states in the order in which choices are shown.
func States() []State {
	return []State{UnderWay, Stopped, HeldByTwo, Completed, Danger, Short, Unreadable}
}

// State says where the visit stands. A stop goes before two holders.
func (c *Case) State() State {
	if c.Visit == nil {
		return Unreadable
	}
	_, contested := c.Visit.Holder()
	switch out := c.Visit.Outcome(); {
	case c.Visit.Stop() != "" && out == visit.NotEnded:
		return Stopped
	case contested:
		return HeldByTwo
	case out == visit.Completed:
		return Completed
	case out == visit.StoppedDanger:
		return Danger
	case out == visit.NotEnded:
		return UnderWay
	}
	return Short
}

// Origin says how a visit came to something wrong.
type Origin string

// The origins.
const (
	FromDefect Origin = "defect"
	FromStop   Origin = "stop"
	FromRemark Origin = "remark"
)

// Defect is something wrong, for its owner, however the visit came to it.
type Defect struct {
	Event string       `json:"event"`
	At    time.Time    `json:"at"`
	From  Origin       `json:"from"`
	Owner method.Owner `json:"owner"`
	// Asset and Words are what a person wrote; Stop or Step has the method's words.
	Asset      string `json:"asset,omitempty"`
	Words      string `json:"words,omitempty"`
	Stop       string `json:"stop,omitempty"`
	Step       string `json:"step,omitempty"`
	Outcome    int    `json:"outcome,omitzero"` // see visit.Remark
	Scheme     string `json:"scheme,omitempty"`
	Category   string `json:"category,omitempty"`
	Restricted bool   `json:"restricted,omitempty"`
	// Told says who was told first after it was found, or is nil.
	Told *Telling `json:"told,omitempty"`
}

// Telling is one time that somebody was told.
type Telling struct {
	Event     string       `json:"event"`
	To        method.Owner `json:"to"`
	Whom      string       `json:"whom,omitempty"`
	At        time.Time    `json:"at"`
	Reference string       `json:"reference,omitempty"`
}

// Defects lists everything wrong that the visit came to: defects that a person recorded, stops
// and remarks, oldest first.
func (c *Case) Defects() []Defect {
	a := c.Visit.Account()
	var list []Defect
	for _, d := range a.Defects {
		list = append(list, Defect{Event: d.Event, At: d.At, From: FromDefect, Owner: d.Owner, Asset: d.Asset, Words: d.Words,
			Scheme: d.Scheme, Category: d.Category, Restricted: d.Restricted})
	}
	for _, s := range a.Stops {
		if s.Slip != "" {
			continue // Nothing was found.
		}
		list = append(list, Defect{Event: s.Event, At: s.At, From: FromStop, Owner: s.Owner, Stop: s.ID, Words: s.Words, Scheme: s.Scheme, Category: s.Category,
			Restricted: s.ID != visit.Declared && c.Visit.Machine().Method.RestrictedStop(s.ID)})
	}
	for _, r := range a.Remarks {
		if r.Withdrawn {
			continue
		}
		list = append(list, Defect{Event: r.Event, At: r.At, From: FromRemark, Owner: r.Owner, Step: r.Step, Outcome: r.Outcome, Scheme: r.Scheme, Category: r.Category})
	}
	slices.SortStableFunc(list, func(x, y Defect) int { return x.At.Compare(y.At) })
	for i := range list {
		d := &list[i]
		if d.Owner == "" {
			d.Owner = site.Employer
		}
		// People ring first and write afterwards: a report counts for what is written down after it too,
		// where something for that owner had been written down before, on a chain that the report had seen.
		rung := func(t Telling) bool {
			return slices.ContainsFunc(list[:i], func(x Defect) bool { return x.Owner == d.Owner && c.Visit.Before(x.Event, t.Event) })
		}
		d.Told = earliest(slices.DeleteFunc(c.tellings(d.Owner), func(t Telling) bool { return !c.since(t, d.Event, d.At) && !rung(t) }))
	}
	return list
}

// Told returns the first time that an owner was told from a moment on, or nil: by a report, or by an
// entry that says so.
func (c *Case) Told(owner method.Owner, from time.Time) *Telling {
	return earliest(slices.DeleteFunc(c.tellings(owner), func(t Telling) bool { return t.At.Before(from) }))
}

// since reports whether somebody was told after an event: by the clock, or because whoever told had seen it.
func (c *Case) since(t Telling, event string, at time.Time) bool {
	return !t.At.Before(at) || c.Visit.Before(event, t.Event)
}

func (c *Case) tellings(owner method.Owner) []Telling {
	a := c.Visit.Account()
	var list []Telling
	for _, r := range a.Reports {
		if r.To == owner {
			list = append(list, Telling{Event: r.Event, To: r.To, Whom: r.Whom, At: r.At, Reference: r.Reference})
		}
	}
	for _, e := range a.Entries {
		if e.Withdrawn {
			continue
		}
		for id, choice := range e.Entries {
			if f := c.Visit.Machine().Method.Field(e.Step, id); f != nil && f.Role == method.Told {
				if o, tells := f.Tells(choice); tells && o == owner {
					list = append(list, Telling{Event: e.Event, To: o, At: e.At})
				}
			}
		}
	}
	return list
}

func earliest(list []Telling) *Telling {
	if len(list) == 0 {
		return nil
	}
	first := slices.MinFunc(list, func(x, y Telling) int { return x.At.Compare(y.At) })
	return &first
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

// Tools lists the instruments of the visit, in order of appearance, with what rests on each.
func (c *Case) Tools() []Tool {
	a := c.Visit.Account()
	var list []Tool
	find := func(k instrument.Kind, id string) *Tool {
		i := slices.IndexFunc(list, func(t Tool) bool { return t.Kind == k && t.ID == id })
		if i < 0 {
			list = append(list, Tool{Kind: k, ID: id})
			i = len(list) - 1
		}
		return &list[i]
	}
	for _, i := range a.Instruments {
		find(i.Kind, i.ID).Due = i.Due
	}
	// Each second proving opens the next bracket, so that one without readings says nothing.
	used := make([]bool, len(a.Brackets))
	for _, r := range a.Readings {
		find(r.Kind, r.Instrument).Readings++
		if r.Bracket >= 0 {
			used[r.Bracket] = true
		}
	}
	for i, b := range a.Brackets {
		switch {
		case !used[i]:
		case b.State == visit.BracketVoid:
			find(b.Kind, b.Instrument).Void++
		case b.State == visit.BracketOpen:
			find(b.Kind, b.Instrument).Unclosed++
		}
	}
	return list
}

// Need is one reason why a visit needs somebody: a code with its arguments.
type Need struct {
	At   time.Time `json:"at"`
	Code NeedCode  `json:"code"`
	// Danger says that somebody may be hurt.
	Danger bool `json:"danger,omitempty"`

	Event string       `json:"event,omitempty"`
	Step  string       `json:"step,omitempty"`
	Owner method.Owner `json:"owner,omitempty"`
	Stop  string       `json:"stop,omitempty"`
	Words string       `json:"words,omitempty"`
	Act   site.ActID   `json:"act,omitempty"`
	Kind  visit.Kind   `json:"kind,omitempty"`
	Count int          `json:"count,omitempty"`
	// Finding says what does not fit.
	Finding FindingCode `json:"finding,omitempty"`
}

// Key is the same for the same reason however often it is read, and another for one that is new:
// for another event, or for more of what is counted.
func (n *Need) Key() string {
	key := string(n.Code) + "/" + n.Event
	if n.Count > 0 {
		key += "/" + strconv.Itoa(n.Count)
	}
	if n.Finding != "" {
		key += "/" + string(n.Finding)
	}
	return key
}

// NeedCode names a Need.
type NeedCode string

// The needs.
const (
	NeedStopped     NeedCode = "stopped"             // Stop; Words where a person declared it
	NeedOwnerTold   NeedCode = "owner-not-told"      // Owner, Stop
	NeedDefectTold  NeedCode = "defect-not-told"     // Owner, Words
	NeedInSpite     NeedCode = "in-spite"            // Act
	NeedWithdrawn   NeedCode = "rested-on-withdrawn" // Act
	NeedSlip        NeedCode = "lifted-as-slip"      // Stop; Event, the slip
	NeedNotAccepted NeedCode = "not-accepted"        // Kind, Event
	NeedUnread      NeedCode = "unread"              // Count
	NeedWaiting     NeedCode = "waiting"             // Count
	NeedForked      NeedCode = "forked"              // Count
	NeedOneHolder   NeedCode = "held-by-two"         // Event, the last of those that took or opened the visit
	NeedAnswer      NeedCode = "meaning-unanswered"  // Event
	NeedSupplyOff   NeedCode = "ended-off"           // Event, the act that put it off
	NeedGuarded     NeedCode = "guarded"             // Words; Event, the end
	NeedMethod      NeedCode = "no-method"
	NeedClock       NeedCode = "clock-set-back" // Event, Count
	NeedHaste       NeedCode = "hasty"          // Count
	NeedRepeated    NeedCode = "repeated"       // Event, Step; Count readings in doubt before
	NeedDoubtful    NeedCode = "doubtful"       // Event, Step; the visit went on with it
	NeedFinding     NeedCode = "does-not-fit"   // Event, Step, Finding
)

// Needs says why the visit needs somebody, oldest first.
func (c *Case) Needs() []Need {
	list := c.needsOfLines()
	if c.Visit == nil {
		return list
	}
	add := func(n Need) { list = append(list, n) }
	a := c.Visit.Account()
	outcome := c.Visit.Outcome()
	ended := outcome != visit.NotEnded
	for _, s := range a.Stops {
		if s.Slip != "" {
			add(Need{At: s.LeftAt, Code: NeedSlip, Stop: s.ID, Event: s.Slip})
		}
		if !s.LeftAt.IsZero() {
			continue
		}
		// A stop that somebody must act on stays, also after the visit has ended.
		danger := s.Category == "A" || outcome == visit.StoppedDanger
		if !ended || danger {
			add(Need{At: s.At, Code: NeedStopped, Danger: danger, Stop: s.ID, Words: s.Words, Event: s.Event})
		}
		told := func(t Telling) bool { return c.since(t, s.Event, s.At) }
		if s.Category != "" && !slices.ContainsFunc(c.tellings(s.Owner), told) {
			add(Need{At: s.At, Code: NeedOwnerTold, Danger: true, Owner: s.Owner, Stop: s.ID, Event: s.Event})
		}
	}
	for _, d := range c.Defects() {
		if d.From == FromDefect && d.Category == "A" && d.Told == nil {
			add(Need{At: d.At, Code: NeedDefectTold, Danger: true, Owner: d.Owner, Words: d.Words, Event: d.Event})
		}
	}
	for _, x := range a.Acts {
		if x.InSpite {
			add(Need{At: x.At, Code: NeedInSpite, Danger: true, Act: x.Act, Event: x.Event})
		}
		if x.Withdrawn {
			add(Need{At: x.At, Code: NeedWithdrawn, Act: x.Act, Event: x.Event})
		}
	}
	for _, x := range a.Discrepancies {
		add(Need{At: x.At, Code: NeedNotAccepted, Kind: x.Kind, Event: x.Event, Danger: canWarn(x.Kind)})
	}
	if n := len(a.Clocks); n > 0 {
		add(Need{At: a.Clocks[0].Was, Code: NeedClock, Event: a.Clocks[0].Event, Count: n})
	}
	if a.Hasty > 0 {
		add(Need{At: a.Last, Code: NeedHaste, Count: a.Hasty})
	}
	list = append(list, repeated(a)...)
	list = append(list, inDoubt(a)...)
	for _, x := range c.Findings() {
		if x.Code != FindAgain || ended {
			add(Need{At: x.At, Code: NeedFinding, Event: x.Event, Step: x.Step, Finding: x.Code})
		}
	}
	if n := len(a.Advice); n > 0 && !ended {
		l := &a.Advice[n-1]
		if l.Dangerous() == visit.MostLikely && len(l.Answers) == 0 {
			add(Need{At: l.At, Code: NeedAnswer, Event: l.Event})
		}
	}
	if o, off := a.Off(); off && a.End != nil {
		add(Need{At: o.Off, Code: NeedSupplyOff, Event: o.OffEvent})
	}
	if a.End != nil && a.End.Guarded != "" {
		add(Need{At: a.Last, Code: NeedGuarded, Danger: true, Words: a.End.Guarded, Event: c.last(record.KindEnded)})
	}
	slices.SortStableFunc(list, func(x, y Need) int { return x.At.Compare(y.At) })
	return list
}

// needsOfLines are those that come from how the lines hang together, whatever they say.
func (c *Case) needsOfLines() (list []Need) {
	add := func(n Need) { list = append(list, n) }
	last := time.Time{}
	if n := len(c.events); n > 0 {
		last = c.events[n-1].Wall
	}
	if n := len(c.Unread); n > 0 {
		add(Need{At: last, Code: NeedUnread, Count: n})
	}
	if n := len(c.Waiting); n > 0 {
		add(Need{At: c.Waiting[0].Wall, Code: NeedWaiting, Count: n,
			Danger: slices.ContainsFunc(c.Waiting, func(e record.Event) bool { return canWarn(visit.Kind(e.Kind)) })})
	}
	if n := len(c.Forks); n > 0 {
		add(Need{At: last, Code: NeedForked, Count: n})
	}
	if c.Visit == nil {
		if len(c.events)+len(c.Waiting) > 1 {
			add(Need{At: last, Code: NeedMethod, Danger: true})
		}
	} else if _, contested := c.Visit.Holder(); contested {
		add(Need{At: last, Code: NeedOneHolder, Event: c.last(record.KindOpened, record.KindTakenOver)})
	}
	return list
}

// canWarn reports whether a line of a kind can say that something is not as it should be, or that hands did
// something: until it is read, somebody may be hurt by what it says.
func canWarn(k visit.Kind) bool {
	switch k {
	case visit.KindStopped, visit.KindActed, visit.KindTookOff, visit.KindObserved, visit.KindInspected, visit.KindProved, visit.KindChecked:
		return true
	}
	return false
}

// repeated lists the readings that passed after others in doubt at the same step, where an act or a
// proof rests on them.
func repeated(a *visit.Account) []Need {
	var list []Need
	rested := map[string]bool{}
	for _, x := range a.Acts {
		for _, h := range x.Rests {
			rested[h] = true
		}
	}
	for _, p := range a.Proofs {
		for _, h := range p.Rests {
			rested[h] = true
		}
	}
	for _, r := range a.Readings {
		if r.Doubted > 0 && rested[r.Event] {
			list = append(list, Need{At: r.At, Code: NeedRepeated, Event: r.Event, Step: r.Step, Count: r.Doubted})
		}
	}
	return list
}

// inDoubt lists the readings in doubt with which a visit went on: those that nothing was read after.
func inDoubt(a *visit.Account) []Need {
	var list []Need
	for i, r := range a.Readings {
		since := func(x visit.Reading) bool { return x.Step == r.Step }
		if r.Judged.Found == visit.FoundDoubtful && !r.Withdrawn && !r.Judged.Again && !slices.ContainsFunc(a.Readings[i+1:], since) {
			list = append(list, Need{At: r.At, Code: NeedDoubtful, Event: r.Event, Step: r.Step})
		}
	}
	return list
}

// last returns the last line of one of these kinds.
func (c *Case) last(kinds ...string) string {
	for _, e := range slices.Backward(c.events) {
		if slices.Contains(kinds, e.Kind) {
			return e.Hash.String()
		}
	}
	return ""
}

// Standing is how one phase of the method stands.
type Standing string

// The standings of a phase.
const (
	PhaseDone    Standing = "done"
	PhaseNow     Standing = "now"
	PhaseStopped Standing = "stopped"
	PhaseUndone  Standing = "undone"
	PhaseGap     Standing = "gap"
	PhaseAhead   Standing = "ahead"
)

// Phases says for each phase of the method, in its order, where the visit stands in it.
func (c *Case) Phases() []Standing {
	m := c.Visit.Machine().Method
	a := c.Visit.Account()
	current := len(m.Phases)
	if s, _ := m.Step(c.Visit.Position()); s != nil {
		current = slices.IndexFunc(m.Phases, func(p method.Phase) bool { return p.ID == s.Phase })
	}
	gaps, undone := map[string]bool{}, map[string]bool{}
	for _, l := range a.LeftOut {
		if s, _ := m.Step(l.Step); s != nil {
			gaps[s.Phase] = true
		}
	}
	for _, p := range a.Proofs {
		if !p.Lost() {
			continue
		}
		for i := range m.Steps {
			if slices.Contains(m.Steps[i].Supports, p.ID) {
				undone[m.Steps[i].Phase] = true
			}
		}
	}
	ended := c.Visit.Outcome()
	stopped := c.Visit.Stop() != "" || ended == visit.StoppedDanger
	list := make([]Standing, len(m.Phases))
	for i, p := range m.Phases {
		switch {
		case i > current:
			list[i] = PhaseAhead
		case i == current && stopped:
			list[i] = PhaseStopped
		case undone[p.ID]:
			list[i] = PhaseUndone
		case i == current && ended == visit.NotEnded:
			list[i] = PhaseNow
		case i == current:
			list[i] = PhaseAhead
		case gaps[p.ID]:
			list[i] = PhaseGap
		default:
			list[i] = PhaseDone
		}
	}
	return list
}
