package visit

import (
	"time"

	"meterwright/instrument"
	"meterwright/site"
)

// Refusal is why an event was refused, in the three parts that a person is told. It holds
// codes with their arguments; package say has the sentences.
type Refusal struct {
	// Rows names the rows of the guard table that refuse, in the table's order.
	Rows []Row `json:"rows"`
	// What cannot be done.
	What Reason `json:"what"`
	// Lacks says what undid it, or what is missing.
	Lacks []Reason `json:"lacks"`
	// Ways is the way on.
	Ways []Reason `json:"ways"`
}

// Error names the rows: it is for a log. Package say has the words for a person.
func (r *Refusal) Error() string {
	text := "refused by"
	for _, row := range r.Rows {
		text += " " + string(row)
	}
	return text
}

// Back returns the step to go back to, if a way on leads to one.
func (r *Refusal) Back() (step string, ok bool) {
	for _, w := range r.Ways {
		if (w.Code == GoBack || w.Code == ActFirst) && w.Step != "" {
			return w.Step, true
		}
	}
	return "", false
}

// Reason is one statement: a code with the arguments that the code's comment names.
type Reason struct {
	Code    Code                    `json:"code"`
	Step    string                  `json:"step,omitempty"`
	Act     site.ActID              `json:"act,omitempty"`
	Proof   string                  `json:"proof,omitempty"`
	Stop    string                  `json:"stop,omitempty"`
	Outcome string                  `json:"outcome,omitempty"`
	Items   []string                `json:"items,omitempty"`
	Kinds   []instrument.Kind       `json:"kinds,omitempty"`
	Sources []instrument.SourceKind `json:"sources,omitempty"`
	Switch  site.SwitchID           `json:"switch,omitempty"`
	Is      site.Position           `json:"is,omitempty"`
	Should  site.Position           `json:"should,omitempty"`
	Cause   *Cause                  `json:"cause,omitempty"`
	Fact    string                  `json:"fact,omitempty"`
	Value   string                  `json:"value,omitempty"`
}

// Code names what a Reason says.
type Code string

// What cannot be done.
const (
	CannotAct      Code = "cannot-act"      // Act
	CannotStep     Code = "cannot-step"     // Step
	CannotTakeOff  Code = "cannot-take-off" // Items
	CannotPutOn    Code = "cannot-put-on"   // Items
	CannotProve    Code = "cannot-prove"    // Kinds, one
	CannotReturn   Code = "cannot-return"
	CannotResume   Code = "cannot-resume"
	CannotCallDone Code = "cannot-call-done"
	CannotOpen     Code = "cannot-open"
	CannotTakeBack Code = "cannot-take-back"
	CannotNow      Code = "cannot-now"
)

// What undid it, or what is missing.
const (
	NotOpened       Code = "not-opened"
	OpenedAlready   Code = "opened-already"
	NotYetEnded     Code = "not-yet-ended"
	HasEnded        Code = "has-ended" // Outcome
	IsAway          Code = "is-away"
	InAnotherHand   Code = "in-another-hand"
	HeldByTwo       Code = "held-by-two"
	NotSeen         Code = "not-seen"
	StopInForce     Code = "stop-in-force" // Stop
	AnotherInTurn   Code = "another-in-turn"
	NoStepLeft      Code = "no-step-left"
	LiveEntryOnly   Code = "live-entry-only"
	NotChecked      Code = "not-checked"      // Items
	NotWorn         Code = "not-worn"         // Items
	NotTakenUp      Code = "not-taken-up"     // Kinds, one
	PastCalibration Code = "past-calibration" // Kinds, one
	SourceUnsuited  Code = "source-unsuited"  // Kinds, one
	NotProved       Code = "not-proved"       // Kinds, one
	NoLongerProved  Code = "no-longer-proved" // Kinds, one; Cause
	NotShown        Code = "not-shown"        // Proof
	NoLongerShown   Code = "no-longer-shown"  // Proof, Cause
	Unfinished      Code = "unfinished"       // Proof
	AwaitsProving   Code = "awaits-proving"   // Proof
	SwitchStands    Code = "switch-stands"    // Switch, Is; Should unless it is about the end
	WithinReach     Code = "within-reach"
	LaterStep       Code = "later-step"
	NobodyTold      Code = "nobody-told"
	NoStopInForce   Code = "no-stop-in-force"
	StopEndsWork    Code = "stop-ends-work" // Stop
	StepsLeft       Code = "steps-left"     // Step
	StepOwed        Code = "step-owed"      // Step
	OnAWayBack      Code = "on-a-way-back"  // Fact, Value
	NotTheLast      Code = "not-the-last"
	NotOnesOwn      Code = "not-ones-own"
	SlippedBefore   Code = "slipped-before"
)

