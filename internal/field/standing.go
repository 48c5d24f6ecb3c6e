package field

import (
	"context"
	"slices"

	"meterwright/replay"
	"meterwright/visit"
)

// standing is how a visit stands, for lists.
type standing struct {
	visit, job, address string
	// persons are those in whose hands it is.
	persons []string
	// going says that it has not ended.
	going bool
	// words says it, and state is its class: ended, stop, hold, away or going.
	words, state string
	phases       []replay.Standing
	off          supplyView
}

// stands tells how a visit stands.
func (h *Handler) stands(ctx context.Context, id string) (standing, error) {
	f := h.cabinet.file(id)
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := h.cabinet.refresh(ctx, f); err != nil {
		return standing{}, err
	}
	v := f.Visit
	_, contested := v.Holder()
	s := standing{visit: id, job: f.Opened.Job, address: f.Opened.Premises.Address, going: v.Outcome() == visit.NotEnded || contested, off: h.supply(f), phases: f.Phases()}
	for _, x := range v.Holdings() {
		if e, ok := f.lastOf(x.Chain); ok && !x.Released && !slices.Contains(s.persons, e.Person) {
			s.persons = append(s.persons, e.Person)
		}
	}
	n := v.Next()
	w := f.words
	switch {
	case n.Stop != "" && s.going:
		s.state, s.words = "stop", w.Say("field.standing.stop", "stop", f.stopWords())
	case contested:
		s.state, s.words = "hold", w.Say("field.standing.two")
	case !s.going:
		s.state, s.words = "ended", w.Say("field.standing.ended", "outcome", w.Outcome(v.Outcome().String()))
	case v.Away():
		s.state, s.words = "away", w.Say("field.standing.away")
	case n.Step == "":
		s.state, s.words = "going", w.Say("field.standing.carried-out")
	case n.Blocked != nil:
		s.state, s.words = "hold", w.Say("field.standing.not-yet", "phase", w.Phase(n.Phase))
	default:
		s.state, s.words = "going", w.Say("field.standing.going", "phase", w.Phase(n.Phase))
	}
	return s, nil
}
