package agreement

import (
	json "encoding/json/v2"
	"fmt"
	"math"
	"math/bits"
	"os"
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
	"meterwright/world"
)

// variant is one kind of position that a method is walked through.
type variant struct {
	name string
	job  method.Job
}

// variants lists the kinds of position that a method is for, one property at a
// time, then all together.
func variants(phases int) []variant {
	list := []variant{
		{"plain", method.Job{}},
		{"two-rate", method.Job{Site: site.Spec{Rates: 2}}},
		{"export", method.Job{Site: site.Spec{Export: true}}},
		{"isolator", method.Job{Site: site.Spec{Isolator: true}}},
		{"fit-isolator", method.Job{FitIsolator: true}},
		{"no-socket", method.Job{Site: site.Spec{NoSocket: true}}},
		{"second-unit", method.Job{Site: site.Spec{Units: []string{"house", "off-peak"}}}},
		{"pipes", method.Job{Site: site.Spec{Metalwork: []string{"box", "water-pipe"}}}},
		{"inverter", method.Job{Site: site.Spec{Sources: []site.Source{site.Inverter}, Export: true}}},
	}
	full := site.Spec{Rates: 2, Export: true, Isolator: true, Units: []string{"house", "off-peak"},
		Metalwork: []string{"box", "water-pipe"}, Sources: []site.Source{site.Inverter, site.Battery, site.SecondSupply}}
	if phases == 1 {
		list = append(list, variant{"switched", method.Job{Site: site.Spec{Switched: true}}})
		full.Switched = true
	}
	return append(list, variant{"full", method.Job{Site: full}})
}

// walked is a shipped method resolved for one position, with what a visit to a
// healthy one meets.
type walked struct {
	name      string // method, arrangement, reference, variant, overlays
	method    string
	job       method.Job
	reference string
	resolved  *method.Resolved
	machine   *visit.Machine
	site      *site.Site
	looks     []look
	events    []visit.Event
}

// look is one step at which an instrument is read.
type look struct {
	step      *method.Step
	switching site.Switching
	before    int    // events until then
	bounds    string // what it compares with, and what it says of other answers
}

// eachWalk resolves every shipped method for every position that it is for, with
// overlays on the plain and on the full one, and walks it.
func eachWalk(t *testing.T, do func(w *walked)) {
	t.Helper()
	shelf, err := written.Library()
	if err != nil {
		t.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range shelf.Methods {
		var own []*method.Overlay
		for _, o := range shelf.Overlays {
			if o.Of == d.ID {
				own = append(own, o)
			}
		}
		for _, a := range site.Arrangements() {
			for _, reference := range []string{"yes", "no"} {
				for _, v := range variants(d.For.Phases) {
					sets := 1
					if v.name == "plain" || v.name == "full" {
						sets = 1 << len(own)
					}
					for mask := range sets {
						if n := bits.OnesCount(uint(mask)); n > 1 && n < len(own) && os.Getenv("MW_SOAK") != "1" {
							continue // none, each alone and all together
						}
						w := &walked{method: d.ID, job: v.job, reference: reference}
						w.name = fmt.Sprintf("%s %s, reference %s, %s", d.ID, a, reference, v.name)
						w.job.Site.Arrangement, w.job.Site.Phases = a, d.For.Phases
						w.job.Site.Metering = site.Metering(d.For.Metering)
						w.job.Site.Reference = reference == "yes"
						var set []*method.Overlay
						for i, o := range own {
							if mask&(1<<i) != 0 {
								set = append(set, o)
								w.name += ", " + o.ID
							}
						}
						if w.resolved, err = method.Resolve(d, set, w.job, limits); err != nil {
							t.Fatalf("%s: %v", w.name, err)
						}
						w.walk(t)
						do(w)
					}
				}
			}
		}
	}
}

// walk carries the visit out in the healthy world with usual values, each answer
// of an instrument being what the model says. Nothing may be refused, and the visit
// must end as completed.
func (w *walked) walk(t *testing.T) {
	t.Helper()
	var err error
	if w.machine, err = visit.New(w.resolved); err != nil {
		t.Fatalf("%s: %v", w.name, err)
	}
	if w.site, err = site.Expand(w.job.Site); err != nil {
		t.Fatalf("%s: %v", w.name, err)
	}
	v := visit.Begin(w.machine)
	do := func(what string, b visit.Body) {
		n := len(w.events) + 1
		e := visit.Event{Hash: fmt.Sprintf("%064x", n), Body: b, Boot: "boot", Person: "p-1", Mono: int64(n) * 6000,
			Wall: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC).Add(time.Duration(n) * 6 * time.Second)}
		refusal, err := v.Apply(e)
		if err != nil {
			t.Fatalf("%s: %s: %v", w.name, what, err)
		}
		if refusal != nil {
			t.Fatalf("%s: %s was refused: %v", w.name, what, refusal)
		}
		w.events = append(w.events, e)
	}
	do("opening", visit.Opened{Job: "made up", MethodHash: w.machine.Hash, Fictional: true})
	var switching site.Switching
	var in *world.World
	for range len(w.resolved.Steps) + 1 {
		next := v.Next()
		if next.Stop != "" {
			t.Fatalf("%s: a healthy position is stopped by %s", w.name, next.Stop)
		}
		if next.Step == "" {
			break
		}
		step, _ := w.resolved.Step(next.Step)
		if step.Observe != nil {
			bounds, err := json.Marshal([]any{step.Observe.Bounds, step.Otherwise}, json.Deterministic(true))
			if err != nil {
				t.Fatal(err)
			}
			w.looks = append(w.looks, look{step, switching, len(w.events), string(bounds)})
			if in == nil {
				if in, err = world.New(world.Setup{Site: w.site, Values: w.loaded(site.Usual()), Switching: switching}); err != nil {
					t.Fatalf("%s: %v", w.name, err)
				}
			}
			r, err := shown(in, in.Instrument(instrument.Kind(step.Observe.With)), step.Observe)
			if err != nil {
				t.Fatalf("%s: %s: %v", w.name, step.ID, err)
			}
			do(step.ID, visit.Observed{Step: step.ID, Shows: r.Indication})
			continue
		}
		bodies, err := walk.Expected(step, person{everyday.Person{Method: w.resolved}, w.reference})
		if err != nil {
			t.Fatalf("%s: %s: %v", w.name, step.ID, err)
		}
		for _, body := range bodies {
			do(step.ID, body)
		}
		if step.Act != "" {
			if switching, err = w.site.Do(switching, site.ActID(step.Act)); err != nil {
				t.Fatalf("%s: %s: %v", w.name, step.ID, err)
			}
			in = nil
		}
	}
	do("the end", visit.Ended{Outcome: "completed"})
}

