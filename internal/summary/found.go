package summary

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/visit"
)

// Defects lists everything wrong that the visit came to: defects that a person recorded, stops
// and remarks, oldest first.
func (c *Case) Defects() []Defect {
	a := c.Visit.Account()
	var list []Defect
	for _, d := range a.Defects {
		list = append(list, Defect{Event: d.Event, At: d.At, From: "defect", Owner: d.Owner, Asset: d.Asset, Words: d.Words,
			Scheme: d.Scheme, Category: d.Category, Restricted: d.Restricted})
	}
	for _, s := range a.Stops {
		list = append(list, Defect{Event: s.Event, At: s.At, From: "stop", Owner: s.Owner, Words: s.Title, Scheme: s.Scheme, Category: s.Category,
			Restricted: RestrictedStop(s)})
	}
	for _, r := range a.Remarks {
		list = append(list, Defect{Event: r.Event, At: r.At, From: "remark", Owner: r.Owner, Words: r.Words, Scheme: r.Scheme, Category: r.Category})
	}
	slices.SortStableFunc(list, func(x, y Defect) int { return x.At.Compare(y.At) })
	first := map[string]time.Time{}
	for i := range list {
		d := &list[i]
		if d.Owner == "" {
			d.Owner = "employer"
		}
		if _, known := first[d.Owner]; !known {
			first[d.Owner] = d.At
		}
		// People ring first and write afterwards, so that a report counts from the first
		// thing found for that owner on.
		d.Told = told(a, d.Owner, first[d.Owner])
	}
	return list
}

// RestrictedStop reports whether a stop is kept off the consumer's copy: one that is the
// supplier's to follow up, such as suspected interference, may tell of a person. Only the two that
// are about the consumer's own supply are known not to.
func RestrictedStop(s visit.StopLine) bool {
	return s.Owner == "supplier" && s.ID != "dependant" && s.ID != "no-consent"
}

// told says when the owner was told: the first report to the owner from a time on.
func told(a *visit.Account, owner string, from time.Time) string {
	for _, r := range a.Reports {
		if r.At.Before(from) || !names(owner, strings.ToLower(r.To)) {
			continue
		}
		words := r.To + " " + r.At.Format("15:04")
		if r.Reference != "" {
			words += ", reference " + r.Reference
		}
		return words
	}
	if owner != "consumer" {
		return ""
	}
	for _, e := range a.Entries {
		if e.Entries["told"] == "the consumer" && !e.At.Before(from) {
			return "the consumer " + e.At.Format("15:04")
		}
	}
	return ""
}

// names reports whether the words of a report name the owner. People write the office, or a
// supervisor, where they mean the employer.
func names(owner, to string) bool {
	if strings.Contains(to, owner) {
		return true
	}
	return owner == "employer" && (strings.Contains(to, "office") || strings.Contains(to, "supervisor"))
}

// Tools lists the instruments of the visit, in order of appearance, with what rests on each.
func (c *Case) Tools() []Tool {
	a := c.Visit.Account()
	var list []Tool
	find := func(k instrument.Kind, id string) *Tool {
		i := slices.IndexFunc(list, func(t Tool) bool { return t.Kind == k && t.ID == id })
		if i < 0 {
			list = append(list, Tool{Kind: k, ID: id})
			i = len(list) - 1
		}
		return &list[i]
	}
	for _, i := range a.Instruments {
		find(i.Kind, i.ID).Due = i.Due
	}
	for _, r := range a.Readings {
		find(r.Kind, r.Instrument).Readings++
	}
	// Each second proving opens the next bracket, so that one without readings says nothing.
	used := make([]bool, len(a.Brackets))
	for _, r := range a.Readings {
		if r.Bracket >= 0 {
			used[r.Bracket] = true
		}
	}
	for i, b := range a.Brackets {
		if !used[i] {
			continue
		}
		switch b.State {
		case "void":
			find(b.Kind, b.Instrument).Void++
		case "open":
			find(b.Kind, b.Instrument).Unclosed++
		}
	}
	return list
}

// reasons says why the visit needs somebody, oldest first.
func (c *Case) reasons(defects []Defect) []Reason {
	a := c.Visit.Account()
	var list []Reason
	add := func(at time.Time, danger bool, format string, args ...any) {
		list = append(list, Reason{At: at, Words: fmt.Sprintf(format, args...), Danger: danger})
	}
	ended := c.Visit.Outcome() != visit.NotEnded
	for i, s := range a.Stops {
		last := i == len(a.Stops)-1
		inForce := last && s.LeftAt.IsZero()
		if !inForce {
			continue
		}
		// A stop that somebody must act on stays, also after the visit has ended.
		if !ended || s.Category == "A" || c.Visit.Outcome() == visit.StoppedDanger {
			add(s.At, s.Category == "A" || c.Visit.Outcome() == visit.StoppedDanger, "Stopped: %s", sentence(lowerFirst(s.Title)))
		}
		if s.Category != "" && told(a, s.Owner, s.At) == "" {
			add(s.At, true, "The %s has not been told.", s.Owner)
		}
	}
	for _, d := range defects {
		if d.From == "defect" && d.Category == "A" && d.Told == "" {
			add(d.At, true, "A defect for the %s, and nothing says that they were told: %s", d.Owner, sentence(d.Words))
		}
	}
	for _, x := range a.Acts {
		if x.InSpite {
			add(x.At, true, "Done in spite of a refusal: %s", sentence(x.Words))
		}
		if x.Withdrawn {
			add(x.At, false, "Rested on an observation that was withdrawn later: %s", sentence(x.Words))
		}
	}
	for _, x := range a.Discrepancies {
		add(x.At, false, "The engine does not accept an entry: %s", sentence(x.Why))
	}
	if len(c.Unread) > 0 {
		add(a.Last, false, "%s cannot be read by this edition.", count(len(c.Unread), "line"))
	}
	if l := c.dangerLead(); l != nil {
		add(l.At, false, "A lead, not a finding, that nobody has answered: %s (%s)", sentence(lowerFirst(l.Fits[0].Words)), l.Fits[0].Probability)
	}
	if since, off := a.Off(); off && ended {
		add(since, false, "Ended with the supply off.")
	}
	if a.End != nil && a.End.Guarded != "" {
		add(a.Last, true, "The place is guarded: %s", sentence(a.End.Guarded))
	}
	slices.SortStableFunc(list, func(x, y Reason) int { return x.At.Compare(y.At) })
	return list
}

// dangerLead is the last advice of a visit that goes on, where its first lead is a dangerous one
// above a half and nobody has answered it.
func (c *Case) dangerLead() *visit.AdviceLine {
	list := c.Visit.Account().Advice
	if len(list) == 0 || c.Visit.Outcome() != visit.NotEnded {
		return nil
	}
	l := &list[len(list)-1]
	if !l.Fits[0].Danger || l.Fits[0].Probability <= "0.500" || len(l.Answers) > 0 {
		return nil
	}
	return l
}

func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}
