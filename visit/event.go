package visit

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
)

// Kind names a kind of event as it stands in a record.
type Kind string

// The kinds of event. Opened, TakenOver, Ended and Supplement are the record's
// own; it knows no others.
const (
	KindOpened     Kind = "opened"
	KindMethod     Kind = "method"
	KindTookUp     Kind = "took-up"
	KindChecked    Kind = "checked"
	KindPutOn      Kind = "put-on"
	KindTookOff    Kind = "took-off"
	KindProved     Kind = "proved"
	KindObserved   Kind = "observed"
	KindInspected  Kind = "inspected"
	KindDecided    Kind = "decided"
	KindRecorded   Kind = "recorded"
	KindActed      Kind = "acted"
	KindLeftOut    Kind = "left-out"
	KindReturned   Kind = "returned"
	KindWentAway   Kind = "went-away"
	KindCameBack   Kind = "came-back"
	KindCorrected  Kind = "corrected"
	KindStopped    Kind = "stopped"
	KindReported   Kind = "reported"
	KindResumed    Kind = "resumed"
	KindRefused    Kind = "refused"
	KindDefect     Kind = "defect"
	KindDependant  Kind = "dependant"
	KindPhotograph Kind = "photograph"
	KindNoted      Kind = "noted"
	KindAdvised    Kind = "advised"
	KindAnswered   Kind = "answered"
	KindTakenOver  Kind = "taken-over"
	KindHandedOver Kind = "handed-over"
	KindEnded      Kind = "ended"
	KindSupplement Kind = "supplement"
)

// Quiet reports whether an event changes nothing for whoever acts on what stood before it: advice, and
// an answer to it.
func (k Kind) Quiet() bool { return k == KindAdvised || k == KindAnswered }

// Timeless reports whether what an event says stands as well after other events, so that it is
// recorded from a page of an older state too.
func (k Kind) Timeless() bool {
	switch k {
	case KindStopped, KindReported, KindPhotograph, KindNoted, KindDefect, KindDependant, KindAnswered, KindSupplement:
		return true
	}
	return false
}

// Correctable reports whether what an event says can be taken back by a correction.
func (k Kind) Correctable() bool {
	switch k {
	case KindTookUp, KindChecked, KindProved, KindObserved, KindInspected, KindDecided, KindRecorded:
		return true
	}
	return false
}

// Body is what an event says. Every body is one of the types of this file.
type Body interface{ kind() Kind }

// Entry says how an answer came into the record. The zero value means live.
type Entry struct {
	// Entered is "after" for an answer entered after the phase, empty for live.
	Entered string `json:"entered,omitempty"`
	// Happened is when it happened, RFC 3339, required when entered after.
	Happened string `json:"happened,omitempty"`
}

func (e Entry) happened() string { return e.Happened }

// Attachment refers to something kept beside the record, by its hash.
type Attachment struct {
	ID    string `json:"attachment"`
	Media string `json:"media"`
	Bytes int64  `json:"bytes"`
}

// Premises is where a visit takes place. Names of people stand in attachments.
type Premises struct {
	Address    string `json:"address"`
	MeterPoint string `json:"meter_point"`
	Meter      string `json:"meter"`
}

// Opened begins a visit.
type Opened struct {
	Job         string      `json:"job"`
	Premises    Premises    `json:"premises"`
	Method      string      `json:"method"`
	Edition     string      `json:"edition"`
	MethodHash  string      `json:"method_hash"`
	Engine      string      `json:"engine"`
	ClockOffset string      `json:"clock_offset_s,omitempty"`
	People      *Attachment `json:"people,omitempty"`
	Fictional   bool        `json:"fictional,omitempty"`
}

// Method carries the resolved method, so that the record stands by itself.
type Method struct {
	Resolved jsontext.Value `json:"resolved"`
}

// Instrument is one instrument with what its user must know of it.
type Instrument struct {
	Kind instrument.Kind `json:"kind"`
	ID   string          `json:"id"`
	// Due is the day on which its calibration falls due, YYYY-MM-DD.
	Due   string `json:"calibration_due,omitempty"`
	Leads string `json:"leads,omitempty"`
}

// TookUp makes an instrument ready for use.
type TookUp struct {
	Instrument Instrument `json:"instrument"`
	Entry
}