// loaded is v at the position of this walk. One with current transformers has a load that a whole-current meter
// could not carry, of which the secondaries show something [P].
func (w *walked) loaded(v site.Values) *site.Values {
	if w.site.Spec.Metering == site.CTOperated {
		for i := range site.ParamID(3) {
			v[site.Load1Watt+i] = 6000 + v[site.Load1Watt+i]/5
		}
	}
	return &v
}

// person is an everyday one who finds the reference that this walk is about.
type person struct {
	everyday.Person
	reference string
}

func (p person) Fact(s *method.Step) (string, error) {
	if s.Decide.Fact == "reference" {
		return p.reference, nil
	}
	return p.Person.Fact(s)
}

// judge has the engine judge an indication at a step, in a visit that has come as
// far as that. Where it is asked for once more, it shows the same again, and that
// is what counts. Equal questions are asked once.
type judge map[question]visit.Found

type question struct {
	with, expect string
	bounds       string // what the step compares with, and what it says of other answers
	shows        instrument.Indication
}

func (j judge) found(t *testing.T, w *walked, l *look, shows instrument.Indication) visit.Found {
	t.Helper()
	o := l.step.Observe
	key := question{with: o.With, expect: o.Expect, bounds: l.bounds, shows: shows}
	if found, ok := j[key]; ok {
		return found
	}
	v := visit.Fold(w.machine, w.events[:l.before])
	e := w.events[l.before]
	e.Body = visit.Observed{Step: l.step.ID, Shows: shows}
	var last visit.Reading
	for range 2 {
		refusal, err := v.Apply(e)
		if err != nil || refusal != nil {
			t.Fatalf("%s: %s with %v: %v, %v", w.name, l.step.ID, shows, err, refusal)
		}
		readings := v.Account().Readings
		if last = readings[len(readings)-1]; last.Step != l.step.ID {
			t.Fatalf("%s: the last reading is of %s, not of %s", w.name, last.Step, l.step.ID)
		}
		if !last.Judged.Again {
			break
		}
		e.Hash = fmt.Sprintf("%064x", len(w.events)+1)
	}
	if last.Judged.Again {
		t.Fatalf("%s: %s with %v is asked for a third time", w.name, l.step.ID, shows)
	}
	j[key] = last.Judged.Found
	return j[key]
}

// spread is draw k of dimension i, evenly from 0 to 1: multiples of the square
// roots of primes.
func spread(k, i int) float64 {
	x := 0.5 + float64(k+1)*math.Sqrt(float64(primes[i]))
	return x - math.Floor(x)
}

var primes = func() []int {
	var list []int
	for n := 2; len(list) < site.ParameterCount+64; n++ {
		prime := true
		for _, p := range list {
			prime = prime && n%p != 0
		}
		if prime {
			list = append(list, n)
		}
	}
	return list
}()

// values are draw k of the parameters.
func values(k int) site.Values {
	var u [site.ParameterCount]float64
	for i := range u {
		u[i] = spread(k, i)
	}
	return site.Draw(&u)
}

// sound is a healthy instrument with draw k of its traits.
func sound(k int, kind instrument.Kind) instrument.Instrument {
	in := instrument.New(kind, instrument.Sound)
	for i, r := range instrument.AllTraits() {
		if r.Kind == kind {
			p := site.Parameter{Low: r.Low, High: r.High, Log: true}
			r.Set(&in.Traits, p.At(spread(k, site.ParameterCount+i)))
		}
	}
	return in
}

// shown is what an instrument shows in a world where a step asks for it.
func shown(w *world.World, in instrument.Instrument, o *method.Observe) (world.Reading, error) {
	points, err := walk.Points(w.Site(), in.Kind, site.PointID(o.At), site.PointID(o.Against))
	if err != nil {
		return world.Reading{}, err
	}
	return w.Read(in, points...)
}
