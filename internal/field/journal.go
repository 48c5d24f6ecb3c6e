package field

import (
	"context"
	"encoding/json/jsontext"
	"errors"
	"time"

	"meterwright/instrument"
	"meterwright/metering"
	"meterwright/record"
)

// ErrNotFound is wrapped where there is no such job, visit or attachment.
var ErrNotFound = errors.New("not found")

// ErrUnusable is wrapped where a job is known and no visit can follow it here, for example because
// it names a method that this edition has not.
var ErrUnusable = errors.New("this job cannot be carried out here")

// ErrFull is wrapped where the disk is full and nothing of the call was kept.
var ErrFull = errors.New("the disk is full")

// Journal is where jobs come from and where visits are kept. What a method returns from without
// error is durable.
type Journal interface {
	// Jobs lists the jobs of the day, in the order in which they are to be shown.
	Jobs(ctx context.Context) ([]Job, error)
	// Job returns one job. The error wraps ErrNotFound if there is none, and ErrUnusable if no
	// visit can follow it.
	Job(ctx context.Context, reference string) (Job, error)
	// Visits lists the visits of a job, oldest first.
	Visits(ctx context.Context, job string) ([]string, error)
	// Lines returns the lines of a visit after the first n, without their LF, in the order in
	// which they are folded: each after the lines that it names. There are none for a visit
	// that is not known.
	Lines(ctx context.Context, visit string, n int) ([][]byte, error)
	// Append keeps lines of one visit, all or none.
	Append(ctx context.Context, visit, job string, lines [][]byte) error
	// PutAttachment keeps a container.
	PutAttachment(ctx context.Context, container []byte) error
	// Attachment returns a container. The error wraps ErrNotFound if there is none.
	Attachment(ctx context.Context, id record.AttachmentID) ([]byte, error)
}

// Clock tells the time. Mono counts milliseconds within Boot and never goes back.
type Clock interface {
	Now() time.Time
	Mono() int64
	Boot() string
}

// Hand is a person with the device in their hand.
type Hand struct {
	// ID is the identifier under which the person stands in records.
	ID string
	// Name is shown to whoever holds the device, and stands in no record.
	Name string
	// Signer holds the key of the device.
	Signer record.Signer
}

// Job is what is known of a visit before anybody goes out.
type Job struct {
	Reference   string         `json:"job"`
	Fictional   bool           `json:"fictional,omitempty"`
	Employer    string         `json:"employer,omitempty"`
	Address     string         `json:"address"`
	MeterPoint  string         `json:"meter_point"`
	Meter       string         `json:"meter"`
	Appointment string         `json:"appointment,omitempty"`
	Person      string         `json:"person,omitempty"`
	Hazards     []string       `json:"hazards,omitempty"`
	Dependants  []string       `json:"dependants,omitempty"`
	Registers   []Register     `json:"registers,omitempty"`
	Tools       []Tool         `json:"tools,omitempty"`
	Worn        []Worn         `json:"worn,omitempty"`
	Method      jsontext.Value `json:"method"`
}

// Register is one register of the meter that comes off, with its earlier readings, oldest first.
type Register struct {
	// Entry is the field at which its final reading is entered.
	Entry   string                  `json:"entry"`
	Meter   metering.Register       `json:"meter"`
	Earlier []metering.DatedReading `json:"earlier,omitempty"`
}

// Tool is one instrument of the kit, with the source on which it is proved.
type Tool struct {
	Kind    instrument.Kind       `json:"kind"`
	ID      string                `json:"id"`
	Due     string                `json:"calibration_due,omitempty"`
	Leads   string                `json:"leads,omitempty"`
	Source  instrument.SourceKind `json:"source"`
	Unit    string                `json:"unit,omitempty"`
	Nominal string                `json:"nominal,omitempty"`
}

// Worn is one piece of protection of the kit.
type Worn struct {
	Item string `json:"item"`
	ID   string `json:"id,omitempty"`
	Due  string `json:"test_due,omitempty"`
}

func (j *Job) tool(kind instrument.Kind, id string) (Tool, bool) {
	for _, t := range j.Tools {
		if t.Kind == kind && (id == "" || t.ID == id) {
			return t, true
		}
	}
	return Tool{}, false
}

func (j *Job) piece(item, id string) (Worn, bool) {
	for _, w := range j.Worn {
		if w.Item == item && (id == "" || w.ID == id) {
			return w, true
		}
	}
	return Worn{}, false
}