// Checked is the inspection of a piece of protection.
type Checked struct {
	Item string `json:"item"`
	ID   string `json:"id,omitempty"`
	// Due is the day on which its test falls due, YYYY-MM-DD.
	Due string `json:"test_due,omitempty"`
	// Found is sound or failed.
	Found string `json:"found"`
	Note  string `json:"note,omitempty"`
	Entry
}

// PutOn says that protection is worn from now on.
type PutOn struct {
	Items []string `json:"items"`
	Entry
}

// TookOff says that protection is no longer worn.
type TookOff struct {
	Items   []string `json:"items"`
	InSpite bool     `json:"in_spite,omitempty"`
	Why     string   `json:"why,omitempty"`
	Entry
}

// ProvingSource is what an instrument was proved on.
type ProvingSource struct {
	Kind instrument.SourceKind `json:"kind"`
	ID   string                `json:"id,omitempty"`
	// Nominal is the value that the source gives, for example "230 V".
	Nominal string `json:"nominal,omitempty"`
}

// Proved is one proving of an instrument.
type Proved struct {
	Kind   instrument.Kind       `json:"kind"`
	ID     string                `json:"id"`
	Source ProvingSource         `json:"source"`
	Shows  instrument.Indication `json:"shows"`
	Entry
}

// Observed is one reading at a point against another.
type Observed struct {
	Step  string                `json:"step"`
	Shows instrument.Indication `json:"shows"`
	Note  string                `json:"note,omitempty"`
	Entry
}

// Inspected is the answer to a question.
type Inspected struct {
	Step   string `json:"step"`
	Answer string `json:"answer"`
	Note   string `json:"note,omitempty"`
	Entry
}

// Decided is a fact found on site.
type Decided struct {
	Step  string `json:"step"`
	Value string `json:"value"`
	Entry
}

// Recorded is what was entered at a step, by field.
type Recorded struct {
	Step    string            `json:"step"`
	Entries map[string]string `json:"entries"`
	// Photographs refers to pictures by field.
	Photographs map[string]Attachment `json:"photographs,omitempty"`
	Entry
}

// Acted is a change that a person made.
type Acted struct {
	// Step is the step in turn, or empty for an act that makes safe out of turn.
	Step string     `json:"step,omitempty"`
	Act  site.ActID `json:"act"`
	// InSpite says that the act was done although it was refused.
	InSpite bool   `json:"in_spite,omitempty"`
	Why     string `json:"why,omitempty"`
	Entry
}

// LeftOut says that a step was not carried out.
type LeftOut struct {
	Step string          `json:"step"`
	How  method.Omission `json:"how"`
	Why  string          `json:"why"`
	Entry
}

// Returned goes back to an earlier step.
type Returned struct {
	Step string `json:"step"`
	Why  string `json:"why"`
}

// WentAway says that the person left the service position.
type WentAway struct {
	Why string `json:"why,omitempty"`
}

// CameBack says that the person is at the service position again.
type CameBack struct{}

// CorrectionReason says how an answer came to be wrong.
type CorrectionReason string

// The reasons. A mistake is the one where none is given, and needs its Why.
const (
	Mistake CorrectionReason = ""
	// Slip is the wrong button, taken back at once.
	Slip CorrectionReason = "slip"
)

// Corrected takes back an earlier answer. Now is empty when the answer is
// withdrawn without another in its place, as a slip always is.
type Corrected struct {
	// Event is the hash of the event that it corrects.
	Event  string           `json:"event"`
	Reason CorrectionReason `json:"reason,omitempty"`
	Now    string           `json:"now,omitempty"`
	// Entries replaces entries of a recorded event, by field.
	Entries map[string]string `json:"entries,omitempty"`
	Why     string            `json:"why,omitempty"`
}

// Stopped is a stop that the person declares. Stop is the id of one of the method's, where it is one of these.
type Stopped struct {
	Stop string `json:"stop,omitempty"`
	Why  string `json:"why"`
}

// Whoever can be told beside the owners of defects.
const (
	Emergency    method.Owner = "emergency-services"
	SomebodyElse method.Owner = "other"
)

// Tellable lists whoever can be told, in a fixed order.
func Tellable() []method.Owner { return append(method.Owners(), Emergency, SomebodyElse) }

