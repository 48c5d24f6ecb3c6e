package advice

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/internal/test/everyday"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/walk"
)

// driver carries a fictional visit out as a person would, one event in half a minute.
type driver struct {
	t    testing.TB
	v    *visit.Visit
	n    int
	mono int64
	wall time.Time
	// log is every event that was accepted.
	log []visit.Event
}

func machine(t testing.TB, id string, spec site.Spec) *visit.Machine {
	t.Helper()
	shelf, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	d, err := shelf.Method(id)
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(d, nil, method.Job{Site: spec}, limits)
	if err != nil {
		t.Fatal(err)
	}
	m, err := visit.New(r)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func drive(t testing.TB, m *visit.Machine) *driver {
	d := &driver{t: t, v: visit.Begin(m), wall: time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)}
	d.must(visit.Opened{Job: "J-1", MethodHash: m.Hash, Fictional: true})
	return d
}

func (d *driver) event(b visit.Body) visit.Event {
	d.n++
	d.mono += 30_000
	d.wall = d.wall.Add(30 * time.Second)
	return visit.Event{Hash: fmt.Sprintf("%064x", d.n), Body: b, Wall: d.wall, Mono: d.mono, Boot: "boot-1", Person: "p-1"}
}

func (d *driver) do(b visit.Body) bool {
	d.t.Helper()
	e := d.event(b)
	r, err := d.v.Apply(e)
	if r != nil || err != nil {
		return false
	}
	d.log = append(d.log, e)
	return true
}

// must applies an event that has to be accepted, and returns its hash.
func (d *driver) must(b visit.Body) string {
	d.t.Helper()
	e := d.event(b)
	if r, err := d.v.Apply(e); r != nil || err != nil {
		d.t.Fatalf("%s: %v %v", visit.KindOf(b), r, err)
	}
	d.log = append(d.log, e)
	return e.Hash
}

func shows(t testing.TB, s string) instrument.Indication {
	t.Helper()
	i, err := instrument.ParseIndication(s)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// expected is the answer that the method expects at a step.
func expected(v *visit.Visit, s *method.Step) visit.Body {
	list, err := walk.Expected(s, everyday.Person{Method: v.Machine().Method})
	if err != nil {
		panic(err)
	}
	for _, b := range list {
		// Of a kit, what is not yet in hand.
		took, ok := b.(visit.TookUp)
		if !ok || !slices.ContainsFunc(v.Account().Instruments, func(i visit.Instrument) bool { return i.Kind == took.Instrument.Kind }) {
			return b
		}
	}
	return list[len(list)-1]
}

// to goes on with expected answers until the step is in turn, or to the end of the method.
func (d *driver) to(step string) {
	d.t.Helper()
	for {
		n := d.v.Next()
		if n.Step == step {
			return
		}
		s, _ := d.v.Machine().Method.Step(n.Step)
		if s == nil {
			d.t.Fatalf("the visit came to its end before %s", step)
		}
		d.must(expected(d.v, s))
	}
}
