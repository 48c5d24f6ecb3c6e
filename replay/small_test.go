package replay_test

import (
	"fmt"
	"slices"

	"pgregory.net/rapid"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/record"
	"meterwright/site"
	"meterwright/visit"
)

// small is the shipped method cut to a few steps of every sort, so that drawn visits come to hold a
// proof, to act on it and to end, and are read quickly.
var small = cut(prepared())

func cut(whole *visit.Machine) *visit.Machine {
	r := *whole.Method
	var steps []method.Step
	dead := 0
	for _, s := range r.Steps {
		supports := slices.Contains(s.Supports, "dead")
		switch {
		case s.ID == "premises", s.ID == "hazards", s.ID == "arrangement", s.ID == "gloves-check", s.ID == "take-tails-out", s.ID == "put-cover-on":
		case s.ID == "kit":
			s.TakeUp = &method.TakeUp{With: string(instrument.TwoPole)}
		case slices.Contains(s.PutOn, "gloves") && !slices.ContainsFunc(steps, func(x method.Step) bool { return x.PutOn != nil }):
			s.PutOn = []string{"gloves"}
		case s.Inspect != nil && s.Unexpected != nil && s.Unexpected.Stop != "" && len(steps) < 6:
		case s.Prove != nil && s.Prove.With == string(instrument.TwoPole) && (dead == 0 && !slices.ContainsFunc(steps, func(x method.Step) bool { return x.Prove != nil }) || dead == 3):
			if dead == 3 {
				dead++
			}
		case s.Observe != nil && s.Observe.With == string(instrument.TwoPole) && supports && dead < 3:
			dead++
		default:
			continue
		}
		s.State, s.When, s.Protect, s.Supports, s.Needs = nil, nil, nil, only(s.Supports), only(s.Needs)
		if s.Act == "take-tails-out" {
			s.Protect = []string{"gloves"}
		}
		steps = append(steps, s)
	}
	r.Steps = steps
	r.Proofs = slices.DeleteFunc(slices.Clone(r.Proofs), func(p method.Proof) bool { return p.ID != "dead" })
	r.Stops = slices.Clone(r.Stops)
	for i := range r.Stops {
		if r.Stops[i].Resume != "" {
			r.Stops[i].Resume = "premises"
		}
	}
	m, err := visit.New(&r)
	if err != nil {
		panic(err)
	}
	return m
}

func only(ids []string) []string {
	if slices.Contains(ids, "dead") {
		return []string{"dead"}
	}
	return nil
}

// follows is a device with the step at which whoever holds it takes the work to be.
type follows struct {
	*device
	at int
}

var opening = smallOpening()

func smallOpening() []record.Event {
	whole, err := small.Method.Encode()
	if err != nil {
		panic(err)
	}
	d := newDevice(1)
	return []record.Event{d.line(visit.Opened{Job: "J-1", MethodHash: small.Hash, Fictional: true}), d.line(visit.Method{Resolved: whole})}
}

// draw makes lines of up to three devices that take over from one another, with and without having
// seen the other, as people would who have no signal; now and then a device goes on from a copy of itself.
func draw(t *rapid.T) []record.Event {
	first := newDevice(1)
	for range opening {
		first.seq, first.mono, first.wall = first.seq+1, first.mono+20_000, opening[len(opening)-1].Wall
	}
	first.head = opening[len(opening)-1].Hash
	devices := []*follows{{device: first}, {device: newDevice(2)}, {device: newDevice(3)}}
	lines := slices.Clone(opening)
	// The first one comes some way before anybody else takes part.
	for range rapid.IntRange(0, len(small.Method.Steps)).Draw(t, "head start") {
		lines = append(lines, first.line(expected(&small.Method.Steps[devices[0].at])))
		devices[0].at++
	}
	for range rapid.IntRange(0, 40).Draw(t, "lines") {
		d := rapid.SampledFrom(devices).Draw(t, "device")
		sort := rapid.IntRange(0, 99).Draw(t, "sort")
		switch {
		case d.seq == 0 || sort < 8:
			other := rapid.SampledFrom(devices).Draw(t, "other")
			if other.device != d.device && other.seq > 0 {
				why := rapid.SampledFrom([]string{"", "gone"}).Draw(t, "why")
				lines = append(lines, d.over(other.device, why))
				d.at = other.at
			}
		case sort < 10 && len(devices) < 5:
			twin := *d.device
			devices = append(devices, &follows{&twin, d.at})
			lines = append(lines, twin.line(visit.Noted{Words: fmt.Sprint("twin ", len(devices))}))
		case sort < 75 && d.at < len(small.Method.Steps):
			lines = append(lines, d.line(expected(&small.Method.Steps[d.at])))
			d.at++
		default:
			lines = append(lines, d.line(other(t, d)))
		}
	}
	return lines
}

