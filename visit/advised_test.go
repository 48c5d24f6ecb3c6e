package visit

import (
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"meterwright/instrument"
)

func someAdvice(upon string) Advised {
	return Advised{Upon: upon, Engine: "e", Model: "m", Site: "s", Against: []Explanation{{"open/tail.n"}},
		Fits:    []Meaning{{Departures: []Explanation{{"open/tail.l"}}, Probability: "0.93", Danger: true}},
		Outside: "0.01", Untouched: 3}
}

// Advice decides nothing: a visit in which the model advised and the person answered after
// every event accepts and refuses what the same visit without any advice does, and comes
// to the same Control.
func TestAdviceReachesNoGuard(t *testing.T) {
	m := plainMachine(t)
	rapid.Check(t, func(t *rapid.T) {
		plain, advised := &driver{v: Begin(m), boot: "x"}, &driver{v: Begin(m), boot: "x"}
		told := 0
		apply := func(body Body) {
			ra, ea := plain.do(body)
			rb, eb := advised.do(body)
			if (ra == nil) != (rb == nil) || (ea == nil) != (eb == nil) {
				t.Fatalf("%s: without advice %v, %v and with it %v, %v", KindOf(body), ra, ea, rb, eb)
			}
			// What is said takes no time here, so that the two visits age alike.
			mono, wall := advised.mono, advised.wall
			defer func() { advised.mono, advised.wall = mono, wall }()
			say := func(body Body) (*Refusal, error) {
				advised.mono, advised.wall = mono-30_000, wall.Add(-30*time.Second)
				return advised.do(body)
			}
			events := advised.v.account.events
			if last := events[len(events)-1]; last.do != doNote {
				if r, err := say(someAdvice(last.hash)); r != nil || err != nil {
					t.Fatalf("advice was not taken: %v %v", r, err)
				}
				advice := advised.v.account.Advice
				answer := Answered{Advice: advice[len(advice)-1].Event, Answer: rapid.SampledFrom([]string{"follow", "set-aside"}).Draw(t, "answer"), Why: "w"}
				if r, err := say(answer); r != nil || err != nil {
					t.Fatalf("the answer was not taken: %v %v", r, err)
				}
				told++
			}
			if plain.v.Control() != advised.v.Control() {
				t.Fatalf("after %s the advice changed Control", KindOf(body))
			}
		}
		apply(Opened{Job: "J", MethodHash: m.Hash})
		for range rapid.IntRange(1, 120).Draw(t, "length") {
			n := plain.v.Next()
			if n.Step == "" {
				break
			}
			s, _ := m.Method.Step(n.Step)
			switch rapid.IntRange(0, 9).Draw(t, "way") {
			case 0:
				apply(LeftOut{Step: n.Step, How: "not-tested", Why: "x"})
			case 1:
				apply(WentAway{})
				apply(CameBack{})
			case 2:
				at := m.Method.Steps[rapid.IntRange(0, len(m.Method.Steps)-1).Draw(t, "step")]
				apply(Returned{Step: at.ID, Why: "x"})
			case 3:
				apply(Stopped{Why: "x"})
				apply(Resumed{Why: "x"})
			default:
				for _, b := range expectedBodies(plain.v, s) {
					apply(b)
				}
			}
		}
		if got := advised.v.Account(); len(got.Advice) != told {
			t.Fatalf("%d advices were taken and %d are told", told, len(got.Advice))
		}
	})
}

