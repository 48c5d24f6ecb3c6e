package diagnose

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"meterwright/instrument"
	"meterwright/internal/fmascan"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/world"
)

var soak = os.Getenv("MW_SOAK") == "1"

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
	if list, ok := steps[s.Spec.Arrangement]; ok {
		return list
	}
	steps[s.Spec.Arrangement] = readMethod(t, s)
	return steps[s.Spec.Arrangement]
}

// steps keeps what performed has read.
var steps = map[site.Arrangement][]step{}

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
	for i := range r.Steps {
		x := &r.Steps[i]
		applies := true
		for fact, values := range x.When {
			applies = applies && slices.Contains(values, facts[fact])
		}
		if !applies {
			continue
		}
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
			do.points = []site.PointID{site.PointID(x.Observe.At)}
			if do.kind == instrument.SocketTester {
				do.points = []site.PointID{"socket.l", "socket.n", "socket.e"}
			} else if a := site.PointID(x.Observe.Against); a != "" && do.kind.Poles() > 1 {
				do.points = append(do.points, a)
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
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Reference: true})
	if err != nil {
		t.Fatal(err)
	}
	e, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := e.findKin(); err != nil {
		t.Fatal(err)
	}
	return s, e
}

// visit makes the observations of a seed with departures: parameters and
// instruments drawn anew, loads for each state, readings with their error. Wide
// draws errors three times as large as the engine believes.
func visit(t testing.TB, s *site.Site, seed uint64, wide bool, present ...site.Departure) []Observation {
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

func observe(t testing.TB, e *Engine, list []Observation) {
	t.Helper()
	e.Begin()
	for _, o := range list {
		if err := e.Observe(o); err != nil {
			t.Fatal(err)
		}
	}
}

func explain(t testing.TB, e *Engine) Explanation {
	t.Helper()
	x, err := e.Explain()
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func names(list []site.Departure) string {
	text := ""
	for _, d := range list {
		text += d.ID + " "
	}
	return text
}

// evidenceOf is the evidence of a set of departures for observations.
func evidenceOf(t testing.TB, e *Engine, ids ...int) float64 {
	t.Helper()
	h := e.newHypothesis(0, ids...)
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
		t := taken{Observation: o, at: key{e.stateOf(o.Switching), o.Epoch, testName(o.Kind, o.Points)}}
		g := e.gaugeOf(instrument.New(o.Kind, instrument.Sound), &t)
		t.peak = log(g.peak())
		e.seen = append(e.seen, t)
	}
}

// factor is the mean log Bayes factor of a set of departures against another, over
// visits with the first, in nats.
func factor(t testing.TB, s *site.Site, e *Engine, visits int, set []int, against ...int) float64 {
	t.Helper()
	sum := 0.0
	for k := range visits {
		var present []site.Departure
		seed := uint64(1e6 + k)
		for _, id := range set {
			present = append(present, e.catalogue[id])
			seed += uint64(1000 * id)
		}
		take(e, visit(t, s, seed, false, present...))
		sum += evidenceOf(t, e, set...) - evidenceOf(t, e, against...)
	}
	return sum / float64(visits)
}

// score counts what came out right.
type score struct{ right, all int }

// Visits drawn with one departure, with none, and with pairs, each departure as often
// as its rate.
func TestDrawnVisits(t *testing.T) {
	n := 18
	if soak {
		n = 300
	}
	if v, err := strconv.Atoi(os.Getenv("MW_VISITS")); err == nil {
		n = v
	}
	s, e := position(t)
	nats := map[int]float64{}
	r := rand.New(rand.NewPCG(1, 2))
	total := 0.0
	for i := range e.catalogue {
		total += e.catalogue[i].Prior.Rate
	}
	pick := func() int {
		for {
			x, i := r.Float64()*total, 0
			for ; i < len(e.catalogue)-1 && x >= e.catalogue[i].Prior.Rate; i++ {
				x -= e.catalogue[i].Prior.Rate
			}
			if d := &e.catalogue[i]; d.Kind == "" && len(d.Changes) == 0 {
				continue
			}
			if _, ok := nats[i]; !ok {
				nats[i] = factor(t, s, e, 3, []int{i})
			}
			if nats[i] >= 3 {
				return i
			}
		}
	}
	think := func() Explanation {
		for {
			done, err := e.Think(Effort)
			if err != nil {
				t.Fatal(err)
			}
			if done {
				return explain(t, e)
			}
		}
	}
	var single, healthy, pair, missed score
	for k := range n {
		seed := uint64(k)
		switch {
		case k%3 == 0:
			observe(t, e, visit(t, s, seed, false))
			x := think()
			healthy.all++
			if x.Groups[0].Healthy() || groupHealthy(&x.Groups[0]) {
				healthy.right++
			} else {
				t.Logf("seed %d: healthy called %v", seed, brief(&x))
			}
		case k%6 == 5:
			i, j := pick(), pick()
			if i == j || !e.joins(e.single[i+1], j) {
				continue
			}
			// Each must be seen besides the other.
			set := []int{min(i, j), max(i, j)}
			if factor(t, s, e, 2, set, i) < 3 || factor(t, s, e, 2, set, j) < 3 {
				continue
			}
			present := []site.Departure{e.catalogue[min(i, j)], e.catalogue[max(i, j)]}
			observe(t, e, visit(t, s, seed, false, present...))
			x := think()
			pair.all++
			if inFirst(&x, 3, e, i, j) {
				pair.right++
			} else {
				t.Logf("seed %d: %snot in the first three: %v", seed, names(present), brief(&x))
			}
		default:
			i := pick()
			observe(t, e, visit(t, s, seed, false, e.catalogue[i]))
			x := think()
			single.all++
			if inFirst(&x, 1, e, i) {
				single.right++
			} else {
				t.Logf("seed %d: %s (%.1f nats) not first: %v", seed, e.catalogue[i].ID, nats[i], brief(&x))
			}
			if e.catalogue[i].Danger {
				missed.all++
				if groupHealthy(&x.Groups[0]) {
					missed.right++
				}
			}
		}
	}
	t.Logf("single first %d of %d; healthy %d of %d; pairs in three %d of %d; dangerous shown as nothing wrong %d of %d; seeds 0 to %d",
		single.right, single.all, healthy.right, healthy.all, pair.right, pair.all, missed.right, missed.all, n-1)
	atLeast := func(what string, s score, share float64) {
		// Two standard deviations of a count are left to chance.
		all := float64(s.all)
		if float64(s.right) < share*all-2*math.Sqrt(all*share*(1-share)) {
			t.Errorf("%s: %d of %d, less than %g", what, s.right, s.all, share)
		}
	}
	atLeast("single departures in the first group", single, 0.95)
	atLeast("pairs in the first three groups", pair, 0.90)
	atLeast("healthy called healthy", healthy, 0.99)
	if float64(missed.right) > 0.001*float64(missed.all) {
		t.Errorf("dangerous departures shown as nothing wrong: %d of %d", missed.right, missed.all)
	}
}

// groupHealthy reports whether a group holds that nothing is wrong.
func groupHealthy(g *Group) bool {
	for _, ids := range g.IDs {
		if len(ids) == 0 {
			return true
		}
	}
	return false
}

// inFirst reports whether one of the first n groups holds the departures, or what
// no test tells from them.
func inFirst(x *Explanation, n int, e *Engine, ids ...int) bool {
	for _, g := range x.Groups[:min(n, len(x.Groups))] {
		for _, set := range g.IDs {
			if len(set) != len(ids) {
				continue
			}
			hits := 0
			for _, id := range ids {
				for _, name := range set {
					if name == e.catalogue[id].ID || e.kin[e.index(name)] == e.kin[id] {
						hits++
						break
					}
				}
			}
			if hits == len(ids) {
				return true
			}
		}
	}
	return false
}

func (e *Engine) index(id string) int {
	for i := range e.catalogue {
		if e.catalogue[i].ID == id {
			return i
		}
	}
	return -1
}

func brief(x *Explanation) string {
	text := ""
	for _, g := range x.Groups[:min(4, len(x.Groups))] {
		text += fmt.Sprintf("%v %.3f; ", g.IDs, g.Probability)
	}
	return text
}

// Observations that no visit can make are refused, and leave the engine as it was.
func TestImpossibleObservations(t *testing.T) {
	_, e := position(t)
	value := func(s string) instrument.Indication {
		i, err := instrument.ParseIndication(s)
		if err != nil {
			t.Fatal(err)
		}
		return i
	}
	for _, o := range []Observation{
		{Kind: "ohmmeter", Shows: instrument.Show(instrument.Lit)},
		{Kind: instrument.Voltmeter, Points: []site.PointID{"meter.l-in", "meter.n-in"}, Shows: instrument.Show(instrument.Lit)},
		{Kind: instrument.Voltmeter, Points: []site.PointID{"meter.l-in", "meter.n-in"}, Shows: value("230 A")},
		{Kind: instrument.Voltmeter, Points: []site.PointID{"meter.l-in"}, Shows: value("230 V")},
		{Kind: instrument.Voltmeter, Points: []site.PointID{"meter.l-in", "meter.x"}, Shows: value("230 V")},
		{Kind: instrument.Voltmeter, Points: []site.PointID{"meter.l-in", "meter.n-in"}, Epoch: -1, Shows: value("230 V")},
		{Kind: instrument.TwoPole, Proving: "sunshine", Shows: instrument.Show(instrument.Lit)},
	} {
		if err := e.Observe(o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
	if x := explain(t, e); !x.Groups[0].Healthy() || len(e.seen) != 0 {
		t.Errorf("a refused observation left something behind: %v", brief(&x))
	}
}

// A lamp that stays dark where it should light leaves the lamp and the joint; the
// advice is a test that tells them apart, and only of those that were offered.
func TestNextBestTest(t *testing.T) {
	_, e := position(t)
	observe(t, e, []Observation{
		{Kind: instrument.TestLamp, Points: []site.PointID{site.MET, "cutout.l-supply"}, Shows: instrument.Show(instrument.Dark)},
		{Kind: instrument.TestLamp, Points: []site.PointID{site.CutoutN, "cutout.l-supply"}, Shows: instrument.Show(instrument.Dark)},
		{Kind: instrument.SocketTester, Points: []site.PointID{"socket.l", "socket.n", "socket.e"}, Shows: instrument.Show(instrument.Healthy)},
	})
	x := explain(t, e)
	if !x.Groups[0].Has("blown/lamp") || x.Groups[0].Healthy() {
		t.Errorf("got %v", brief(&x))
	}
	offered := []Candidate{
		{Kind: instrument.Clamp, Points: []site.PointID{"meter.l-in"}},
		{Kind: instrument.TwoPole, Points: []site.PointID{site.CutoutN, "cutout.l-supply"}},
		{Kind: instrument.TestLamp, Points: []site.PointID{site.MET, "cutout.l-supply"}},
	}
	advice, err := e.Next(offered)
	if err != nil || len(advice) != len(offered) {
		t.Fatal(advice, err)
	}
	for i := 1; i < len(advice); i++ {
		if advice[i].Nats-exposureWeight*advice[i].Exposure > advice[i-1].Nats-exposureWeight*advice[i-1].Exposure {
			t.Errorf("the advice is not in order: %+v", advice)
		}
	}
}

// The same observations in another order leave the same, to what rounding shows.
func TestOrderDoesNotMatter(t *testing.T) {
	s, e := position(t)
	list := visit(t, s, 3, false, e.catalogue[e.index("failing/tail.n")])
	observe(t, e, list)
	a := explain(t, e)
	for i, j := 0, len(list)-1; i < j; i, j = i+1, j-1 {
		list[i], list[j] = list[j], list[i]
	}
	observe(t, e, list)
	b := explain(t, e)
	if a.Groups[0].Probability != b.Groups[0].Probability || fmt.Sprint(a.Groups[0].IDs) != fmt.Sprint(b.Groups[0].IDs) {
		t.Errorf("got %v and %v", brief(&a), brief(&b))
	}
}

func TestNoFusedInstructions(t *testing.T) {
	found, err := fmascan.Scan(t.Context(), ".", ".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		t.Error(f)
	}
}

// BenchmarkObserve is one more observation against nothing wrong and every single
// departure, without and with the worlds solved before.
func BenchmarkObserve(b *testing.B) {
	s, e := position(b)
	list := visit(b, s, 1, false)
	observe(b, e, list)
	o := list[len(list)-1]
	b.Run("kept", func(b *testing.B) {
		for b.Loop() {
			e.Begin()
			if err := e.Observe(o); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("new", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			e.Begin()
			o.Epoch = 100 + i%400
			if err := e.Observe(o); err != nil {
				b.Fatal(err)
			}
		}
	})
}
