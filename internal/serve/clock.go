package serve

import (
	"crypto/rand"
	"encoding/hex"
	"time"
)

// clock is the machine's own. Where the system counts time since it started, and names that
// start, the count goes on over a restart of the program; elsewhere it begins with the program.
type clock struct {
	boot  string
	since func() time.Duration
}

func newClock() *clock {
	if boot, since, ok := systemClock(); ok {
		return &clock{boot: boot, since: since}
	}
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails
	start := time.Now()
	return &clock{boot: "run-" + hex.EncodeToString(b[:]), since: func() time.Duration { return time.Since(start) }}
}

func (c *clock) Now() time.Time { return time.Now() }
func (c *clock) Mono() int64    { return c.since().Milliseconds() }
func (c *clock) Boot() string   { return c.boot }
