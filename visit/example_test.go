package visit_test

import (
	"fmt"
	"log"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
)

// machine prepares the shipped method for a position.
func machine() *visit.Machine {
	lib, err := written.Library()
	if err != nil {
		log.Fatal(err)
	}
	doc, err := lib.Method("gb-single-phase-exchange")
	if err != nil {
		log.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		log.Fatal(err)
	}
	r, err := method.Resolve(doc, nil, method.Job{Site: site.Spec{Arrangement: site.TNCS}}, limits)
	if err != nil {
		log.Fatal(err)
	}
	m, err := visit.New(r)
	if err != nil {
		log.Fatal(err)
	}
	return m
}

// A visit takes an event, or says in codes why not and what leads on. A warning is never refused, and puts the
// stop of its step in force.
func Example() {
	m := machine()
	v := visit.Begin(m)
	n := 0
	say := func(b visit.Body) {
		n++
		e := visit.Event{Hash: fmt.Sprint(n), Body: b, Wall: time.Date(2026, 11, 24, 9, n, 0, 0, time.UTC), Mono: int64(n) * 60_000, Boot: "1"}
		refusal, err := v.Apply(e)
		switch {
		case err != nil:
			fmt.Println(visit.KindOf(b), "makes no sense:", err)
		case refusal != nil:
			fmt.Println(visit.KindOf(b), "refused:", refusal.Rows[0], "lacks", refusal.Lacks[0].Code, refusal.Lacks[0].Items, "way on", refusal.Ways[0].Code)
		default:
			fmt.Println(visit.KindOf(b), "accepted, stop in force:", v.Stop() != "")
		}
	}
	say(visit.Opened{Job: "J-1", MethodHash: m.Hash, Fictional: true})
	say(visit.PutOn{Items: []string{"gloves"}})
	say(visit.Observed{Step: "metalwork-detector/metalwork.box", Shows: instrument.Show(instrument.Lit)})
	say(visit.Ended{Outcome: "stopped-danger", Left: "nothing was touched"})
	// Output:
	// opened accepted, stop in force: false
	// put-on refused: checked-before-worn lacks not-checked [gloves] way on check-first
	// observed accepted, stop in force: true
	// ended accepted, stop in force: true
}