// expected is the expected answer to a step.
func expected(s *method.Step) visit.Body {
	switch {
	case s.Inspect != nil && s.Inspect.Expect == "":
		return visit.Inspected{Step: s.ID, Answer: s.Inspect.Answers[0]}
	case s.Inspect != nil:
		return visit.Inspected{Step: s.ID, Answer: s.Inspect.Expect}
	case s.Decide != nil:
		return visit.Decided{Step: s.ID, Value: string(site.TNCS)}
	case s.TakeUp != nil:
		return visit.TookUp{Instrument: visit.Instrument{Kind: instrument.TwoPole, ID: "i", Due: "2027-01-01"}}
	case s.Check != nil:
		return visit.Checked{Item: s.Check.Item, Found: "sound", Due: "2027-01-01"}
	case s.PutOn != nil:
		return visit.PutOn{Items: s.PutOn}
	case s.Prove != nil:
		return proving(instrument.Lit)
	case s.Observe != nil:
		return visit.Observed{Step: s.ID, Shows: instrument.Show(instrument.Dark)}
	}
	return visit.Acted{Step: s.ID, Act: site.ActID(s.Act)}
}

func proving(shows instrument.Shows) visit.Body {
	return visit.Proved{Kind: instrument.TwoPole, ID: "i", Source: visit.ProvingSource{Kind: instrument.ProvingUnit}, Shows: instrument.Show(shows)}
}

// warning draws something that is not as expected.
func warning(t *rapid.T) visit.Body {
	var list []visit.Body
	for _, s := range small.Method.Steps {
		switch {
		case s.Observe != nil:
			list = append(list, visit.Observed{Step: s.ID, Shows: instrument.Show(instrument.Lit)})
		case s.Inspect != nil && s.Inspect.Expect != "" && s.Unexpected != nil && s.Unexpected.Stop != "":
			for _, a := range s.Inspect.Answers {
				if a != s.Inspect.Expect {
					list = append(list, visit.Inspected{Step: s.ID, Answer: a})
				}
			}
		}
	}
	list = append(list, visit.Stopped{Why: "late"}, proving(instrument.Dark), visit.Checked{Item: "gloves", Found: "failed"},
		visit.TookUp{Instrument: visit.Instrument{Kind: instrument.TwoPole, ID: "i", Due: "2020-01-01"}})
	return rapid.SampledFrom(list).Draw(t, "warning")
}

// other draws whatever else people do.
func other(t *rapid.T, d *follows) visit.Body {
	s := &small.Method.Steps[min(d.at, len(small.Method.Steps)-1)]
	if rapid.IntRange(0, 3).Draw(t, "warns") == 0 {
		return warning(t)
	}
	list := []visit.Body{
		visit.Reported{To: site.Employer}, visit.Resumed{Why: "x"}, visit.Noted{Words: "x"}, visit.WentAway{}, visit.CameBack{}, visit.HandedOver{},
		visit.Ended{Outcome: rapid.SampledFrom([]string{"completed", "abandoned", "stopped-danger"}).Draw(t, "end"), Left: "x"},
		visit.LeftOut{Step: s.ID, How: method.NotTested, Why: "x"}, visit.Acted{Act: "switch-off-house"}, visit.Acted{Act: "put-cover-on"},
		visit.Acted{Act: "take-tails-out", InSpite: true, Why: "x"}, visit.PutOn{Items: []string{"gloves"}}, visit.TookOff{Items: []string{"gloves"}},
		visit.Corrected{Event: d.head.String(), Why: "x"}, visit.Decided{Step: "arrangement", Value: string(site.TT)},
		visit.Returned{Step: small.Method.Steps[rapid.IntRange(0, d.at).Draw(t, "back")%len(small.Method.Steps)].ID, Why: "x"},
		visit.Dependant{Words: "x"}, visit.Defect{Owner: site.Distributor, Asset: "x", Words: "x"},
	}
	b := rapid.SampledFrom(list).Draw(t, "body")
	if r, ok := b.(visit.Returned); ok {
		_, d.at = small.Method.Step(r.Step)
	}
	return b
}