func TestAdviceWithoutSense(t *testing.T) {
	d := &driver{v: Begin(plainMachine(t)), boot: "x"}
	d.do(Opened{Job: "J", MethodHash: d.v.machine.Hash})
	upon := d.v.account.events[0].hash
	if r, err := d.do(someAdvice(upon)); r != nil || err != nil {
		t.Fatal(r, err)
	}
	given := d.v.account.Advice[0].Event
	change := func(f func(*Advised)) Advised {
		a := someAdvice(upon)
		f(&a)
		return a
	}
	step := d.v.machine.Method.Steps[0].ID
	for name, c := range map[string]struct {
		body Body
		want string
	}{
		"upon nothing":     {someAdvice("x"), "upon names no observation"},
		"upon advice":      {someAdvice(given), "upon names no observation"},
		"no model":         {change(func(a *Advised) { a.Model = "" }), "name all three"},
		"no meanings":      {change(func(a *Advised) { a.Fits = nil }), "from 1 to 50 meanings"},
		"empty meaning":    {change(func(a *Advised) { a.Fits[0].Departures = nil }), "from 1 to 50 explanations"},
		"unknown caveat":   {change(func(a *Advised) { a.Fits[0].Yet = "x" }), "nothing that is said beside"},
		"no such meaning":  {change(func(a *Advised) { a.Next = &NextTest{Step: step, Apart: []int{1}, Nats: "1", Exposure: "0"} }), "tells meaning 1 apart, and there are 1"},
		"certain":          {change(func(a *Advised) { a.Fits[0].Probability = "1.2" }), `"1.2" is no probability`},
		"repeat nothing":   {change(func(a *Advised) { a.Repeat = []string{given} }), "no reading of this visit that could be repeated"},
		"negative":         {change(func(a *Advised) { a.Untouched = -1 }), "below 0"},
		"unknown step":     {change(func(a *Advised) { a.Next = &NextTest{Step: "x", Nats: "1", Exposure: "0"} }), "this method has not"},
		"no information":   {change(func(a *Advised) { a.Next = &NextTest{Step: step, Nats: "-1", Exposure: "0"} }), "no amount of information"},
		"answer nothing":   {Answered{Advice: upon, Answer: "follow"}, "answers no advice"},
		"answer otherwise": {Answered{Advice: given, Answer: "agree"}, "write follow or set-aside"},
		"without why":      {Answered{Advice: given, Answer: "set-aside"}, "say why"},
		"correction":       {Corrected{Event: given, Why: "x"}, ""},
	} {
		before := len(d.v.account.events)
		if r, err := d.do(c.body); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, %v", name, r, err)
		}
		if len(d.v.account.events) != before {
			t.Errorf("%s was taken", name)
		}
	}
}

