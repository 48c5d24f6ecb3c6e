package advice

import (
	"slices"

	"meterwright/diagnose"
	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/walk"
	"meterwright/world"
)

// seen is one reading or proving as the engine takes it, with the event that it counts from.
type seen struct {
	event, step string
	// odd says that it is not as the method expects, and real that it is treated as real for that.
	odd, real bool
	diagnose.Observation
}

func same(a, b seen) bool {
	return a.event == b.event && a.Shows == b.Shows && a.Switching == b.Switching && a.Epoch == b.Epoch
}

// observations lists what a visit read and proved, in the order in which it came to count: what
// was corrected stands where it was corrected, as it is now said to have been. It leaves out, and
// counts,
//   - readings and provings that were withdrawn;
//   - what no engine weighs: a residual current device, a point that the position has not;
//   - what an instrument showed that was replaced by another, unless it had been proved again
//     before: the engine knows one instrument of each kind;
//   - readings from before conductors were joined anew: they tell of other joints.
//
// A withdrawn reading that is treated as real stands until its step has been read again.
func observations(v *visit.Visit, s *site.Site) gathered {
	g := gatherer{visit: v, site: s, readings: map[string]*visit.Reading{}, corrected: map[string]visit.Corrected{}, from: map[string]string{}}
	return g.gather()
}

// gathered is what a visit read and proved, as it is weighed.
type gathered struct {
	list    []seen
	skipped int
	// earlier says that one of those left out stands and was not as the method expects; stands that there is
	// a reading that is treated as real.
	earlier, stands bool
}

type gatherer struct {
	visit    *visit.Visit
	site     *site.Site
	readings map[string]*visit.Reading
	// corrected is the last correction of an event, from the event of that correction.
	corrected map[string]visit.Corrected
	from      map[string]string
	place     map[string]int
	epochs    map[string]int
	joined    int
}

func (g *gatherer) gather() (out gathered) {
	a := g.visit.Account()
	for i := range a.Readings {
		g.readings[a.Readings[i].Event] = &a.Readings[i]
	}
	g.walk()
	var order []string
	for _, l := range a.Story {
		switch l.Kind {
		case visit.KindObserved, visit.KindProved:
			order = append(order, l.Event)
		}
	}
	turn := func(event string) int {
		if c, ok := g.from[event]; ok {
			return g.place[c]
		}
		return g.place[event]
	}
	slices.SortStableFunc(order, func(x, y string) int { return turn(x) - turn(y) })
	for _, event := range order {
		o, ok := g.observation(event)
		if !ok {
			out.skipped++
			r := g.readings[event]
			out.earlier = out.earlier || r != nil && !r.Withdrawn && (r.Judged.Found == visit.FoundUnexpected || r.Judged.Found == visit.FoundRemarked)
			continue
		}
		o.event = event
		if c, ok := g.from[event]; ok {
			o.event = c
		}
		out.list = append(out.list, o)
		out.stands = out.stands || o.real
	}
	again := map[string]bool{}
	for i := len(a.Readings) - 1; i >= 0; i-- {
		r := &a.Readings[i]
		_, corrected := g.corrected[r.Event]
		back := r.Withdrawn || corrected
		out.stands = out.stands || g.real(r, r.Shows) && !(back && again[r.Step])
		again[r.Step] = again[r.Step] || !back
	}
	return out
}

// stopped reports whether a reading, or its correction, raised a stop; one that is in force already is not raised
// anew.
func (g *gatherer) stopped(r *visit.Reading, st *method.Step) bool {
	return slices.ContainsFunc(g.visit.Account().Stops, func(l visit.StopLine) bool {
		if l.Event == r.Event || l.Event == g.from[r.Event] {
			return true
		}
		inForce := !l.At.After(r.At) && (l.LeftAt.IsZero() || l.LeftAt.After(r.At))
		return inForce && slices.ContainsFunc(st.Outcomes(), func(u *method.Unexpected) bool { return u.Stop == l.ID })
	})
}

// touchVolt is the voltage from which what can be touched is dangerous: the conventional limit, IEC 61140 and
// BS 7671 [S].
const touchVolt = world.TouchLimitVolt

// real reports whether an indication that is not as expected is treated as real, whatever explains it: it
// raises a stop, or puts a voltage on what a hand can meet. Only a number below the limit puts none there,
// or an instrument that stayed dark.
func (g *gatherer) real(r *visit.Reading, shows instrument.Indication) bool {
	st, _ := g.visit.Machine().Method.Step(r.Step)
	if st == nil || st.Observe == nil {
		return false
	}
	if j, err := visit.JudgeReading(st.Observe, shows); err == nil && j.Found != visit.FoundUnexpected {
		return false
	}
	if g.stopped(r, st) {
		return true
	}
	value, unit, isValue := shows.Reading()
	if shows.Shows() == instrument.Dark || isValue && (unit != "V" || value.Float() < touchVolt) {
		return false
	}
	now, ok := switching(g.site, r.Switches)
	return !ok || slices.ContainsFunc([]string{r.Point, r.Against}, func(p string) bool { return g.site.WithinReach(now, site.PointID(p)) })
}

