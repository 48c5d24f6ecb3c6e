package advice

import (
	"cmp"
	"slices"
	"strconv"

	"meterwright/diagnose"
	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/world"
)

const (
	// maxFits bounds the meanings of an advice that are no danger, and maxDangers those that are; maxAgainst
	// the departures that are named as spoken against.
	maxFits, maxDangers, maxAgainst = 5, 12, 4
	// maxKeptIDs bounds the explanations of a meaning that are kept by id.
	maxKeptIDs = 40
	// spoken is the log-evidence below the best single explanation from which the readings speak
	// against a departure: a twentieth of its likelihood.
	spoken = -3
	// differs is the least that an event must tell a departure from a healthy position, in nats.
	differs = 0.05
	// shown is the least probability of a meaning that is listed after the first, and credible that of one that
	// is dangerous [P].
	shown, credible = 0.05, 0.01
	// besides is how many meanings are listed, however rare, where a reading stands against it that nothing
	// is wrong.
	besides = 3
	// mention is the evidence from which the readings speak for a departure, in nats over nothing wrong: a factor
	// of three is "not worth more than a bare mention" (Kass and Raftery, JASA 90 (1995) 773, from memory).
	mention = 1.0986
)

// fits gives what the readings may mean: what is likeliest, and what the readings speak for. What no reading
// bears on is not said. A danger that is credible is named whatever is likeliest, and one that is doubted however
// rare it is. Nobody is to read "nothing wrong" beside a reading that speaks against it, or where something
// dangerous fits much better and only its rarity keeps it from the first place; and where a reading stands that
// is treated as real, that nothing is wrong comes after everything else, in other words.
func (s *session) fits(out *visit.Advised, x diagnose.Explanation, g gathered) {
	dangers, others := 0, 0
	var last []visit.Meaning
	for i := range x.Groups {
		group := &x.Groups[i]
		m := s.meaning(group)
		if group.Healthy() {
			m.Yet = s.yet(x, g)
			if m.Yet == visit.YetStands {
				last = append(last, m)
			} else if i == 0 || group.Probability >= shown {
				out.Fits = append(out.Fits, m)
			}
			continue
		}
		least, room := shown, others < maxFits
		if group.Danger {
			least, room = credible, dangers < maxDangers
		}
		if g.stands && dangers+others < besides {
			least = 0
		}
		doubted := len(x.Doubts) > 0 && group.Has(x.Doubts[0])
		if i > 0 && !doubted && !(room && group.Probability >= least && s.speaksFor(group)) {
			continue
		}
		if group.Danger {
			dangers++
		} else {
			others++
		}
		out.Fits = append(out.Fits, m)
	}
	out.Fits = append(out.Fits, last...)
	out.Outside, out.Untouched = share(x.Outside), x.Unseen
}

// speaksFor reports whether the readings speak for one of the explanations of a group; several departures
// together are only ever weighed where they do.
func (s *session) speaksFor(g *diagnose.Group) bool {
	least := s.place.healthy(s.after) + mention
	return slices.ContainsFunc(g.IDs, func(ids []string) bool {
		if len(ids) != 1 {
			return len(ids) > 1
		}
		i := slices.IndexFunc(s.place.order, func(d site.Departure) bool { return d.ID == ids[0] })
		return i >= 0 && s.after[i] >= least
	})
}

func (s *session) meaning(g *diagnose.Group) visit.Meaning {
	m := visit.Meaning{Probability: share(g.Probability), Danger: g.Danger, Others: max(0, len(g.IDs)-maxKeptIDs)}
	for _, ids := range g.IDs[:min(maxKeptIDs, len(g.IDs))] {
		m.Departures = append(m.Departures, append(visit.Explanation{}, ids...))
	}
	return m
}

// yet is what has to be said beside it that nothing is wrong.
func (s *session) yet(x diagnose.Explanation, g gathered) visit.Yet {
	switch {
	case g.stands:
		return visit.YetStands
	case len(x.Doubts) > 0:
		return visit.YetRare
	case s.place.healthy(s.after) < spoken || slices.ContainsFunc(s.seen, func(o seen) bool { return o.odd }):
		return visit.YetSlip
	case g.earlier:
		return visit.YetEarlier
	}
	return ""
}

