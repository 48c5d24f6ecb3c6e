package visit

import (
	"math/bits"
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
	End           *Ended         `json:"end,omitempty"`
	People        map[string]int `json:"people"`

	events []kept
	byHash map[string]int
	toolID [10]string
	// bracket is 1 + the index of the bracket that is open for a kind of instrument.
	bracket [10]int
	runs    [method.MaxProofs][]string
	carrier int
}

// kept is what corrections need of an event.
type kept struct {
	hash  string
	body  Body
	wall  time.Time
	do    doing
	step  int16
	tool  int8
	items uint8
}

// Line is one sentence of the story.
type Line struct {
	At    time.Time `json:"at"`
	Event string    `json:"event"`
	Kind  Kind      `json:"kind"`
	Words string    `json:"words"`
	// Happened is given when the line was entered after its phase.
	Happened string `json:"happened,omitempty"`
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
}

// Bracket is the time between two provings of one instrument.
type Bracket struct {
	Kind       instrument.Kind `json:"instrument"`
	Instrument string          `json:"instrument_id"`
	Source     ProvingSource   `json:"source"`
	Opened     string          `json:"opened"`
	OpenedAt   time.Time       `json:"opened_at"`
	// State is open, closed or void.
	State    string         `json:"state"`
	Closed   string         `json:"closed,omitempty"`
	ClosedAt time.Time      `json:"closed_at,omitzero"`
	ClosedOn *ProvingSource `json:"closed_on,omitempty"`
	Why      string         `json:"why,omitempty"`
}

// ProofLine is how one proof stands and what became of it.
type ProofLine struct {
	ID    string    `json:"id"`
	Words string    `json:"words"`
	State string    `json:"state"`
	Since time.Time `json:"since,omitzero"`
	// Rests lists the events that the proof rests on while it holds.
	Rests  []string `json:"rests,omitempty"`
	Undone []Undone `json:"undone,omitempty"`
}

// Undone is one time that a proof, or the run towards it, came to nothing.
type Undone struct {
	At    time.Time `json:"at"`
	Event string    `json:"event"`
	// Held says that the proof held until then.
	Held bool   `json:"held"`
	Why  string `json:"why"`
}

// ActLine is one act with the observations that it rested on.
type ActLine struct {
	Event   string     `json:"event"`
	At      time.Time  `json:"at"`
	Step    string     `json:"step,omitempty"`
	Act     site.ActID `json:"act"`
	Words   string     `json:"words"`
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

// StopLine is one stop.
type StopLine struct {
	ID       string    `json:"id"`
	Title    string    `json:"title"`
	At       time.Time `json:"at"`
	Event    string    `json:"event"`
	Scheme   string    `json:"scheme,omitempty"`
	Category string    `json:"category,omitempty"`
	Owner    string    `json:"owner,omitempty"`
	LeftAt   time.Time `json:"left_at,omitzero"`
	Why      string    `json:"why,omitempty"`
}

// Remark is an unexpected answer that does not stop the visit.
type Remark struct {
	Event    string    `json:"event"`
	At       time.Time `json:"at"`
	Step     string    `json:"step"`
	Words    string    `json:"words"`
	Scheme   string    `json:"scheme,omitempty"`
	Category string    `json:"category,omitempty"`
	Owner    string    `json:"owner,omitempty"`
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
}

// LeftOutLine is one step that was not carried out.
type LeftOutLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Step  string    `json:"step"`
	Say   string    `json:"say"`
	How   string    `json:"how"`
	Why   string    `json:"why"`
}

// Outage is one time without supply.
type Outage struct {
	Off      time.Time `json:"off"`
	OffEvent string    `json:"off_event"`
	On       time.Time `json:"on,omitzero"`
	OnEvent  string    `json:"on_event,omitempty"`
}

// Correction is one correction with what it took back.
type Correction struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Of    string    `json:"of"`
	Was   string    `json:"was"`
	Now   string    `json:"now,omitempty"`
	Why   string    `json:"why"`
}

// Discrepancy is an event of a record that this engine does not accept.
type Discrepancy struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Kind  Kind      `json:"kind"`
	Why   string    `json:"why"`
}

func newAccount(m *Machine) *Account {
	a := &Account{byHash: map[string]int{}, carrier: -1, People: map[string]int{},
		Story: []Line{}, Readings: []Reading{}, Brackets: []Bracket{}, Proofs: []ProofLine{}, Acts: []ActLine{},
		Refusals: []RefusalLine{}, Stops: []StopLine{}, Remarks: []Remark{}, Defects: []DefectLine{}, Reports: []ReportLine{},
		Entries: []EntryLine{}, LeftOut: []LeftOutLine{}, Supply: []Outage{}, Dependants: []Dependant{},
		Photographs: []Photograph{}, Corrections: []Correction{}, Instruments: []Instrument{}, Advice: []AdviceLine{}, Discrepancies: []Discrepancy{}}
	for _, p := range m.Method.Proofs {
		a.Proofs = append(a.Proofs, ProofLine{ID: p.ID, Words: p.Words, State: "not yet shown"})
	}
	for i, w := range m.Method.Switches {
		if w.ID == site.Carrier || w.ID == site.VFuses {
			a.carrier = i
		}
	}
	return a
}

var phaseWords = [...]string{"not shown", "being shown", "waiting for the second proving", "holds"}

func (a *Account) discrepancy(e *Event, why string) {
	kind := Kind("")
	if e.Body != nil {
		kind = e.Body.kind()
	}
	a.Discrepancies = append(a.Discrepancies, Discrepancy{Event: e.Hash, At: e.Wall, Kind: kind, Why: why})
}

// lapsed notes the proofs that time undid.
func (a *Account) lapsed(v *Visit, e *Event, before, after *Control, elapsedMS int64) {
	a.proofs(v, e, before, after, lapseWords(elapsedMS))
}

// lapseWords says how time undid a proof.
func lapseWords(elapsedMS int64) string {
	if elapsedMS < 0 {
		return "how much time had passed is not known, because the device restarted or its clock went back"
	}
	return "too much time had passed"
}

// proofs notes every proof that came to hold or to nothing.
func (a *Account) proofs(v *Visit, e *Event, before, after *Control, why string) {
	for i := range a.Proofs {
		was, is := before.proofs[i].phase, after.proofs[i].phase
		line := &a.Proofs[i]
		line.State = phaseWords[is]
		if is == proofHeld && was != proofHeld {
			line.Since = e.Wall
			line.Rests = append([]string(nil), a.runs[i]...)
		}
		if is == proofNone && was != proofNone {
			line.Undone = append(line.Undone, Undone{At: e.Wall, Event: e.Hash, Held: was == proofHeld, Why: why})
			line.Since, line.Rests, a.runs[i] = time.Time{}, nil, nil
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

// rests gathers the events under a set of proofs.
func (a *Account) rests(set uint16) []string {
	var out []string
	for ; set != 0; set &= set - 1 {
		out = append(out, a.Proofs[bits.TrailingZeros16(set)].Rests...)
	}
	return out
}

// Off reports whether the supply is off, and since when.
func (a *Account) Off() (since time.Time, off bool) {
	if n := len(a.Supply); n > 0 && a.Supply[n-1].On.IsZero() {
		return a.Supply[n-1].Off, true
	}
	return time.Time{}, false
}
