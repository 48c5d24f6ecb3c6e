package advice

import (
	"fmt"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
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

// value is a reading that keeps a limit with room to spare.
func value(b *method.Bounds) instrument.Indication {
	switch {
	case b.Unit == "V" && b.Lower != "":
		return instrument.ShowValue(measure.MustDecimal("231.4"), "V")
	case b.Unit == "ohm":
		return instrument.ShowValue(measure.MustDecimal("0.11"), "ohm")
	}
	return instrument.ShowValue(measure.MustDecimal("0.00"), b.Unit)
}

// expected is the answer that the method expects at a step.
func expected(v *visit.Visit, s *method.Step) visit.Body {
	switch {
	case s.TakeUp != nil:
		return visit.TookUp{Instrument: visit.Instrument{Kind: instrument.Kind(s.TakeUp.With), ID: "i-" + s.TakeUp.With, Due: "2027-03-01"}}
	case s.Check != nil:
		return visit.Checked{Item: s.Check.Item, Found: "sound", Due: "2027-01-31"}
	case s.PutOn != nil:
		return visit.PutOn{Items: s.PutOn}
	case s.TakeOff != nil:
		return visit.TookOff{Items: s.TakeOff}
	case s.Prove != nil:
		k := instrument.Kind(s.Prove.With)
		m, _ := instrument.Lookup(k)
		src := m.ProvedOn[0]
		if len(s.Prove.On) > 0 {
			src = instrument.SourceKind(s.Prove.On[0])
		}
		in := instrument.New(k, instrument.Sound)
		return visit.Proved{Kind: k, ID: "i-" + s.Prove.With, Source: visit.ProvingSource{Kind: src}, Shows: in.Prove(src)}
	case s.Observe != nil:
		if s.Observe.Bounds != nil {
			return visit.Observed{Step: s.ID, Shows: value(s.Observe.Bounds)}
		}
		return visit.Observed{Step: s.ID, Shows: instrument.Show(instrument.Shows(s.Observe.Expect))}
	case s.Inspect != nil:
		answer := s.Inspect.Expect
		if answer == "" {
			answer = s.Inspect.Answers[0]
		}
		return visit.Inspected{Step: s.ID, Answer: answer}
	case s.Decide != nil:
		value := "no"
		if s.Decide.Fact == "arrangement" {
			value = string(v.Machine().Method.Claims.Arrangement)
		} else if v.Machine().Method.Claims.Reference {
			value = "yes"
		}
		return visit.Decided{Step: s.ID, Value: value}
	case s.Record != nil:
		r := visit.Recorded{Step: s.ID, Entries: map[string]string{}, Photographs: map[string]visit.Attachment{}}
		for _, f := range s.Record.Fields {
			switch f.Type {
			case "photograph":
				r.Photographs[f.ID] = visit.Attachment{ID: "sha256:" + fmt.Sprintf("%064x", 1), Media: "image/jpeg", Bytes: 1}
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
	return visit.Acted{Step: s.ID, Act: site.ActID(s.Act)}
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
