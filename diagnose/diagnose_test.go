package diagnose

import (
	"fmt"
	"os"
	"slices"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
)

var soak = os.Getenv("MW_SOAK") == "1"

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
	list := visit(t, s, 3, 0, false, e.catalogue[e.index("failing/tail.n")])
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

// Three things wrong at once, each of which shows, are found together.
func TestThreeAtOnce(t *testing.T) {
	s, e := position(t)
	ids := []int{e.index("dead/clamp"), e.index("exchanged/socket.l-n"), e.index("blown/lamp")}
	slices.Sort(ids)
	observe(t, e, visit(t, s, 5, 0, false, departures(e, ids)...))
	x := think(t, e)
	if !inFirst(&x, 1, e, ids...) {
		t.Errorf("got %v", brief(&x))
	}
}

// Thinking in small pieces comes to the same as thinking at once.
func TestThinkingInPieces(t *testing.T) {
	s, e := position(t)
	list := visit(t, s, 9, 0, false, departures(e, []int{e.index("failing/tail.n"), e.index("dead/clamp")})...)
	observe(t, e, list)
	pieces := 0
	for {
		done, err := e.Think(100)
		if err != nil {
			t.Fatal(err)
		}
		if pieces++; done {
			break
		}
	}
	a := explain(t, e)
	observe(t, e, list)
	if done, err := e.Think(1 << 40); !done || err != nil {
		t.Fatal(done, err)
	}
	if b := explain(t, e); fmt.Sprint(a) != fmt.Sprint(b) || pieces < 10 {
		t.Errorf("in %d pieces %v, and at once %v", pieces, brief(&a), brief(&b))
	}
}

// A dangerous departure that ten times as much speaks for as for nothing wrong is named,
// however rare it is.
func TestRareDangerIsNamed(t *testing.T) {
	_, e := position(t)
	observe(t, e, []Observation{
		{Kind: instrument.NonContact, Points: []site.PointID{"metalwork.box"}, Shows: instrument.Show(instrument.Lit)},
		{Kind: instrument.SocketTester, Points: []site.PointID{"socket.l", "socket.n", "socket.e"}, Shows: instrument.Show(instrument.Healthy)},
		{Kind: instrument.TwoPole, Points: []site.PointID{"metalwork.box", site.Reference}, Shows: instrument.Show(instrument.Dark)},
	})
	x := think(t, e)
	if x.Groups[0].Healthy() && len(x.Doubts) == 0 {
		t.Errorf("metalwork made the detector light, and nothing dangerous is named: %v", brief(&x))
	}
	if !x.Groups[0].Healthy() && !x.Groups[0].Danger {
		t.Errorf("got %v", brief(&x))
	}
}

// Where the tests do not tell a live part from an instrument that is wrong, the live part
// is named first, although it is rarer.
func TestGravestFirst(t *testing.T) {
	_, e := position(t)
	observe(t, e, []Observation{
		{Kind: instrument.NonContact, Points: []site.PointID{"metalwork.box"}, Shows: instrument.Show(instrument.Lit)},
	})
	x := think(t, e)
	i := slices.IndexFunc(x.Groups, func(g Group) bool { return g.Has("stuck-on/detector") && g.Has("reversed/service") })
	if i < 0 {
		t.Fatalf("one lit detector tells a stuck one from a reversed service: %v", brief(&x))
	}
	seen := false // an explanation in which no wiring endangers
	for _, ids := range x.Groups[i].IDs {
		d := e.catalogue[e.index(ids[0])]
		live := d.Danger && d.Nature == site.OfWiring
		if live && seen {
			t.Errorf("%s comes after what only an instrument or a person explains: %v", ids[0], x.Groups[i].IDs)
		}
		seen = seen || !live
	}
	if first := x.Groups[i].IDs[0][0]; first == "stuck-on/detector" || first == "lifted/body" {
		t.Errorf("%s is named first", first)
	}
}
