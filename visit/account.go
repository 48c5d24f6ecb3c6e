package visit

import (
	"slices"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
)

// Account is the narrative of a visit: everything a person wants to read, and
// nothing that decides. All its lists are in the order of the events.
type Account struct {
	Opened        *Opened        `json:"opened,omitempty"`
	Begun         time.Time      `json:"begun,omitzero"`
	Last          time.Time      `json:"last,omitzero"`
	Story         []Line         `json:"story"`
	Readings      []Reading      `json:"readings"`
	Brackets      []Bracket      `json:"brackets"`
	Proofs        []ProofLine    `json:"proofs"`
	Acts          []ActLine      `json:"acts"`
	Refusals      []RefusalLine  `json:"refusals"`
	Stops         []StopLine     `json:"stops"`
	Remarks       []Remark       `json:"remarks"`
	Defects       []DefectLine   `json:"defects"`
	Reports       []ReportLine   `json:"reports"`
	Entries       []EntryLine    `json:"entries"`
	LeftOut       []LeftOutLine  `json:"left_out"`
	Supply        []Outage       `json:"supply"`
	Dependants    []Dependant    `json:"dependants"`
	Photographs   []Photograph   `json:"photographs"`
	Corrections   []Correction   `json:"corrections"`
	Instruments   []Instrument   `json:"instruments"`
	Advice        []AdviceLine   `json:"advice"`
	Discrepancies []Discrepancy  `json:"discrepancies"`
	Clocks        []ClockSetBack `json:"clocks"`
	// Hasty counts the provings, readings and acts that were entered live sooner after the one before
	// than hands can follow.
	Hasty  int            `json:"hasty,omitempty"`
	End    *Ended         `json:"end,omitempty"`
	People map[string]int `json:"people"`

	events []kept
	byHash map[string]int
	supply int
}

// kept is what corrections need of an event.
type kept struct {
	hash   string
	person string
	body   Body
	do     doing
	step   int16
	tool   int8
	items  uint8
	// result is what the engine made of it.
	result result
}

// Line is one accepted event of the story. What it says is in its body; see [Account.Body].
type Line struct {
	At    time.Time `json:"at"`
	Event string    `json:"event"`
	Kind  Kind      `json:"kind"`
	// Step is the step that it carried out or was about, if any.
	Step string `json:"step,omitempty"`
	// Found is what the engine made of an answer: expected, doubtful, unexpected or withdrawn.
	Found Found `json:"found,omitempty"`
	// Happened is given when the line was entered after its phase.
	Happened string `json:"happened,omitempty"`
	// By is who took the visit over, and From in whose hands it was, where the line says that a device did.
	By   string `json:"by,omitempty"`
	From string `json:"from,omitempty"`
	// Lacked says what was missing when it was done all the same, in spite of a refusal.
	Lacked []Reason `json:"lacked,omitempty"`
}

// Reading is one observation with everything that it rests on.
type Reading struct {
	Event      string                `json:"event"`
	At         time.Time             `json:"at"`
	Happened   string                `json:"happened,omitempty"`
	Step       string                `json:"step"`
	Kind       instrument.Kind       `json:"instrument"`
	Instrument string                `json:"instrument_id"`
	Point      string                `json:"point"`
	Against    string                `json:"against"`
	Shows      instrument.Indication `json:"shows"`
	Judged     Judged                `json:"judged"`
	Bounds     *method.Bounds        `json:"bounds,omitempty"`
	// Bracket is the index in Brackets, or -1 when the instrument was not proved.
	Bracket   int               `json:"bracket"`
	Worn      []string          `json:"worn"`
	Switches  map[string]string `json:"switches"`
	Withdrawn bool              `json:"withdrawn,omitempty"`
	Note      string            `json:"note,omitempty"`
	// Doubted counts the readings at the same step that were in doubt before this one.
	Doubted int `json:"doubted,omitempty"`
}

// ClockSetBack is a device's clock that stood earlier than at the event before it.
type ClockSetBack struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	// Was is what the clock had shown at the event before.
	Was time.Time `json:"was"`
}

