package store

import (
	"errors"
	"fmt"

	"meterwright/record"
)

// Bounds of one store. They keep what a hostile device can cost to a known amount; lines,
// chains of a visit and lines of a chain are bounded by package record.
const (
	// MaxBatch is the greatest number of lines in one call of Submit.
	MaxBatch = 4096
	// MaxWaiting is the greatest number of lines of one visit that wait for earlier ones.
	MaxWaiting = 1024
	// MaxWaitingBytes is the greatest number of bytes of such lines of one visit.
	MaxWaitingBytes = 8 << 20
	// MaxVersions is the greatest number of versions of one chain.
	MaxVersions = 16
)

// A Status says what became of a line.
type Status string

// The outcomes for a line.
const (
	Accepted Status = "accepted"
	Waiting  Status = "waiting"
	Refused  Status = "refused"
)

// Reasons for a refusal beside those of record.What.
const (
	// TooManyWaiting: the visit has too many lines that wait for earlier ones.
	TooManyWaiting = "too-many-waiting"
	// TooManyVersions: the chain was forked too often.
	TooManyVersions = "too-many-versions"
)

// A Receipt is the answer to one line handed in.
type Receipt struct {
	Status Status
	// Number is the acceptance number, from 1; 0 unless accepted.
	Number int64
	// Again says that the line was here already, accepted or waiting, before it was handed in
	// now.
	Again bool
	// Version is 0 for a line of the version of its chain that was received first.
	Version int
	// Reason is a word that says why the line is refused, a record.What or one of this
	// package; empty otherwise.
	Reason string
	// Err has the evidence for a refusal.
	Err error
	// Visit, Key, Seq and Hash name the line as far as it could be decoded.
	Visit string
	Key   record.Key
	Seq   int64
	Hash  record.Hash
}

// Durable reports whether the store has the line for good.
func (r Receipt) Durable() bool { return r.Status == Accepted || r.Status == Waiting }

// refuse makes the receipt a refusal.
func (r *Receipt) refuse(err error) {
	r.Status, r.Number, r.Err = Refused, 0, err
	if f, ok := errors.AsType[*record.Fault](err); ok {
		r.Reason = string(f.What)
	}
}

// bound makes the receipt a refusal because of one of this package's bounds.
func (r *Receipt) bound(reason string, err error) {
	r.refuse(err)
	r.Reason = reason
}

var (
	errWaiting  = fmt.Errorf("the visit has %d lines or %d bytes that wait for earlier ones: send the earlier lines first", MaxWaiting, MaxWaitingBytes)
	errVersions = fmt.Errorf("the chain has %d versions already: look at the device that makes them", MaxVersions)
)