// walk numbers the events, counts the movements of switches before each, and finds the
// corrections and the last time that conductors were joined.
func (g *gatherer) walk() {
	a := g.visit.Account()
	g.place, g.epochs, g.joined = map[string]int{}, map[string]int{}, -1
	var at site.Switching
	moved := 0
	for i, l := range a.Story {
		g.place[l.Event], g.epochs[l.Event] = i, moved
		body, _ := a.Body(l.Event)
		switch b := body.(type) {
		case visit.Corrected:
			g.corrected[b.Event], g.from[b.Event] = b, l.Event
		case visit.Acted:
			next, err := g.site.Do(at, b.Act)
			if err == nil && next != at {
				at, moved = next, moved+1
			}
			if g.joins(b.Act) {
				g.joined = i
			}
		}
	}
}

// joins reports whether an act makes joints anew.
func (g *gatherer) joins(id site.ActID) bool {
	act, ok := g.site.Act(id)
	if !ok || act.Effect != site.Rejoin {
		return false
	}
	for _, set := range act.Sets {
		if sw, _, ok := g.site.Switch(set.Switch); ok && set.Position == sw.Away {
			return false
		}
	}
	return true
}

func (g *gatherer) observation(event string) (seen, bool) {
	body, _ := g.visit.Account().Body(event)
	if b, ok := body.(visit.Proved); ok {
		return g.proving(event, b)
	}
	r := g.readings[event]
	if r == nil || g.place[event] < g.joined {
		return seen{}, false
	}
	o := seen{step: r.Step, Observation: diagnose.Observation{Epoch: g.epochs[event], Kind: r.Kind, Shows: r.Shows}}
	if c, ok := g.corrected[event]; ok {
		shows, err := instrument.ParseIndication(c.Now)
		if c.Now == "" || err != nil {
			return seen{}, false
		}
		o.Shows = shows
	} else if r.Withdrawn {
		return seen{}, false
	}
	a := g.visit.Account()
	if r.Instrument != g.inHand(r.Kind) && (r.Bracket < 0 || a.Brackets[r.Bracket].State != "closed") {
		return seen{}, false
	}
	if st, _ := g.visit.Machine().Method.Step(r.Step); st != nil && st.Observe != nil {
		j, err := visit.JudgeReading(st.Observe, o.Shows)
		o.odd = err != nil || j.Found == visit.FoundUnexpected
		o.real = g.real(r, o.Shows)
	}
	var ok bool
	if o.Points, ok = pointsOf(g.site, r.Kind, r.Point, r.Against); !ok {
		return seen{}, false
	}
	o.Switching, ok = switching(g.site, r.Switches)
	return o, ok
}

func (g *gatherer) proving(event string, b visit.Proved) (seen, bool) {
	shows := b.Shows
	if c, ok := g.corrected[event]; ok {
		var err error
		if shows, err = instrument.ParseIndication(c.Now); c.Now == "" || err != nil {
			return seen{}, false
		}
	}
	weighed := b.Kind != instrument.RCDTester && instrument.Suits(b.Source.Kind, b.Kind) && b.ID == g.inHand(b.Kind)
	return seen{odd: !b.Kind.ProvedBy(shows, b.Source.Nominal),
		Observation: diagnose.Observation{Kind: b.Kind, Shows: shows, Proving: b.Source.Kind}}, weighed
}

// inHand is the number of the instrument of a kind that was taken up last, or empty.
func (g *gatherer) inHand(k instrument.Kind) string {
	list := g.visit.Account().Instruments
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Kind == k {
			return list[i].ID
		}
	}
	return ""
}

// pointsOf is walk.Points, for the instruments that the engine weighs.
func pointsOf(s *site.Site, k instrument.Kind, at, against string) ([]site.PointID, bool) {
	points, err := walk.Points(s, k, site.PointID(at), site.PointID(against))
	return points, err == nil && k != instrument.RCDTester
}

// switching is the state of a site's switches as a visit writes it.
func switching(s *site.Site, positions map[string]string) (w site.Switching, ok bool) {
	for _, sw := range s.Switches {
		p, known := positions[string(sw.ID)]
		if !known {
			continue
		}
		next, err := s.Put(w, site.Setting{Switch: sw.ID, Position: site.Position(p)})
		if err != nil {
			return w, false
		}
		w = next
	}
	return w, true
}