// Bracket is the time between two provings of one instrument.
type Bracket struct {
	Kind       instrument.Kind `json:"instrument"`
	Instrument string          `json:"instrument_id"`
	Source     ProvingSource   `json:"source"`
	Opened     string          `json:"opened"`
	OpenedAt   time.Time       `json:"opened_at"`
	State      BracketState    `json:"state"`
	Closed     string          `json:"closed,omitempty"`
	ClosedAt   time.Time       `json:"closed_at,omitzero"`
	ClosedOn   *ProvingSource  `json:"closed_on,omitempty"`
	// Void says what made it void.
	Void *Cause `json:"void,omitempty"`
}

// BracketState is how the time between two provings stands.
type BracketState string

// The states of a bracket. A reading counts in a closed one only.
const (
	BracketOpen   BracketState = "open"
	BracketClosed BracketState = "closed"
	BracketVoid   BracketState = "void"
)

// ProofLine is how one proof stands and what became of it.
type ProofLine struct {
	ID    string     `json:"id"`
	State ProofState `json:"state"`
	Since time.Time  `json:"since,omitzero"`
	// Rests lists the events that the proof rests on while it holds.
	Rests  []string `json:"rests,omitempty"`
	Undone []Undone `json:"undone,omitempty"`
}

// Lost reports whether the proof came to nothing last, otherwise than by the work that it was made
// for, and was not shown again.
func (p *ProofLine) Lost() bool {
	n := len(p.Undone)
	return n > 0 && p.State != ProofHolds && p.Undone[n-1].Cause.Code != ByAct && (p.Undone[n-1].Held || p.State == ProofNotShown)
}

// Undone is one time that a proof, or the run towards it, came to nothing.
type Undone struct {
	// Since is when it came to hold, if it held.
	Since time.Time `json:"since,omitzero"`
	At    time.Time `json:"at"`
	Event string    `json:"event"`
	// Held says that the proof held until then.
	Held  bool  `json:"held"`
	Cause Cause `json:"cause"`
}

// Served reports whether a proof came to nothing by the very work that it was made for.
func (u *Undone) Served() bool { return u.Held && u.Cause.Code == ByAct }

// ProofState is how a proof stands.
type ProofState string

// The states of a proof.
const (
	ProofNotShown ProofState = "not-shown"
	ProofRunning  ProofState = "being-shown"
	ProofAwaiting ProofState = "awaits-proving"
	ProofHolds    ProofState = "holds"
	// ProofServed: it held until the work that it was made for undid it.
	ProofServed ProofState = "served"
	// ProofUndone: it held, and came to nothing otherwise.
	ProofUndone ProofState = "undone"
)

// ActLine is one act with the observations that it rested on.
type ActLine struct {
	Event   string     `json:"event"`
	At      time.Time  `json:"at"`
	Step    string     `json:"step,omitempty"`
	Act     site.ActID `json:"act"`
	Worn    []string   `json:"worn"`
	InSpite bool       `json:"in_spite,omitempty"`
	Why     string     `json:"why,omitempty"`
	Rests   []string   `json:"rests,omitempty"`
	// Withdrawn says that it rested on an observation that was later withdrawn.
	Withdrawn bool   `json:"rested_on_withdrawn,omitempty"`
	Happened  string `json:"happened,omitempty"`
}

// RefusalLine is one refusal as it was told.
type RefusalLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Refused
}

// Declared is the id of a stop that a person declared without a rule of the method.
const Declared = "declared"

// StopLine is one stop.
type StopLine struct {
	// ID is that of the method's stop, or Declared.
	ID string `json:"id"`
	// Words is what the person said who declared it.
	Words    string       `json:"words,omitempty"`
	At       time.Time    `json:"at"`
	Event    string       `json:"event"`
	Scheme   string       `json:"scheme,omitempty"`
	Category string       `json:"category,omitempty"`
	Owner    method.Owner `json:"owner,omitempty"`
	// LeftAt is given where it is in force on no device any longer, with Why, or with Slip: the slip that it came
	// from, where it was lifted because the point had been tested again.
	LeftAt time.Time `json:"left_at,omitzero"`
	Why    string    `json:"why,omitempty"`
	Slip   string    `json:"slip,omitempty"`

	left left
}

