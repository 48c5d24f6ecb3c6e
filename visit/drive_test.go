package visit

import (
	"cmp"
	"fmt"
	"slices"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/site"
)

// driver carries a visit out as a person would, one event a minute.
type driver struct {
	t    testing.TB
	v    *Visit
	n    int
	mono int64
	boot string
	wall time.Time
	log  []Event
	pace time.Duration // between two events, half a minute where it is 0
}

func drive(t testing.TB, m *Machine) *driver {
	d := &driver{t: t, v: Begin(m), boot: "boot-1", wall: time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)}
	d.must(Opened{Job: "J-1", MethodHash: m.Hash, Fictional: true})
	return d
}

func plainMachine(t testing.TB) *Machine {
	return shippedMachine(t, "gb-single-phase-exchange", nil, method.Job{Site: site.Spec{Arrangement: site.TNCS}})
}

func (d *driver) event(b Body) Event {
	d.n++
	pace := cmp.Or(d.pace, 30*time.Second)
	d.mono += pace.Milliseconds()
	d.wall = d.wall.Add(pace)
	return Event{Hash: fmt.Sprintf("%064x", d.n), Body: b, Wall: d.wall, Mono: d.mono, Boot: d.boot, Person: "p-1"}
}

func (d *driver) do(b Body) (*Refusal, error) {
	e := d.event(b)
	r, err := d.v.Apply(e)
	if r == nil && err == nil {
		d.log = append(d.log, e)
	}
	return r, err
}

// must applies an event that has to be accepted, and returns its hash.
func (d *driver) must(b Body) string {
	d.t.Helper()
	r, err := d.do(b)
	if err != nil {
		d.t.Fatalf("%s: %v", KindOf(b), err)
	}
	if r != nil {
		d.t.Fatalf("%s was refused: %v", KindOf(b), r)
	}
	return d.log[len(d.log)-1].Hash
}

// refused applies an event that a row has to refuse.
func (d *driver) refused(b Body, row Row) *Refusal {
	d.t.Helper()
	r, err := d.do(b)
	if err != nil {
		d.t.Fatalf("%s: %v", KindOf(b), err)
	}
	if r == nil {
		d.t.Fatalf("%s was accepted, and %s should refuse it", KindOf(b), row)
	}
	for _, x := range r.Rows {
		if x == row {
			return r
		}
	}
	d.t.Fatalf("%s was refused by %v, and %s should", KindOf(b), r.Rows, row)
	return nil
}

// value is a reading that keeps the bounds with room to spare.
func value(b *method.Bounds) instrument.Indication {
	switch {
	case b.Unit == "V" && b.Lower != "":
		return instrument.ShowValue(measure.MustDecimal("238.1"), "V")
	case b.Unit == "ohm":
		return instrument.ShowValue(measure.MustDecimal("0.11"), "ohm")
	}
	return instrument.ShowValue(measure.MustDecimal("0.00"), b.Unit)
}

func takenUp(kind string) TookUp {
	return TookUp{Instrument: Instrument{Kind: instrument.Kind(kind), ID: "i-" + kind, Due: "2027-03-01"}}
}

// expectedBodies is everything that the expected answer to the step is made of: of a kit each instrument.
func expectedBodies(v *Visit, s *method.Step) []Body {
	if s.TakeUp == nil {
		return []Body{expectedBody(v, s)}
	}
	var list []Body
	for _, k := range slices.Concat(s.TakeUp.Also, s.TakeUp.Kinds()) {
		list = append(list, takenUp(k))
	}
	return list
}

// expectedBody is the expected answer to the step.
func expectedBody(v *Visit, s *method.Step) Body {
	switch {
	case s.TakeUp != nil:
		kinds := s.TakeUp.Kinds()
		i := slices.IndexFunc(kinds, func(k string) bool {
			return v.now.control.tools[instrument.Index(instrument.Kind(k))] < toolUnproved
		})
		return takenUp(kinds[max(i, 0)]) // Of a kit, what is not yet in hand.
	case s.Check != nil:
		return Checked{Item: s.Check.Item, Found: "sound", Due: "2027-01-31"}
	case s.PutOn != nil:
		return PutOn{Items: s.PutOn}
	case s.TakeOff != nil:
		return TookOff{Items: s.TakeOff}
	case s.Prove != nil:
		k := instrument.Kind(s.Prove.With)
		m, _ := instrument.Lookup(k)
		src := m.ProvedOn[0]
		if len(s.Prove.On) > 0 {
			src = instrument.SourceKind(s.Prove.On[0])
		}
		shows := instrument.Show(m.Good[0])
		if m.Good[0] == instrument.Value {
			shows = instrument.ShowValue(measure.MustDecimal("230"), m.Unit)
		}
		return Proved{Kind: k, ID: "i-" + s.Prove.With, Source: ProvingSource{Kind: src}, Shows: shows}
	case s.Observe != nil:
		if s.Observe.Bounds != nil {
			return Observed{Step: s.ID, Shows: value(s.Observe.Bounds)}
		}
		return Observed{Step: s.ID, Shows: instrument.Show(instrument.Shows(s.Observe.Expect))}
	case s.Inspect != nil:
		answer := s.Inspect.Expect
		if answer == "" {
			answer = s.Inspect.Answers[0]
		}
		return Inspected{Step: s.ID, Answer: answer}
	case s.Decide != nil:
		value := v.machine.Method.Fact(s.Decide.Fact).Values[0]
		if s.Decide.Fact == "arrangement" {
			value = string(v.machine.Method.Claims.Arrangement)
		}
		return Decided{Step: s.ID, Value: value}
	case s.Record != nil:
		r := Recorded{Step: s.ID, Entries: map[string]string{}, Photographs: map[string]Attachment{}}
		for _, f := range s.Record.Fields {
			switch f.Type {
			case "photograph":
				r.Photographs[f.ID] = Attachment{ID: "sha256:" + fmt.Sprintf("%064x", 1), Media: "image/jpeg", Bytes: 1}
			case "number", "reading":
				r.Entries[f.ID] = "04127.6"
			case "choice":
				r.Entries[f.ID] = f.Choices[0]
			default:
				r.Entries[f.ID] = "as found"
			}
		}
		return r
	}
	return Acted{Step: s.ID, Act: site.ActID(s.Act)}
}

// to goes on with expected answers until the step is in turn.
func (d *driver) to(step string) {
	d.t.Helper()
	for d.v.Next().Step != step {
		if d.v.Next().Step == "" {
			d.t.Fatalf("the visit came to its end before %s", step)
		}
		d.on()
	}
}

// on gives the expected answer to the step in turn.
func (d *driver) on() {
	d.t.Helper()
	n := d.v.Next()
	s, _ := d.v.machine.Method.Step(n.Step)
	for _, b := range expectedBodies(d.v, s) {
		d.must(b)
	}
	if d.v.Next().Step == n.Step {
		d.t.Fatalf("the expected answer to %s leads nowhere", n.Step)
	}
}

// through goes on until no step is left.
func (d *driver) through() {
	d.t.Helper()
	for d.v.Next().Step != "" {
		d.on()
	}
}
