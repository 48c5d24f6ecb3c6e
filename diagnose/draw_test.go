package diagnose

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/walk"
	"meterwright/world"
)

// step is one reading of the visits in these tests.
type step struct {
	switching site.Switching
	epoch     int
	kind      instrument.Kind
	points    []site.PointID
	proving   instrument.SourceKind
}

// performed are the readings of the shipped method for a position with an independent
// reference, up to the first act that needs the proof of death, each instrument
// proved before and after as the method has it.
func performed(t testing.TB, s *site.Site) []step {
	t.Helper()
	stepsMu.Lock()
	defer stepsMu.Unlock()
	if steps[s.Spec.Arrangement] == nil {
		steps[s.Spec.Arrangement] = readMethod(t, s)
	}
	return steps[s.Spec.Arrangement]
}

// steps keeps what performed has read.
var (
	stepsMu sync.Mutex
	steps   = map[site.Arrangement][]step{}
)

func readMethod(t testing.TB, s *site.Site) []step {
	t.Helper()
	shelf, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := shelf.Method("gb-single-phase-exchange")
	if err != nil {
		t.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(doc, nil, method.Job{Site: s.Spec}, limits)
	if err != nil {
		t.Fatal(err)
	}
	facts := map[string]string{"arrangement": string(s.Spec.Arrangement), "reference": "yes"}
	var list []step
	now := step{}
	for _, x := range walk.Steps(r, facts) {
		if slices.Contains(x.Needs, "dead") {
			return list
		}
		do := now
		switch {
		case x.Act != "":
			after, err := s.Do(now.switching, site.ActID(x.Act))
			if err != nil {
				t.Fatal(err)
			}
			if after != now.switching {
				now.switching = after
				now.epoch++
			}
			continue
		case x.Prove != nil:
			do.kind, do.proving = instrument.Kind(x.Prove.With), instrument.SourceKind(x.Prove.On[0])
			do.epoch = 0
		case x.Observe != nil:
			do.kind = instrument.Kind(x.Observe.With)
			if do.points, err = walk.Points(s, do.kind, site.PointID(x.Observe.At), site.PointID(x.Observe.Against)); err != nil {
				t.Fatal(err)
			}
		default:
			continue
		}
		list = append(list, do)
	}
	t.Fatal("no act of the method needs the proof of death")
	return nil
}

func position(t testing.TB) (*site.Site, *Engine) {
	t.Helper()
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Reference: true, Metalwork: []string{"box", "water-pipe"}})
	if err != nil {
		t.Fatal(err)
	}
	e, err := New(s, Stated{})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.findKin(); err != nil {
		t.Fatal(err)
	}
	return s, e
}

// visit makes the observations of a seed with departures: parameters and instruments
// drawn anew, loads for each state, readings with the errors of another seed. Wide
// draws errors three times as large as the engine believes.
func visit(t testing.TB, s *site.Site, seed, errors uint64, wide bool, present ...site.Departure) []Observation {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 7))
	var u [site.ParameterCount]float64
	for i := range u {
		u[i] = r.Float64()
	}
	steps := performed(t, s)
	var worlds []*world.World // by epoch
	for _, st := range steps {
		for st.epoch >= len(worlds) {
			for k, p := range site.Parameters() {
				if p.Epoch == site.PerSwitching {
					u[k] = r.Float64()
				}
			}
			v := site.Draw(&u)
			w, err := world.New(world.Setup{Site: s, Values: &v, Switching: st.switching, Departures: present})
			if err != nil {
				t.Fatal(err)
			}
			worlds = append(worlds, w)
		}
	}
	kit := map[instrument.Kind]instrument.Traits{}
	for _, m := range instrument.Models() {
		tr := instrument.UsualTraits(m.Kind)
		for _, row := range instrument.AllTraits() {
			if row.Kind == m.Kind {
				row.Set(&tr, row.Low*math.Pow(row.High/row.Low, r.Float64()))
			}
		}
		kit[m.Kind] = tr
	}
	r = rand.New(rand.NewPCG(seed, 1000+errors))
	factor := 1.0
	if wide {
		factor = 3
	}
	var list []Observation
	for _, st := range steps {
		in := worlds[0].Instrument(st.kind)
		if st.proving != "" {
			list = append(list, Observation{Kind: st.kind, Proving: st.proving, Shows: in.Prove(st.proving)})
			continue
		}
		in.Traits = kit[st.kind]
		got, err := worlds[st.epoch].Read(in, st.points...)
		if err != nil {
			t.Fatal(err)
		}
		shows := got.Indication
		if v, unit, ok := shows.Reading(); ok {
			acc := st.kind.Accuracy()
			x := math.Max(0, v.Float()+factor*r.NormFloat64()*acc.StandardUncertainty(v))
			scale := math.Pow(10, float64(v.Places()))
			d, err := measure.FromScaled(int64(math.Round(x*scale)), v.Places())
			if err != nil {
				t.Fatal(err)
			}
			shows = instrument.ShowValue(d, unit)
		}
		list = append(list, Observation{Switching: st.switching, Epoch: st.epoch, Kind: st.kind, Points: st.points, Shows: shows})
	}
	return list
}

// evidenceOf is the evidence of a set of departures for observations.
func evidenceOf(t testing.TB, e *Engine, ids ...int) float64 {
	t.Helper()
	h := e.newHypothesis(0, ids...)
	h.rough = e.unknowns.newRough()
	if len(ids) < 2 {
		of := 0
		if len(ids) > 0 {
			of = ids[0] + 1
		}
		h = e.single[of]
	}
	if err := e.weigh(h, &h.rough); err != nil {
		t.Fatal(err)
	}
	if err := e.refine(h, false, &h.rough); err != nil {
		t.Fatal(err)
	}
	return h.fine.mass
}

// take takes observations in without weighing them.
func take(e *Engine, list []Observation) {
	e.Begin()
	for _, o := range list {
		t := e.taken(o)
		g := e.gaugeOf(instrument.New(o.Kind, instrument.Sound), &t)
		t.peak = log(g.peak())
		e.seen = append(e.seen, t)
	}
}

// expected is the mean log Bayes factor of a set of departures against another, over
// visits to one place that differ in the errors of the readings, in nats.
func expected(t testing.TB, s *site.Site, e *Engine, seed uint64, set []int, against ...int) float64 {
	t.Helper()
	const visits = 3
	sum := 0.0
	for k := range visits {
		take(e, visit(t, s, seed, uint64(1+k), false, departures(e, set)...))
		sum += evidenceOf(t, e, set...) - evidenceOf(t, e, against...)
	}
	return sum / visits
}

func departures(e *Engine, ids []int) []site.Departure {
	var list []site.Departure
	for _, id := range ids {
		list = append(list, e.catalogue[id])
	}
	return list
}