// The ways on.
const (
	OpenFirst     Code = "open-first"
	GoOn          Code = "go-on"
	AddNote       Code = "add-note"
	AddSupplement Code = "add-supplement"
	SayBack       Code = "say-back"
	TakeOver      Code = "take-over"
	SettleHolder  Code = "settle-holder"
	FollowStop    Code = "follow-stop"
	CarryOut      Code = "carry-out" // Step
	EndOrGoBack   Code = "end-or-go-back"
	EnterNow      Code = "enter-now"
	CheckFirst    Code = "check-first"     // Items
	PutOnFirst    Code = "put-on-first"    // Items
	TakeUp        Code = "take-up"         // Kinds, one
	TakeUpAnother Code = "take-up-another" // Kinds, one
	ProveOn       Code = "prove-on"        // Kinds, one; Sources
	ProveOrOther  Code = "prove-or-other"  // Kinds, one
	ProveAgain    Code = "prove-again"     // Kinds
	GoBack        Code = "go-back"         // Step
	ActFirst      Code = "act-first"       // Act; Step where there is one to go back to
	TellSomebody  Code = "tell-somebody"
	EndVisit      Code = "end-visit"
	EndOtherwise  Code = "end-otherwise"
	CorrectIt     Code = "correct-it"
)

// Cause is what made earlier evidence count for nothing.
type Cause struct {
	Code CauseCode `json:"code"`
	// Event is the hash of the event that did it, At its time.
	Event string    `json:"event,omitempty"`
	At    time.Time `json:"at,omitzero"`

	Kind   instrument.Kind        `json:"instrument,omitempty"`
	Shows  *instrument.Indication `json:"shows,omitempty"`
	Source instrument.SourceKind  `json:"source,omitempty"`
	Step   string                 `json:"step,omitempty"`
	Answer string                 `json:"answer,omitempty"`
	Act    site.ActID             `json:"act,omitempty"`
}

// CauseCode names a Cause.
type CauseCode string

// The causes.
const (
	ByTime           CauseCode = "time-passed"
	ByUnknownTime    CauseCode = "time-unknown"
	ByActInSpite     CauseCode = "act-in-spite"
	ByDate           CauseCode = "date-passed"         // Kind where it is an instrument's
	ByReplacement    CauseCode = "instrument-replaced" // Kind
	ByProving        CauseCode = "proving-failed"      // Kind, Shows, Source
	ByReading        CauseCode = "seen-otherwise"      // Step, Shows
	ByAnswer         CauseCode = "answered"            // Step, Answer
	ByFact           CauseCode = "other-fact"          // Step
	ByAct            CauseCode = "act"                 // Act
	ByLeavingOut     CauseCode = "left-out"            // Step
	ByLeaving        CauseCode = "position-left"
	ByHandOver       CauseCode = "handed-over"
	ByCorrection     CauseCode = "corrected"
	BySlip           CauseCode = "slip"
	ByWithdrawnProof CauseCode = "proving-withdrawn"
	ByStop           CauseCode = "stop-declared"
	BySomethingElse  CauseCode = "something-else"
)