func TestAdviceTells(t *testing.T) {
	same := someAdvice("u")
	same.Against = nil
	change := func(f func(*Advised)) Advised {
		a := same
		a.Fits = append([]Meaning{}, same.Fits...)
		f(&a)
		return a
	}
	for name, c := range map[string]struct {
		a    Advised
		want bool
	}{
		"the same":            {same, false},
		"another number":      {change(func(a *Advised) { a.Fits[0].Probability = "0.94"; a.Untouched = 1 }), false},
		"spoken against":      {change(func(a *Advised) { a.Against = []Explanation{{"x"}} }), true},
		"another meaning":     {change(func(a *Advised) { a.Fits[0].Departures = []Explanation{{"x"}} }), true},
		"other odds":          {change(func(a *Advised) { a.Fits[0].Probability = "0.49" }), true},
		"a reading to repeat": {change(func(a *Advised) { a.Repeat = []string{"x"} }), true},
		"danger":              {change(func(a *Advised) { a.Fits[0].Danger = false }), true},
		"one meaning more":    {change(func(a *Advised) { a.Fits = append(a.Fits, Meaning{Departures: []Explanation{{"x"}}}) }), true},
		"a next test":         {change(func(a *Advised) { a.Next = &NextTest{Step: "x"} }), true},
		"what is not weighed": {change(func(a *Advised) { a.Skipped = 2 }), false},
	} {
		if got := c.a.Tells(&same); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
	if !same.Tells(nil) {
		t.Error("the first advice is no news")
	}
	a, b := change(func(a *Advised) { a.Next = &NextTest{Step: "x"} }), change(func(a *Advised) { a.Next = &NextTest{Step: "y"} })
	if !a.Tells(&b) || a.Tells(&a) {
		t.Error("another next test is no news, or the same one is")
	}
}

// TestOdds: the word for a probability, at its bounds, which docs/model.md gives too; what is likelier than all
// the rest together is most likely, and what is less than one in ten is at most not left out [P].
func TestOdds(t *testing.T) {
	for p, want := range map[string]Odds{"1": MostLikely, "0.5": MostLikely, "0.499": Possible, "0.100": Possible, "0.099": NotLeftOut, "0.001": NotLeftOut, "0": NotLeftOut, "x": NotLeftOut} {
		if got := (&Meaning{Probability: p}).Odds(); got != want {
			t.Errorf("%s is %s, want %s", p, got, want)
		}
	}
	doc, err := os.ReadFile("../docs/model.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []string{"| most likely | from 0.5 |", "| possible | from 0.1 |", "| cannot be left out | below 0.1 |"} {
		if !strings.Contains(string(doc), row) {
			t.Errorf("docs/model.md has no row %q", row)
		}
	}
	// Two dangers that are each possible are most likely dangerous; one in ten is not.
	third := Meaning{Departures: []Explanation{{"x"}}, Probability: "0.3", Danger: true}
	tenth := Meaning{Departures: []Explanation{{"y"}}, Probability: "0.1", Danger: true}
	calm := Meaning{Departures: []Explanation{{}}, Probability: "0.6"}
	for _, c := range []struct {
		fits  []Meaning
		want  Odds
		quiet bool
	}{{[]Meaning{third, third}, MostLikely, false}, {[]Meaning{calm, tenth}, Possible, false}, {[]Meaning{calm}, NotLeftOut, true},
		{[]Meaning{third}, Possible, false}, {[]Meaning{{Departures: calm.Departures, Probability: "0.6", Yet: YetSlip}}, NotLeftOut, false}} {
		a := Advised{Fits: c.fits}
		if got := a.Dangerous(); got != c.want || a.Quiet() != c.quiet {
			t.Errorf("%+v: dangerous %s, quiet %v", c.fits, got, a.Quiet())
		}
	}
}

// Reach says what happens when the events are sent: in turn or after going back, with nothing
// folded by the asking.
func TestReach(t *testing.T) {
	m := plainMachine(t)
	d := drive(t, m)
	d.to("polarity-line-out")
	before := d.v.Control()
	for _, c := range []struct {
		step         string
		inTurn, back bool
	}{
		{"polarity-line-out", true, false}, {"polarity-line-in", false, true}, {"polarity-voltage", false, false},
		{"premises", false, false}, {"no-such-step", false, false}, {"socket-line-neutral", false, true},
	} {
		if inTurn, back := d.v.Reach(c.step); inTurn != c.inTurn || back != c.back {
			t.Errorf("%s: in turn %v, back %v", c.step, inTurn, back)
		}
	}
	if d.v.Control() != before || len(d.log) != len(d.v.account.Story) {
		t.Error("asking changed the visit")
	}
	proving := Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: instrument.Show(instrument.Dark)}
	d.must(proving)
	if inTurn, back := d.v.Reach("polarity-line-out"); inTurn || back {
		t.Error("a test with an instrument that failed its proving is within reach")
	}
	proving.Shows = instrument.Show(instrument.Lit)
	d.must(proving)
	if inTurn, _ := d.v.Reach("polarity-line-out"); !inTurn {
		t.Error("proved again, the test is not within reach")
	}
	d.must(WentAway{})
	if inTurn, back := d.v.Reach("polarity-line-out"); inTurn || back {
		t.Error("a test is within reach of somebody who is away")
	}
	d.must(CameBack{})
	d.must(Stopped{Why: "x"})
	if inTurn, back := d.v.Reach("polarity-line-out"); inTurn || back {
		t.Error("a test is within reach under a stop")
	}
}
