// Package advice works out what the physical model makes of a visit, as events hold it.
//
// An Adviser takes the readings and provings of a visit's account, puts them to an engine of
// package diagnose for the position that the job claims, and gives a visit.Advised: what the
// last of them spoke against, what still fits, and the next test that is worth making. It
// only ever names a test whose event the engine of the visit would accept as things stand.
//
// Nothing here decides anything. What is worked out from the same visit by the same edition,
// asked at the same events, is the same everywhere: there is no clock, no random number, no
// disk and no network in it. Asked less often it may differ in the last digits.
package advice

import (
	"context"
	"fmt"
	"slices"

	"meterwright/diagnose"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// Adviser works advice out. It may be used by several goroutines at once, one after another.
type Adviser struct {
	engine string
	// turn holds one token: whoever has it works.
	turn chan struct{}
	// kept holds what was worked out for the last few visits, the latest last.
	kept []*session
}

// maxKept bounds the visits for which an engine is kept.
const maxKept = 4

// thinking is the work after one observation: what nearly every visit needs to be thought
// to the end, and always the same, so that the advice does not hang on how fast a device is.
const thinking = 4 * diagnose.Effort

// New returns an adviser. engine names the program with its edition, for the record.
func New(engine string) *Adviser { return &Adviser{engine: engine, turn: make(chan struct{}, 1)} }

// session is one visit with its engine.
type session struct {
	visit string
	place *place
	model *diagnose.Engine
	// seen is what the engine was given, in order.
	seen []seen
	// before and after are how the departures stood before the last of seen, and after it.
	before, after []float64
	// refused holds what the engine does not take, by event.
	refused map[string]bool
}

// Advise returns the advice after the last event of the visit, or nil where nothing was read or
// proved yet. An error says why there is none; the visit is not concerned by it.
func (a *Adviser) Advise(ctx context.Context, v *visit.Visit) (*visit.Advised, error) {
	story := v.Account().Story
	upon := last(v)
	if upon == "" {
		return nil, nil
	}
	select {
	case a.turn <- struct{}{}:
		defer func() { <-a.turn }()
	case <-ctx.Done():
		return nil, fmt.Errorf("advice: %w", ctx.Err())
	}
	s, err := a.session(story[0].Event, v.Machine().Method)
	if err != nil {
		return nil, fmt.Errorf("advice: %w", err)
	}
	out, err := s.advise(ctx, v)
	if err != nil && ctx.Err() == nil {
		// Half of an observation may have been taken in: begin again the next time. What was given
		// up was given up between two, and is gone on with.
		a.kept = slices.DeleteFunc(a.kept, func(k *session) bool { return k == s })
	}
	if err != nil {
		return nil, fmt.Errorf("advice: %w", err)
	}
	out.Upon, out.Engine = upon, a.engine
	return out, nil
}

// last returns the last event of the visit that has to do with what was read or proved.
func last(v *visit.Visit) string {
	a := v.Account()
	for i := len(a.Story) - 1; i >= 0; i-- {
		body, _ := a.Body(a.Story[i].Event)
		switch b := body.(type) {
		case visit.Observed, visit.Proved:
			return a.Story[i].Event
		case visit.Corrected:
			if v.Bears(b) {
				return a.Story[i].Event
			}
		}
	}
	return ""
}

// session returns what is kept for a visit, or a new one: with an engine that was kept for
// another visit to a like position where there are many already.
func (a *Adviser) session(id string, m *method.Resolved) (*session, error) {
	for i, s := range a.kept {
		if s.visit == id {
			a.kept = append(slices.Delete(a.kept, i, i+1), s)
			return s, nil
		}
	}
	p, err := newPlace(m.Claims)
	if err != nil {
		return nil, err
	}
	s := &session{visit: id, place: p, refused: map[string]bool{}}
	if len(a.kept) >= maxKept {
		old := a.kept[0]
		a.kept = slices.Delete(a.kept, 0, 1)
		if old.place.siteSum == p.siteSum {
			s.place, s.model = old.place, old.model
		}
	}
	if s.model == nil {
		if s.model, err = diagnose.New(p.site, diagnose.Stated{}); err != nil {
			return nil, err
		}
	}
	s.begin()
	a.kept = append(a.kept, s)
	return s, nil
}

func (s *session) begin() {
	s.model.Begin()
	s.seen, s.before = nil, nil
	s.after = s.standings()
}

func (s *session) standings() []float64 {
	list := s.model.Standings()
	out := make([]float64, len(list))
	for i := range list {
		out[i] = list[i].Nats
	}
	return out
}

func (s *session) advise(ctx context.Context, v *visit.Visit) (*visit.Advised, error) {
	g := observations(v, s.place.site)
	if err := s.observe(ctx, g.list); err != nil {
		return nil, err
	}
	out := &visit.Advised{Model: s.place.modelSum, Site: s.place.siteSum, Skipped: g.skipped + s.notTaken(g.list)}
	tests := candidates(v, s.place.site)
	if _, err := s.model.Think(thinking); err != nil {
		return nil, err
	}
	x, err := s.model.Explain(offered(tests)...)
	if err != nil {
		return nil, err
	}
	s.after = s.standings()
	s.fits(out, x, g)
	if err := s.repeat(out, v.Machine().Method); err != nil {
		return nil, err
	}
	s.against(out, last(v))
	return out, s.next(out, x, tests)
}

// observe puts to the engine what it has not been given. A visit that only grew costs what is
// new in it; otherwise the engine begins again.
func (s *session) observe(ctx context.Context, list []seen) error {
	for {
		use := slices.DeleteFunc(slices.Clone(list), func(o seen) bool { return s.refused[o.event] })
		if len(s.seen) > len(use) || !slices.EqualFunc(s.seen, use[:len(s.seen)], same) {
			s.begin()
		}
		again := false
		for i, o := range use[len(s.seen):] {
			if err := ctx.Err(); err != nil {
				return err
			}
			if i > 0 && len(s.seen) == len(use)-1 {
				// What the last one speaks against is seen against the rest as it is weighed in full.
				if _, err := s.model.Explain(); err != nil {
					return err
				}
				s.after = s.standings()
			}
			if err := s.model.Observe(o.Observation); err != nil {
				// What cannot be put to the model is left out and counted.
				s.refused[o.event] = true
				again = true
				break
			}
			s.before, s.after = s.after, s.standings()
			s.seen = append(s.seen, o)
		}
		if !again {
			return nil
		}
		s.begin()
	}
}

func (s *session) notTaken(list []seen) int {
	n := 0
	for _, o := range list {
		if s.refused[o.event] {
			n++
		}
	}
	return n
}

// place is a position with what the words about it are made of.
type place struct {
	site       *site.Site
	departures map[string]*site.Departure
	order      []site.Departure
	siteSum    string
	modelSum   string
}

func newPlace(spec site.Spec) (*place, error) {
	s, err := site.Expand(spec)
	if err != nil {
		return nil, err
	}
	p := &place{site: s, order: s.Departures(), departures: map[string]*site.Departure{}}
	for i := range p.order {
		p.departures[p.order[i].ID] = &p.order[i]
	}
	if p.siteSum, err = sum(s.Spec); err != nil {
		return nil, err
	}
	p.modelSum, err = sum(modelTables(p.order))
	return p, err
}
