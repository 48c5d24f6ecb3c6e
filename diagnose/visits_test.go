package diagnose

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"testing"

	"meterwright/site"
)

// count is how many visits a test draws: few, or all where the full counts are asked for.
func count(few, all int) int {
	if n, err := strconv.Atoi(os.Getenv("MW_VISITS")); err == nil {
		return n
	}
	if soak {
		return all
	}
	return few
}

// workers runs a task for each number below n, with as many engines as there are
// processors.
func workers(t *testing.T, s *site.Site, first *Engine, n int, task func(e *Engine, k int)) {
	t.Helper()
	numbers := make(chan int)
	var wg sync.WaitGroup
	for i := range runtime.GOMAXPROCS(0) {
		e := first
		if i > 0 {
			var err error
			if e, err = newEngine(s, first.catalogue, Stated{}); err != nil {
				t.Fatal(err)
			}
			e.kin = first.kin
		}
		wg.Go(func() {
			for k := range numbers {
				task(e, k)
			}
		})
	}
	for k := range n {
		numbers <- k
	}
	close(numbers)
	wg.Wait()
}

func think(t testing.TB, e *Engine) Explanation {
	t.Helper()
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

// score counts what came out right.
type score struct{ right, all int }

func (s *score) add(right bool) {
	s.all++
	if right {
		s.right++
	}
}

func (s score) String() string { return fmt.Sprintf("%d of %d", s.right, s.all) }

// drawnVisit is one visit of TestDrawnVisits.
type drawnVisit struct {
	seed    uint64
	present []int
	nats    float64 // expected of it
	result  Explanation
	seen    float64 // evidence of what is present over nothing wrong, in this visit
}

// drawIDs draws departures as often as their rates.
func drawIDs(e *Engine, r *rand.Rand) int {
	total := 0.0
	for i := range e.catalogue {
		total += e.catalogue[i].Prior.Rate
	}
	for {
		x, i := r.Float64()*total, 0
		for ; i < len(e.catalogue)-1 && x >= e.catalogue[i].Prior.Rate; i++ {
			x -= e.catalogue[i].Prior.Rate
		}
		if d := &e.catalogue[i]; d.Kind != "" || len(d.Changes) > 0 {
			return i
		}
	}
}

// detectable is what a visit must be expected to say for what is present, in nats.
const detectable = 3

// draw draws what is present in visit k: in a third nothing, in half one departure that
// the tests can detect, in a sixth two that they can tell from each alone. What can be
// detected at a place is what its readings are expected to say with at least three nats.
func (v *drawnVisit) draw(t *testing.T, s *site.Site, e *Engine, k int) {
	t.Helper()
	if k%3 == 0 {
		v.seed = uint64(k)
		return
	}
	r := rand.New(rand.NewPCG(uint64(k), 2))
	for {
		v.seed = uint64(k) + r.Uint64N(1<<40)<<20
		i := drawIDs(e, r)
		if k%6 != 5 {
			v.present = []int{i}
			if v.nats = expected(t, s, e, v.seed, v.present); v.nats >= detectable {
				return
			}
			continue
		}
		j := drawIDs(e, r)
		if i == j || !e.joins(e.single[i+1], j) {
			continue
		}
		v.present = []int{min(i, j), max(i, j)}
		if expected(t, s, e, v.seed, v.present, i) >= detectable && expected(t, s, e, v.seed, v.present, j) >= detectable {
			return
		}
	}
}

// Visits drawn with nothing wrong, with one departure and with two, each departure as
// often as its rate.
func TestDrawnVisits(t *testing.T) {
	s, e := position(t)
	n := count(300, 10000)
	visits := make([]drawnVisit, n)
	workers(t, s, e, n, func(e *Engine, k int) {
		v := &visits[k]
		v.draw(t, s, e, k)
		observe(t, e, visit(t, s, v.seed, 0, false, departures(e, v.present)...))
		v.result = think(t, e)
		if len(v.present) == 1 {
			v.seen = evidenceOf(t, e, v.present...) - evidenceOf(t, e)
		}
	})
	var single, healthy, pair, missed, doubted score
	for k := range visits {
		v := &visits[k]
		x := &v.result
		switch len(v.present) {
		case 0:
			healthy.add(x.Groups[0].Healthy())
			doubted.add(len(x.Doubts) > 0)
			if !x.Groups[0].Healthy() {
				t.Logf("seed %d: nothing wrong, but %s", k, brief(x))
			}
		case 1:
			d := &e.catalogue[v.present[0]]
			first := inFirst(x, 1, e, v.present...)
			single.add(first)
			if !first {
				t.Logf("seed %d: %s (%.1f nats expected, %.1f here) not first: %s", k, d.ID, v.nats, v.seen, brief(x))
			}
			if d.Danger && v.seen >= detectable {
				nothing := x.Groups[0].Healthy() && len(x.Doubts) == 0
				missed.add(nothing)
				if nothing {
					t.Logf("seed %d: %s (%.1f nats here) is shown as nothing wrong", k, d.ID, v.seen)
				}
			}
		case 2:
			among := inFirst(x, 3, e, v.present...)
			pair.add(among)
			if !among {
				t.Logf("seed %d: %s with %s not in the first three: %s", k, e.catalogue[v.present[0]].ID, e.catalogue[v.present[1]].ID, brief(x))
			}
		}
	}
	t.Logf("single in the first group %s; healthy called healthy %s, a danger doubted in %s; pairs in the first three %s; dangerous, seen and shown as nothing wrong %s; seeds 0 to %d",
		single, healthy, doubted, pair, missed, n-1)
	atLeast := func(what string, s score, share float64) {
		// Two standard deviations of a count are left to chance.
		all := float64(s.all)
		if s.all == 0 || float64(s.right) < share*all-2*math.Sqrt(all*share*(1-share)) {
			t.Errorf("%s: %s, less than %g", what, s, share)
		}
	}
	atLeast("single departures in the first group", single, 0.95)
	atLeast("pairs in the first three groups", pair, 0.90)
	atLeast("healthy called healthy", healthy, 0.99)
	if float64(missed.right) > 0.001*float64(missed.all) {
		t.Errorf("dangerous departures, seen and shown as nothing wrong: %s", missed)
	}
}

// said is a probability that an explanation gave a group, and whether the group held
// what was present.
type said struct {
	p    float64
	true bool
}

// calibration draws visits with none, one or two departures as often as the engine
// itself holds them for likely, once their rates are raised so that half of the visits
// have one, and returns what it said of each group.
func calibration(t *testing.T, n int, wide bool) []said {
	t.Helper()
	s, first := position(t)
	total := 0.0
	var catalogue []site.Departure
	for _, d := range first.catalogue {
		// What no instrument and no wiring has to do with is never told apart from nothing wrong.
		if d.Kind != "" || len(d.Changes) > 0 {
			catalogue = append(catalogue, d)
			total += d.Prior.Rate
		}
	}
	for i := range catalogue {
		catalogue[i].Prior.Rate *= 0.5 / total
	}
	e, err := newEngine(s, catalogue, Stated{})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.findKin(); err != nil {
		t.Fatal(err)
	}
	each := make([][]said, n)
	workers(t, s, e, n, func(e *Engine, k int) {
		r := rand.New(rand.NewPCG(uint64(k), 11))
		// Nothing weighs 0.5, each departure its rate, each pair the product of two rates.
		var ids []int
		switch x := r.Float64() * 1.125; {
		case x < 0.5:
		case x < 1:
			ids = []int{drawIDs(e, r)}
		default:
			i, j := drawIDs(e, r), drawIDs(e, r)
			for i == j || !e.joins(e.single[i+1], j) {
				i, j = drawIDs(e, r), drawIDs(e, r)
			}
			ids = []int{min(i, j), max(i, j)}
		}
		observe(t, e, visit(t, s, uint64(k), 0, wide, departures(e, ids)...))
		x := think(t, e)
		// Of two, one that this visit does not show is not asked for.
		if len(ids) == 2 {
			both := evidenceOf(t, e, ids...)
			for i, id := range ids {
				if both-evidenceOf(t, e, id) < worthwhile {
					ids = []int{ids[i]}
					break
				}
			}
		}
		for _, g := range x.Groups {
			if g.Probability >= 0.005 {
				hit := slices.ContainsFunc(g.IDs, func(set []string) bool { return sameSet(e, set, ids) })
				each[k] = append(each[k], said{g.Probability, hit})
			}
		}
	})
	return slices.Concat(each...)
}

func sameSet(e *Engine, names []string, ids []int) bool {
	if len(names) != len(ids) {
		return false
	}
	for _, id := range ids {
		if !slices.Contains(names, e.catalogue[id].ID) {
			return false
		}
	}
	return true
}

// bins sorts what was said into bins of equal number, and gives the mean of what was
// said in each, how often it was so, and the interval of Wilson's score at z standard
// deviations (E. B. Wilson, JASA 22 (1927) 209, from memory).
type bin struct{ said, low, share, high float64 }

func binned(list []said, n int, z float64) []bin {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b said) int { return compare(a.p, b.p) })
	var out []bin
	for i := range n {
		part := list[i*len(list)/n : (i+1)*len(list)/n]
		m, mean, hits := float64(len(part)), 0.0, 0.0
		for _, x := range part {
			mean += x.p
			if x.true {
				hits++
			}
		}
		p := hits / m
		mid := (p + z*z/(2*m)) / (1 + z*z/m)
		half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
		out = append(out, bin{mean / m, mid - half, p, mid + half})
	}
	return out
}

// What the engine states is how often it is so, where readings err as it believes.
// Where they err three times as much, it is not; the second run is reported beside.
func TestStatedProbabilities(t *testing.T) {
	n, parts := count(60, 1500), 4
	if n > 1000 {
		parts = 10
	}
	list := calibration(t, n, false)
	// A bin falls outside by chance once in a thousand times.
	for _, b := range binned(list, parts, 3.29) {
		t.Logf("said %.3f, was so %.3f, credible %.3f to %.3f", b.said, b.share, b.low, b.high)
		if b.said < b.low || b.said > b.high {
			t.Errorf("said %.3f, but it was so in %.3f of the cases", b.said, b.share)
		}
	}
	t.Log("readings that err three times as much as the engine believes:")
	for _, b := range binned(calibration(t, n/3, true), parts, 3.29) {
		t.Logf("said %.3f, was so %.3f, credible %.3f to %.3f", b.said, b.share, b.low, b.high)
	}
	t.Logf("%d visits as believed, %d with three times the error", n, n/3)
}
