package visit

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/site"
)

// maxMeanings bounds the lists of an advice.
const maxMeanings = 50

// Advised is what the physical model made of the observations so far. It opens and closes no guard.
type Advised struct {
	// Upon is the hash of the event after which it was worked out.
	Upon string `json:"upon"`
	// Engine names the edition that worked it out; Model and Site are hashes of the model's
	// tables and of the position as the model had it.
	Engine string `json:"engine"`
	Model  string `json:"model"`
	Site   string `json:"site"`
	// Against lists explanations that the last observation spoke against; AgainstMore counts others.
	Against     []Explanation `json:"against,omitempty"`
	AgainstMore int           `json:"against_more,omitempty"`
	// Fits is what the observations may mean, likeliest first; that nothing is wrong comes last where a
	// reading stands against it.
	Fits []Meaning `json:"fits"`
	// Repeat lists observations that none of what is likeliest explains, by their events.
	Repeat []string `json:"repeat,omitempty"`
	// Outside is the probability that the truth is not in the model, for example "0.002".
	Outside string `json:"not_in_the_model"`
	// Untouched counts the departures that no observation has borne on.
	Untouched int `json:"not_borne_on"`
	// Skipped counts readings and provings that the model does not weigh.
	Skipped int `json:"not_weighed,omitempty"`
	// Next is the test that would tell most, of those that the method allows, or nil.
	Next *NextTest `json:"next,omitempty"`
}

// Explanation is the ids of departures that are there together; without one nothing is wrong.
type Explanation []string

// Meaning is one thing that the observations may mean: explanations that the tests made do not tell apart.
type Meaning struct {
	Departures []Explanation `json:"departures"`
	// Others counts explanations that are not listed.
	Others int `json:"others,omitempty"`
	// Yet says what has to be said beside the explanation that nothing is wrong.
	Yet Yet `json:"yet,omitempty"`
	// Probability is a decimal from 0 to 1.
	Probability string `json:"probability"`
	// Danger says that one of them can put or hide a dangerous voltage.
	Danger bool `json:"danger,omitempty"`
}

// Yet is what has to be said beside "nothing is wrong".
type Yet string

// What has to be said.
const (
	// YetSlip: only if one of the readings was a slip.
	YetSlip Yet = "if-a-slip"
	// YetEarlier: an earlier reading was not as expected.
	YetEarlier Yet = "earlier-otherwise"
	// YetRare: something rarer and dangerous fits much better.
	YetRare Yet = "rarer-fits-better"
	// YetStands: a reading that raised a stop, or puts a voltage on what can be touched, stands as it was read.
	YetStands Yet = "reading-stands"
)

// Odds is how likely a meaning is, in a word: the model deserves no finer figure.
type Odds string

// The odds; oddsFrom bounds them.
const (
	MostLikely Odds = "most-likely"
	Possible   Odds = "possible"
	NotLeftOut Odds = "not-left-out"
)

// oddsFrom is the probability from which each word is said: likelier than all the rest together, and one in
// ten [P].
var oddsFrom = []struct {
	odds Odds
	from float64
}{{MostLikely, 0.5}, {Possible, 0.1}, {NotLeftOut, 0}}

// OddsOf is the word for a probability.
func OddsOf(p float64) Odds {
	for _, o := range oddsFrom {
		if p >= o.from {
			return o.odds
		}
	}
	return NotLeftOut
}

// NextTest is a step of the method with what it would tell.
type NextTest struct {
	Step string `json:"step"`
	// Apart lists the meanings that it would tell apart, by their place in Fits.
	Apart []int `json:"apart,omitempty"`
	// Live lists points that it is made on and that one of the meanings makes dangerous.
	Live []site.PointID `json:"live,omitempty"`
	// Nats is the information expected of it, a decimal.
	Nats string `json:"nats"`
	// Exposure is the probability that a hand meets a part above the touch limit in it.
	Exposure string `json:"exposure"`
}

// Answered is what the person made of an advice.
type Answered struct {
	// Advice is the hash of the advised event.
	Advice string `json:"advice"`
	// Answer is follow or set-aside.
	Answer string `json:"answer"`
	// Why is required where it is set aside.
	Why string `json:"why,omitempty"`
}

// AdviceLine is one advice as it was given, with what the person made of it.
type AdviceLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Advised
	// Answers is in the order in which they were given.
	Answers []AnswerLine `json:"answers,omitempty"`
}