// Reported says who was told.
type Reported struct {
	To method.Owner `json:"to"`
	// Whom says who that is in words, where To is not enough.
	Whom      string `json:"whom,omitempty"`
	Name      string `json:"name,omitempty"`
	Reference string `json:"reference,omitempty"`
	Words     string `json:"words,omitempty"`
}

// Resumed is the decision to go on after a stop.
type Resumed struct {
	Why string `json:"why"`
}

// Refused keeps what was attempted and why it was refused.
type Refused struct {
	Kind Kind           `json:"kind"`
	Body jsontext.Value `json:"body"`
	Refusal
}

// Defect is something wrong, for its owner.
type Defect struct {
	Owner    method.Owner `json:"owner"`
	Asset    string       `json:"asset"`
	Words    string       `json:"words"`
	Scheme   string       `json:"scheme,omitempty"`
	Category string       `json:"category,omitempty"`
	// Restricted keeps it off the consumer's copy.
	Restricted bool `json:"restricted,omitempty"`
	Entry
}

// Dependant says that somebody depends on the supply.
type Dependant struct {
	Words   string      `json:"words"`
	Agreed  string      `json:"agreed"`
	Details *Attachment `json:"details,omitempty"`
}

// Photograph is a picture that belongs to the visit.
type Photograph struct {
	Of string `json:"of"`
	Attachment
	Entry
}

// Noted is a remark.
type Noted struct {
	Words string `json:"words"`
}

// TakenOver says that this device holds the visit from now on, and has seen the other chain up to
// its head. It begins a chain, or goes on with one.
type TakenOver struct {
	Chain string `json:"chain"`
	Head  string `json:"head"`
	// Why is required where the other device holds the visit too: why its work ends.
	Why string `json:"why,omitempty"`
}

// HandedOver says that this device holds the visit no longer.
type HandedOver struct {
	Why string `json:"why,omitempty"`
}

// Ended ends the visit.
type Ended struct {
	Outcome string `json:"outcome"`
	Why     string `json:"why,omitempty"`
	// Left says in what state things were left, in words.
	Left string `json:"left,omitempty"`
	// Guarded says who stays, where danger remains.
	Guarded string `json:"guarded,omitempty"`
}

// Supplement adds something after the end, such as a reference received later. Chain and Head are given
// where a device begins its chain with it.
type Supplement struct {
	Words string `json:"words"`
	Chain string `json:"chain,omitempty"`
	Head  string `json:"head,omitempty"`
}

func (Opened) kind() Kind     { return KindOpened }
func (Method) kind() Kind     { return KindMethod }
func (TookUp) kind() Kind     { return KindTookUp }
func (Checked) kind() Kind    { return KindChecked }
func (PutOn) kind() Kind      { return KindPutOn }
func (TookOff) kind() Kind    { return KindTookOff }
func (Proved) kind() Kind     { return KindProved }
func (Observed) kind() Kind   { return KindObserved }
func (Inspected) kind() Kind  { return KindInspected }
func (Decided) kind() Kind    { return KindDecided }
func (Recorded) kind() Kind   { return KindRecorded }
func (Acted) kind() Kind      { return KindActed }
func (LeftOut) kind() Kind    { return KindLeftOut }
func (Returned) kind() Kind   { return KindReturned }
func (WentAway) kind() Kind   { return KindWentAway }
func (CameBack) kind() Kind   { return KindCameBack }
func (Corrected) kind() Kind  { return KindCorrected }
func (Stopped) kind() Kind    { return KindStopped }
func (Reported) kind() Kind   { return KindReported }
func (Resumed) kind() Kind    { return KindResumed }
func (Refused) kind() Kind    { return KindRefused }
func (Defect) kind() Kind     { return KindDefect }
func (Dependant) kind() Kind  { return KindDependant }
func (Photograph) kind() Kind { return KindPhotograph }
func (Noted) kind() Kind      { return KindNoted }
func (Advised) kind() Kind    { return KindAdvised }
func (Answered) kind() Kind   { return KindAnswered }
func (TakenOver) kind() Kind  { return KindTakenOver }
func (HandedOver) kind() Kind { return KindHandedOver }
func (Ended) kind() Kind      { return KindEnded }
func (Supplement) kind() Kind { return KindSupplement }

