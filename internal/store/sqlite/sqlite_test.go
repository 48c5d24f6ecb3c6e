package sqlite

import (
	"encoding/json/jsontext"
	"iter"
	"os"
	"time"

	"meterwright/internal/store"
	"meterwright/record"
)

// What every driver promises is checked in package store; here is what this one does on a disk.

// soak reports whether full counts are asked for.
func soak() bool { return os.Getenv("MW_SOAK") == "1" }

// clock is the time of receipt in tests; fictional.
func clock() time.Time { return time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) }

// projector makes summaries that depend on every event and on their order.
type projector struct{}

func (projector) Edition() string { return "1" }

func (projector) Project(visit string, events iter.Seq2[record.Event, error]) (store.Summary, error) {
	m := store.Summary{State: "open", Job: "J-" + visit[len(visit)-2:]}
	kinds := ""
	for e, err := range events {
		if err != nil {
			return m, err
		}
		if m.Opened.IsZero() {
			m.Opened, m.Person = e.Wall, e.Person
		}
		m.Last = e.Wall
		kinds += e.Kind[:1]
	}
	m.Needs = []store.Need{{Key: "silent/" + m.Last.String(), Since: m.Last, Wakes: m.Last.Add(time.Hour)}}
	m.Details = jsontext.Value(`{"kinds":"` + kinds + `"}`)
	return m, nil
}