// AnswerLine is one answer to an advice.
type AnswerLine struct {
	Event string    `json:"event"`
	At    time.Time `json:"at"`
	Answered
}

// checkAdvised looks only at the form of an advice: what it says decides nothing.
func (v *Visit) checkAdvised(b Advised) error {
	if i, ok := v.account.byHash[b.Upon]; !ok || v.account.events[i].do == doNote {
		return fmt.Errorf("upon names no observation of this visit: name the event after which it was worked out")
	}
	if b.Engine == "" || b.Model == "" || b.Site == "" {
		return fmt.Errorf("an advice names the engine, the model and the site that it was worked out with: name all three")
	}
	if len(b.Fits) == 0 || len(b.Fits) > maxMeanings || len(b.Against) > maxMeanings {
		return fmt.Errorf("an advice has from 1 to %d meanings, and speaks against at most as many", maxMeanings)
	}
	shares := []string{b.Outside}
	for _, l := range b.Fits {
		shares = append(shares, l.Probability)
		if len(l.Departures) == 0 || len(l.Departures) > maxMeanings {
			return fmt.Errorf("a meaning has from 1 to %d explanations", maxMeanings)
		}
		if l.Yet != "" && !slices.Contains([]Yet{YetSlip, YetEarlier, YetRare, YetStands}, l.Yet) {
			return fmt.Errorf("%q is nothing that is said beside a meaning", clip(string(l.Yet)))
		}
	}
	if n := b.Next; n != nil {
		if _, i := v.machine.Method.Step(n.Step); i < 0 {
			return fmt.Errorf("the next test names the step %q, which this method has not", clip(n.Step))
		}
		shares = append(shares, n.Exposure)
		for _, i := range n.Apart {
			if i < 0 || i >= len(b.Fits) {
				return fmt.Errorf("the next test tells meaning %d apart, and there are %d", i, len(b.Fits))
			}
		}
		if d, err := measure.ParseDecimal(n.Nats); err != nil || d.Float() < 0 {
			return fmt.Errorf("%q is no amount of information: write a decimal of nats", clip(n.Nats))
		}
	}
	for _, p := range shares {
		if d, err := measure.ParseDecimal(p); err != nil || d.Float() < 0 || d.Float() > 1 {
			return fmt.Errorf("%q is no probability: write a decimal from 0 to 1", clip(p))
		}
	}
	if len(b.Repeat) > maxMeanings {
		return fmt.Errorf("an advice asks for at most %d readings again", maxMeanings)
	}
	for _, hash := range b.Repeat {
		if body, _ := v.account.Body(hash); body == nil || !v.Bears(body) {
			return fmt.Errorf("%q is no reading of this visit that could be repeated: name its event", clip(hash))
		}
	}
	if b.Untouched < 0 || b.Skipped < 0 || b.AgainstMore < 0 {
		return fmt.Errorf("not_borne_on, not_weighed and against_more are counts: they cannot be below 0")
	}
	return nil
}

func (v *Visit) checkAnswered(b Answered) error {
	i, ok := v.account.byHash[b.Advice]
	if ok {
		_, ok = v.account.events[i].body.(Advised)
	}
	switch {
	case !ok:
		return fmt.Errorf("it answers no advice of this visit: name the advised event by its hash")
	case b.Answer != "follow" && b.Answer != "set-aside":
		return fmt.Errorf("%q is no answer to an advice: write follow or set-aside", clip(b.Answer))
	case b.Answer == "set-aside" && strings.TrimSpace(b.Why) == "":
		return fmt.Errorf("say why the advice is set aside")
	}
	return nil
}

// Tells reports whether a person who knows the advice before would see something new in
// this one: something newly spoken against, other meanings, their order or odds, a reading to repeat, another
// next test. A probability that moves within its odds is no news. before is nil where there was none.
func (a *Advised) Tells(before *Advised) bool {
	if before == nil || len(a.Against) > 0 || len(a.Fits) != len(before.Fits) || (a.Next == nil) != (before.Next == nil) || !slices.Equal(a.Repeat, before.Repeat) {
		return true
	}
	for i := range a.Fits {
		x, y := &a.Fits[i], &before.Fits[i]
		if x.Danger != y.Danger || x.Yet != y.Yet || x.Odds() != y.Odds() || !slices.EqualFunc(x.Departures, y.Departures, slices.Equal) {
			return true
		}
	}
	return a.Next != nil && a.Next.Step != before.Next.Step
}

