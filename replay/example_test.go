package replay_test

import (
	"fmt"
	"log"

	"meterwright/record"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

// The lines of two devices, in whatever order they came, are one case. Here the second device takes over and
// reports a stop that the first one had declared.
func ExampleReader_Read() {
	one, two := newDevice(1), newDevice(2)
	lines := append(one.open(), one.line(visit.Stopped{Why: "the board is loose"}))
	lines = append(lines, two.over(one, ""), two.line(visit.Reported{To: site.Employer}), two.line(visit.Resumed{Why: "screwed tight"}))
	late := []record.Event{lines[4], lines[5], lines[3], lines[2], lines[1], lines[0]}

	var r replay.Reader
	c, err := r.Read(late[:5])
	fmt.Println(err != nil, len(c.Waiting), "wait for lines that are not there")
	if c, err = r.Read(late); err != nil {
		log.Fatal(err)
	}
	fmt.Println(c.State(), len(c.Chains), "chains,", len(c.Waiting), "wait")
	for _, d := range c.Defects() {
		fmt.Println(d.From, d.Words, "told", d.Told.To)
	}
	// Output:
	// true 5 wait for lines that are not there
	// under-way 2 chains, 0 wait
	// stop the board is loose told employer
}
