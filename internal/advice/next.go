package advice

import (
	"fmt"
	"slices"
	"strconv"

	"meterwright/diagnose"
	"meterwright/instrument"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/world"
)

const (
	// least is the information, in nats, under which no test is worth naming.
	least = 0.05
	// exposed is the probability of a live part from which the person is told.
	exposed = 0.03
	// maxTests bounds the tests that are weighed: the step in turn, and the latest before it.
	maxTests = 12
)

// test is a step of the method that the guards of the visit would let the person make now.
type test struct {
	step   string
	inTurn bool
	diagnose.Candidate
}

// candidates lists the tests that may be advised: the step in turn first, then earlier ones to
// which the person can go back, latest first, each way of testing once. Nobody is sent back past
// an act, since every step from there on is carried out again.
func candidates(v *visit.Visit, s *site.Site) []test {
	if v.Stop() != "" || v.Away() || v.Outcome() != visit.NotEnded {
		return nil
	}
	m := v.Machine().Method
	_, at := m.Step(v.Position())
	if at < 0 {
		at = len(m.Steps) - 1
	}
	now, ok := switching(s, v.Switches())
	if !ok {
		return nil
	}
	epoch := movements(v, s)
	var list []test
	known := map[string]bool{}
	for i := at; i >= 0 && len(list) < maxTests; i-- {
		st := &m.Steps[i]
		if st.Act != "" && i < at {
			break
		}
		if st.Observe == nil {
			continue
		}
		kind := instrument.Kind(st.Observe.With)
		points, ok := pointsOf(s, kind, st.Observe.At, st.Observe.Against)
		if !ok {
			continue
		}
		name := fmt.Sprint(kind, points)
		if known[name] {
			continue
		}
		inTurn, back := v.Reach(st.ID)
		if !inTurn && !back {
			continue
		}
		known[name] = true
		list = append(list, test{st.ID, inTurn, diagnose.Candidate{Switching: now, Epoch: epoch, Kind: kind, Points: points}})
	}
	return list
}

// movements counts how often a switch was moved until now.
func movements(v *visit.Visit, s *site.Site) int {
	var at site.Switching
	n := 0
	for _, a := range v.Account().Acts {
		if next, err := s.Do(at, a.Act); err == nil && next != at {
			at, n = next, n+1
		}
	}
	return n
}

func offered(tests []test) []diagnose.Candidate {
	var list []diagnose.Candidate
	for _, t := range tests {
		list = append(list, t.Candidate)
	}
	return list
}

// next names the test that would tell most, if one is worth making.
func (s *session) next(out *visit.Advised, x diagnose.Explanation, tests []test) error {
	if len(tests) == 0 {
		return nil
	}
	ranked, err := s.model.Next(offered(tests))
	if err != nil || len(ranked) == 0 {
		return err
	}
	find := func(c diagnose.Candidate) *test {
		for i := range tests {
			if tests[i].Kind == c.Kind && fmt.Sprint(tests[i].Points) == fmt.Sprint(c.Points) {
				return &tests[i]
			}
		}
		return nil
	}
	best := ranked[0]
	chosen := find(best.Candidate)
	// Going back costs every step from there on: only what tells more is worth it.
	for _, a := range ranked {
		if t := find(a.Candidate); t != nil && t.inTurn && a.Nats+least > best.Nats {
			best, chosen = a, t
		}
	}
	if chosen == nil || best.Nats < least {
		return nil
	}
	out.Next = &visit.NextTest{Step: chosen.step, Nats: strconv.FormatFloat(best.Nats, 'f', 2, 64), Exposure: strconv.FormatFloat(min(best.Exposure, 1), 'f', 3, 64)}
	if best.Exposure > exposed {
		for _, id := range best.Points {
			if id != site.Body && id != site.Reference {
				out.Next.Live = append(out.Next.Live, id)
			}
		}
	}
	out.Next.Apart, err = s.apart(out.Fits, best.Candidate)
	return err
}

// compared is how many meanings a test is tried on for the words about it.
const compared = 4

// apart gives one meaning for each way in which the test would come out under the first few, with
// everything that is not known at its usual value. What it would show is not said: the person
// reads the instrument without an answer in mind.
func (s *session) apart(fits []visit.Meaning, c diagnose.Candidate) ([]int, error) {
	var told []int
	var shown []instrument.Indication
	values := site.Usual()
	for i := range fits[:min(compared, len(fits))] {
		shows, err := s.shows(&values, fits[i].Departures[0], &diagnose.Observation{Switching: c.Switching, Kind: c.Kind, Points: c.Points})
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(shown, func(i instrument.Indication) bool { return !world.Differ(c.Kind, i, shows) }) {
			shown, told = append(shown, shows), append(told, i)
		}
	}
	return told, nil
}
