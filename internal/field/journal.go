package field

import (
	"context"
	"errors"
	"time"

	"meterwright/internal/jobs"
	"meterwright/method"
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
	// Jobs lists the jobs that are wanted, in the order of their appointments, and says how many
	// there are in all.
	Jobs(ctx context.Context, w Wanted) (list []jobs.Job, all int, err error)
	// Running lists the visits that may be under way in the hands of a person with a device:
	// every one that is, and perhaps some that are not.
	Running(ctx context.Context, person string, key record.Key) ([]string, error)
	// Job returns one job. The error wraps ErrNotFound if there is none.
	Job(ctx context.Context, reference string) (*jobs.Job, error)
	// Method returns the method that a visit of a job follows, resolved. The error wraps
	// ErrUnusable if no visit can follow it.
	Method(ctx context.Context, j *jobs.Job) (*method.Resolved, error)
	// Visits lists the visits of a job, oldest first.
	Visits(ctx context.Context, job string) ([]string, error)
	// Lines returns the lines of a visit after the first n, without their LF, in the order in
	// which they came, whatever device they are of. There are none for a visit that is not known.
	Lines(ctx context.Context, visit string, n int) ([][]byte, error)
	// Append keeps lines of one visit, all or none. They were made and signed here, so that
	// nothing of them has to be looked at again.
	Append(ctx context.Context, visit, job string, lines []record.Signed) error
	// PutAttachment keeps a container.
	PutAttachment(ctx context.Context, container []byte) error
	// Attachment returns a container. The error wraps ErrNotFound if there is none.
	Attachment(ctx context.Context, id record.AttachmentID) ([]byte, error)
}

// Wanted says which jobs are wanted.
type Wanted struct {
	// Day is the day of the appointment, as 2026-11-24. Empty means those without one of which
	// no visit has begun.
	Day string
	// Person is whose: theirs and nobody's, or with Others those of other people.
	Person string
	Others bool
	// From leaves out the first, Most is the greatest number.
	From, Most int
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