// left is where somebody decided to go on after a stop, on one device.
type left struct {
	at        time.Time
	why, slip string
}

// Remark is an unexpected answer that does not stop the visit. Its words stand at the step.
type Remark struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Step  string    `json:"step"`
	// Outcome is what the answer led to, as method.Step.Outcome has it.
	Outcome  int          `json:"outcome,omitempty"`
	Scheme   string       `json:"scheme,omitempty"`
	Category string       `json:"category,omitempty"`
	Owner    method.Owner `json:"owner,omitempty"`
	// Withdrawn says that the answer was a slip, and that the step was answered again.
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// DefectLine is one defect that the person recorded.
type DefectLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Defect
}

// ReportLine is one report to somebody.
type ReportLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Reported
}

// EntryLine is what was entered at one step.
type EntryLine struct {
	Event       string                `json:"event"`
	At          time.Time             `json:"at"`
	Step        string                `json:"step"`
	Entries     map[string]string     `json:"entries"`
	Photographs map[string]Attachment `json:"photographs,omitempty"`
	// Corrects is the event whose entries these replace, by field. Both lines stand.
	Corrects string `json:"corrects,omitempty"`
	// Withdrawn says that they were taken back as a slip.
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// LeftOutLine is one step that was not carried out.
type LeftOutLine struct {
	Event string          `json:"event"`
	At    time.Time       `json:"at"`
	Step  string          `json:"step"`
	How   method.Omission `json:"how"`
	Why   string          `json:"why"`
}

// Outage is one time without supply.
type Outage struct {
	Off      time.Time `json:"off"`
	OffEvent string    `json:"off_event"`
	On       time.Time `json:"on,omitzero"`
	OnEvent  string    `json:"on_event,omitempty"`
}

// Correction is one correction; what it took back is the body of the event that it is of.
type Correction struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Of    string    `json:"of"`
	Corrected
	// Step is the step whose answer a slip took back, Tested the event that answered it again straight away.
	Step   string `json:"step,omitempty"`
	Tested string `json:"tested,omitempty"`
	// Stop is the stop that a slip left in force, Lifted when it was lifted because the point had been tested again.
	Stop   string    `json:"stop,omitempty"`
	Lifted time.Time `json:"lifted,omitzero"`
}

// Discrepancy is an event of a record that this engine does not accept.
type Discrepancy struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Kind  Kind      `json:"kind"`
	// Refusal says why, or Fault where the event makes no sense in this visit.
	Refusal *Refusal `json:"refusal,omitempty"`
	Fault   string   `json:"fault,omitempty"`
}

func newAccount(m *Machine) *Account {
	a := &Account{byHash: map[string]int{}, supply: supplySwitch(m.Method), People: map[string]int{},
		Story: []Line{}, Readings: []Reading{}, Brackets: []Bracket{}, Proofs: []ProofLine{}, Acts: []ActLine{},
		Refusals: []RefusalLine{}, Stops: []StopLine{}, Remarks: []Remark{}, Defects: []DefectLine{}, Reports: []ReportLine{},
		Entries: []EntryLine{}, LeftOut: []LeftOutLine{}, Supply: []Outage{}, Dependants: []Dependant{},
		Photographs: []Photograph{}, Corrections: []Correction{}, Instruments: []Instrument{}, Advice: []AdviceLine{}, Discrepancies: []Discrepancy{}, Clocks: []ClockSetBack{}}
	for _, p := range m.Method.Proofs {
		a.Proofs = append(a.Proofs, ProofLine{ID: p.ID, State: ProofNotShown})
	}
	return a
}

func (a *Account) discrepancy(e *Event, refusal *Refusal, err error) {
	d := Discrepancy{Event: e.Hash, At: e.Wall, Refusal: refusal}
	if e.Body != nil {
		d.Kind = e.Body.kind()
	}
	if err != nil {
		d.Fault = err.Error()
	}
	a.Discrepancies = append(a.Discrepancies, d)
}