// KindOf returns the kind under which the body stands in a record.
func KindOf(b Body) Kind { return b.kind() }

// Event is one event as the visit sees it.
type Event struct {
	// Hash names the event: the hash of its line in the record, or any unique
	// text where there is no record.
	Hash string
	// Chain names the device's chain in which the event stands, and Prev the event before it there.
	// Both are empty where there is one chain and events come in its order.
	Chain, Prev string
	// Over is the event of another chain from which this one goes on, where the line says so. It stands in
	// the head of a TakenOver too; a line that this edition does not read has it here alone.
	Over string
	Body Body
	// Wall is the time of day on the device's clock, for people; it decides nothing
	// but whether a date has passed.
	Wall time.Time
	// Mono is the device's monotonic time in milliseconds, comparable within one Boot.
	Mono   int64
	Boot   string
	Person string
}

var decoders = map[Kind]func([]byte) (Body, error){
	KindOpened: decodeAs[Opened], KindMethod: decodeAs[Method], KindTookUp: decodeAs[TookUp],
	KindChecked: decodeAs[Checked], KindPutOn: decodeAs[PutOn], KindTookOff: decodeAs[TookOff],
	KindProved: decodeAs[Proved], KindObserved: decodeAs[Observed], KindInspected: decodeAs[Inspected],
	KindDecided: decodeAs[Decided], KindRecorded: decodeAs[Recorded], KindActed: decodeAs[Acted],
	KindLeftOut: decodeAs[LeftOut], KindReturned: decodeAs[Returned], KindWentAway: decodeAs[WentAway],
	KindCameBack: decodeAs[CameBack], KindCorrected: decodeAs[Corrected], KindStopped: decodeAs[Stopped],
	KindReported: decodeAs[Reported], KindResumed: decodeAs[Resumed], KindRefused: decodeAs[Refused],
	KindDefect: decodeAs[Defect], KindDependant: decodeAs[Dependant], KindPhotograph: decodeAs[Photograph],
	KindNoted: decodeAs[Noted], KindAdvised: decodeAs[Advised], KindAnswered: decodeAs[Answered], KindTakenOver: decodeAs[TakenOver], KindHandedOver: decodeAs[HandedOver], KindEnded: decodeAs[Ended],
	KindSupplement: decodeAs[Supplement],
}

// ErrUnknownKind is returned for an event of a kind that this edition does not
// know. Such a record verifies, but the visit is not continued.
var ErrUnknownKind = errors.New("this edition does not know that kind of event")

// DecodeBody reads a body of a record.
func DecodeBody(kind Kind, b []byte) (Body, error) {
	f, ok := decoders[kind]
	if !ok {
		return nil, fmt.Errorf("%q: %w: read it with a newer edition", clip(string(kind)), ErrUnknownKind)
	}
	return f(b)
}

func decodeAs[T Body](b []byte) (Body, error) {
	var body T
	if err := json.Unmarshal(b, &body, json.RejectUnknownMembers(true)); err != nil {
		var sem *json.SemanticError
		where := ""
		if errors.As(err, &sem) && sem.JSONPointer != "" {
			where = " at " + string(sem.JSONPointer)
		}
		return nil, fmt.Errorf("body of %s%s: %w", body.kind(), where, err)
	}
	if b, ok := any(body).(interface {
		indication() instrument.Indication
	}); ok && b.indication().IsZero() {
		return nil, fmt.Errorf("body of %s: shows is missing: give what the instrument showed, for example lit, dark or 238.1 V", body.kind())
	}
	return body, nil
}

func (b Observed) indication() instrument.Indication { return b.Shows }
func (b Proved) indication() instrument.Indication   { return b.Shows }

// EncodeBody writes a body for a record, in its RFC 8785 form.
func EncodeBody(body Body) ([]byte, error) {
	b, err := json.Marshal(body, json.Deterministic(true))
	if err != nil {
		return nil, fmt.Errorf("body of %s: %w", body.kind(), err)
	}
	v := jsontext.Value(b)
	if err := v.Canonicalize(); err != nil {
		return nil, fmt.Errorf("body of %s: %w", body.kind(), err)
	}
	return v, nil
}

func clip(s string) string {
	if len(s) > 40 {
		return strings.ToValidUTF8(s[:40], "") + "…"
	}
	return s
}