// Warns reports whether a person who knows the advice before is to be told of this one before they go on: a
// danger became most likely, or there is another reading to repeat.
func (a *Advised) Warns(before *Advised) bool {
	return a.Dangerous() == MostLikely && (before == nil || before.Dangerous() != MostLikely) ||
		len(a.Repeat) > 0 && (before == nil || !slices.Equal(a.Repeat, before.Repeat))
}

// Odds is how likely the meaning is.
func (m *Meaning) Odds() Odds { return OddsOf(share(m.Probability)) }

// Dangerous is how likely it is that one of the dangerous meanings is true.
func (a *Advised) Dangerous() Odds {
	sum := 0.0
	for i := range a.Fits {
		if a.Fits[i].Danger {
			sum += share(a.Fits[i].Probability)
		}
	}
	return OddsOf(sum)
}

// OutsideOdds is how likely it is that the truth is not in the model.
func (a *Advised) OutsideOdds() Odds { return OddsOf(share(a.Outside)) }

// share is a probability from 0 to 1; 0 where it is no decimal.
func share(p string) float64 {
	d, err := measure.ParseDecimal(p)
	if err != nil {
		return 0
	}
	return d.Float()
}

// Bears reports whether an event of the visit is one after which advice is worked out: a reading,
// a proving, or the correction of either.
func (v *Visit) Bears(body Body) bool {
	if c, ok := body.(Corrected); ok {
		body, _ = v.account.Body(c.Event)
	}
	switch body.(type) {
	case Observed, Proved:
		return true
	}
	return false
}

// Healthy reports whether the meaning is that nothing is wrong.
func (m *Meaning) Healthy() bool { return len(m.Departures) == 1 && len(m.Departures[0]) == 0 }

// Quiet reports whether there is nothing to say: nothing is wrong, and no reading speaks for anything else.
func (a *Advised) Quiet() bool {
	first := &a.Fits[0]
	return len(a.Fits) == 1 && first.Healthy() && first.Yet == "" && len(a.Repeat) == 0
}

// JudgeReading is what the engine makes of an indication at a step, as it is judged when it is
// observed.
func JudgeReading(o *method.Observe, shows instrument.Indication) (Judged, error) {
	_, j, err := judgeObservation(o, shows)
	return j, err
}

// Reach says how the observation of a step can be made now, as far as the guards go: in turn,
// or by going back to it first. It is neither where one of the two events would be refused.
func (v *Visit) Reach(step string) (inTurn, back bool) {
	s, i := v.machine.Method.Step(step)
	if s == nil || s.Observe == nil {
		return false, false
	}
	shows, ok := within(s.Observe)
	if !ok {
		return false, false
	}
	if int16(i) == v.now.control.pos {
		return v.accept(Observed{Step: step, Shows: shows}), false
	}
	return false, v.accept(Returned{Step: step}, Observed{Step: step, Shows: shows})
}

// accept reports whether the bodies, sent one after the other at the moment of the last
// event, would each be accepted. Nothing is folded.
func (v *Visit) accept(bodies ...Body) bool {
	at := *v.now
	for _, b := range bodies {
		e := Event{Body: b, Wall: v.account.Last, Mono: at.mono, Boot: at.boot, Chain: at.holder}
		r, refusal, err := v.check(&at, &e)
		if refusal != nil || err != nil {
			return false
		}
		at.control = v.machine.fold(at.control, &r.attempt)
	}
	return true
}

// within is an indication that is as the step expects, or not plainly otherwise: what is
// unexpected is never refused and so would say nothing.
func within(o *method.Observe) (instrument.Indication, bool) {
	if o.Expect != "" {
		return instrument.Show(instrument.Shows(o.Expect)), true
	}
	if o.Bounds == nil {
		return instrument.Indication{}, false
	}
	limit, err := boundsLimit(o.Bounds)
	if err != nil {
		return instrument.Indication{}, false
	}
	low, isLow := limit.Lower()
	high, isHigh := limit.Upper()
	mid := 0.0
	switch {
	case isLow && isHigh:
		mid = (low + high) / 2
	case isLow:
		mid = 2 * low
	}
	d, err := measure.FromScaled(int64(math.Round(mid*100)), 2)
	if err != nil {
		return instrument.Indication{}, false
	}
	shows := instrument.ShowValue(d, o.Bounds.Unit)
	res, _, err := judgeObservation(o, shows)
	return shows, err == nil && res != unexpected
}