// timeCause says how time undid a proof.
func timeCause(p *passed) Cause {
	if p.elapsedMS < 0 {
		return Cause{Code: ByUnknownTime}
	}
	return Cause{Code: ByTime}
}

// proofs notes every proof that came to hold or to nothing, in the state that the event leads to.
func (a *Account) proofs(e *Event, to *state, before, after *Control, cause Cause) {
	for i := range a.Proofs {
		was, is := before.proofs[i].phase, after.proofs[i].phase
		if is == proofHeld && was != proofHeld {
			to.since[i] = e.Wall
		}
		if is == proofNone && was != proofNone {
			a.Proofs[i].Undone = append(a.Proofs[i].Undone, Undone{Since: to.since[i], At: e.Wall, Event: e.Hash, Held: was == proofHeld, Cause: cause})
			to.since[i], to.runs[i] = time.Time{}, nil
		}
	}
}

// clocks notes what an event says of the clock that it was made by.
func (a *Account) clocks(at *state, e *Event, r *reduced) {
	if at.wall.Sub(e.Wall) > setBack {
		a.Clocks = append(a.Clocks, ClockSetBack{Event: e.Hash, At: e.Wall, Was: at.wall})
	}
	if r.byHand() && e.Boot == at.boot && at.answered >= 0 && e.Mono >= at.answered && e.Mono-at.answered < hasteMS {
		a.Hasty++
	}
}

// outdate takes the dates that have passed out of a state whose other time has passed.
func (v *Visit) outdate(e *Event, to *state, c *Control, r *reduced) {
	if r.pastItems == 0 && r.pastTools == 0 {
		return
	}
	before := *c
	v.machine.lapse(c, &passed{pastItems: r.pastItems, pastTools: r.pastTools})
	to.control = *c
	for i, m := range instrument.Models() {
		if before.tools[i] == toolProved && c.tools[i] != toolProved {
			v.account.closeBracket(to, i, e, &Cause{Code: ByDate, Event: e.Hash, At: e.Wall, Kind: m.Kind})
		}
	}
	v.account.proofs(e, to, &before, c, Cause{Code: ByDate})
}

// standing brings proofs and stops to how they stand in the whole visit.
func (a *Account) standing(now *state) {
	for i := range a.Stops {
		s := &a.Stops[i]
		s.LeftAt, s.Why, s.Slip = s.left.at, s.left.why, s.left.slip
		if slices.Contains(now.stops, i) {
			s.LeftAt, s.Why, s.Slip = time.Time{}, "", ""
		}
	}
	for i := range a.Proofs {
		line := &a.Proofs[i]
		line.Since, line.Rests = time.Time{}, nil
		switch now.control.proofs[i].phase {
		case proofHeld:
			line.State, line.Since, line.Rests = ProofHolds, now.since[i], now.runs[i]
		case proofAwaiting:
			line.State = ProofAwaiting
		case proofRunning:
			line.State = ProofRunning
		default:
			line.State = ProofNotShown
			if u := a.lastUndone(i); u != nil && u.Served() {
				line.State = ProofServed
			} else if u != nil && u.Held {
				line.State = ProofUndone
			}
		}
	}
}

// lastUndone returns the last time that a proof came to nothing.
func (a *Account) lastUndone(proof int) *Undone {
	u := a.Proofs[proof].Undone
	if len(u) == 0 {
		return nil
	}
	return &u[len(u)-1]
}

// Off returns the first time without supply that has not come to an end, and reports whether there is one.
func (a *Account) Off() (o Outage, off bool) {
	i := slices.IndexFunc(a.Supply, func(o Outage) bool { return o.On.IsZero() })
	if i < 0 {
		return o, false
	}
	return a.Supply[i], true
}

// Body returns what an accepted event of the visit says. The caller must not change it.
func (a *Account) Body(event string) (Body, bool) {
	i, ok := a.byHash[event]
	if !ok {
		return nil, false
	}
	return a.events[i].body, true
}