// repeat names the readings that are not as expected and that nothing of what is most likely, or possible,
// makes so, with everything that is not known at its usual value and under a heavy load. A reading that is
// treated as real is never among them.
func (s *session) repeat(out *visit.Advised, m *method.Resolved) error {
	for i := range s.seen {
		o := &s.seen[i]
		if !o.odd || o.real || o.Proving != "" {
			continue
		}
		explained := false
		for k := range out.Fits {
			if fit := &out.Fits[k]; explained || fit.Healthy() || fit.Odds() == visit.NotLeftOut {
				continue
			}
			var err error
			if explained, err = s.explains(out.Fits[k].Departures, o, m); err != nil {
				return err
			}
		}
		if !explained {
			out.Repeat = append(out.Repeat, o.event)
		}
	}
	return nil
}

// heavy is a load under which a bad joint shows, in watts [P].
const heavy = 7000

// explains reports whether one of the explanations makes a reading otherwise than expected.
func (s *session) explains(list []visit.Explanation, o *seen, m *method.Resolved) (bool, error) {
	st, _ := m.Step(o.step)
	for _, ids := range list[:min(compared, len(list))] {
		for _, loaded := range []bool{false, true} {
			values := site.Usual()
			if loaded {
				values[site.Load1Watt] = heavy
			}
			shows, err := s.shows(&values, ids, &o.Observation)
			if err != nil {
				return false, err
			}
			if j, err := visit.JudgeReading(st.Observe, shows); err != nil || j.Found == visit.FoundUnexpected {
				return true, nil
			}
		}
	}
	return false, nil
}

// shows is what an instrument would show with departures there.
func (s *session) shows(values *site.Values, ids visit.Explanation, o *diagnose.Observation) (instrument.Indication, error) {
	setup := world.Setup{Site: s.place.site, Values: values, Switching: o.Switching}
	for _, id := range ids {
		if d := s.place.departures[id]; d != nil {
			setup.Departures = append(setup.Departures, *d)
		}
	}
	w, err := world.New(setup)
	if err != nil {
		return instrument.Indication{}, err
	}
	r, err := w.Read(w.Instrument(o.Kind), o.Points...)
	return r.Indication, err
}

// share writes a probability with three decimals.
func share(p float64) string { return strconv.FormatFloat(min(max(p, 0), 1), 'f', 3, 64) }

// healthy is how a healthy position stands: as a departure that no reading can show.
func (p *place) healthy(standings []float64) float64 {
	for i := range p.order {
		if d := &p.order[i]; d.Kind == "" && len(d.Changes) == 0 {
			return standings[i]
		}
	}
	return 0
}

// against gives what the last event newly spoke against: that nothing is wrong, then the
// dangerous, then what is met most often. What only fell behind because something else fits
// better is not in it: the event must have told it from a healthy position.
func (s *session) against(out *visit.Advised, upon string) {
	if len(s.seen) == 0 || s.seen[len(s.seen)-1].event != upon {
		return
	}
	was, is := s.place.healthy(s.before), s.place.healthy(s.after)
	if was >= spoken && is < spoken {
		out.Against = append(out.Against, visit.Explanation{})
	}
	var list []int
	for i := range s.after {
		if s.before[i] >= spoken && s.after[i] < spoken && s.after[i]-is < s.before[i]-was-differs {
			list = append(list, i)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int {
		x, y := &s.place.order[a], &s.place.order[b]
		if x.Danger != y.Danger {
			if x.Danger {
				return -1
			}
			return 1
		}
		return cmp.Compare(y.Prior.Rate, x.Prior.Rate)
	})
	for _, i := range list[:min(maxAgainst, len(list))] {
		out.Against = append(out.Against, visit.Explanation{s.place.order[i].ID})
	}
	out.AgainstMore = max(0, len(list)-maxAgainst)
}
