package office

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/summary"
)

// How long may pass before a visit needs somebody; common practice in the trade [P]. An employer
// who works otherwise sets the people, not these.
const (
	silentAfter = 20 * time.Minute
	offAfter    = 60 * time.Minute
)

// need is one visit at the side of the day that waits for a person.
type need struct {
	Address string
	Who     string
	Link    string
	Danger  bool
	// Ago is how long the oldest of the reasons has waited.
	Ago     string
	Reasons []summary.Reason
}

// dayPage is one day with its visits and with what waits for somebody.
type dayPage struct {
	frame
	Day            string
	Words          string
	Before, After  string
	Today          string
	Heads          []head
	Rows           []visitRow
	Needs          []need
	Fields         []field
	CSV            string
	More           bool
	Danger, OffNow int
	// Further counts what waits beyond the cards that are shown.
	Further int
}

func (o *Office) dayRows(r *request) (dayPage, error) {
	today := o.opts.Now().Format(time.DateOnly)
	day, err := o.askedDay(r)
	if err != nil {
		return dayPage{}, err
	}
	if day == "" {
		day = today
	}
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return dayPage{}, err
	}
	p := dayPage{frame: o.frame(r, "Day", "day"), Day: day, Words: t.Format("Monday 2 January 2006"), CSV: r.q.csv(),
		Before: r.q.with("on", t.AddDate(0, 0, -1).Format(time.DateOnly)), After: r.q.with("on", t.AddDate(0, 0, 1).Format(time.DateOnly)), Today: r.q.with("on", "")}
	rows, n, more, err := o.found(r, day, maxRows)
	if err != nil {
		return p, err
	}
	p.Rows, p.More = rows, more
	// A day is read from its morning on.
	slices.Reverse(p.Rows)
	p.Heads = arrange(r.q, shown(visitColumns()), p.Rows)
	now := o.opts.Now()
	if day == today {
		if err := o.before(r, &p, n); err != nil {
			return p, err
		}
	}
	for _, v := range p.Rows {
		if v.Danger {
			p.Danger++
		}
		if !v.SupplyOffSince.IsZero() {
			p.OffNow++
		}
		if n := needs(&v, now); len(n.Reasons) > 0 {
			p.Needs = append(p.Needs, n)
		}
	}
	slices.SortStableFunc(p.Needs, func(a, b need) int {
		return cmp.Or(a.Reasons[0].At.Compare(b.Reasons[0].At), strings.Compare(a.Link, b.Link))
	})
	p.Fields = []field{
		{Name: "words", Words: "Words", Value: r.q.get("words")},
		{Name: "on", Words: "Day", Value: day, Kind: "date"},
		{Name: "state", Words: "State", Choices: stateChoices(r.q.get("state"))},
		{Name: "person", Words: "Who", Choices: o.personChoices(r.q.get("person"), n)},
	}
	return p, nil
}

// carried is for how long what was left open on an earlier day stands at the side of today.
const carried = 7 * 24 * time.Hour

// before adds what earlier days left to somebody: visits that have not ended, and what ended in
// the last day with something to see to. Midnight must not take a danger off the page.
func (o *Office) before(r *request, p *dayPage, n names) error {
	now := o.opts.Now()
	seen := map[string]bool{}
	for _, f := range []store.Filter{{State: summary.UnderWay}, {State: summary.Stopped}, {NeedsAttention: true}} {
		most := carried
		if f.NeedsAttention {
			most = 24 * time.Hour
		}
		list, _, err := o.recent(r.ctx, f, maxNeeds)
		if err != nil {
			return err
		}
		for _, s := range list {
			if seen[s.Visit] || s.Opened.Format(time.DateOnly) == p.Day || now.Sub(s.Last) > most {
				continue
			}
			seen[s.Visit] = true
			v := o.row(s, n, now)
			if c := needs(&v, now); len(c.Reasons) > 0 {
				p.Needs = append(p.Needs, c)
			}
		}
	}
	return nil
}

// at writes a time, with its day where that is not the page's.
func (p dayPage) at(t time.Time) string {
	if t.Format(time.DateOnly) == p.Day {
		return t.Format("15:04")
	}
	return t.Format("2 Jan 15:04")
}

// needs says why a visit needs somebody now, oldest first: what its record says, and what the
// clock adds.
func needs(v *visitRow, now time.Time) need {
	n := need{Address: v.Address, Who: v.Who, Link: v.Link, Danger: v.Danger, Reasons: slices.Clone(v.Reasons)}
	add := func(at time.Time, format string, args ...any) {
		n.Reasons = append(n.Reasons, summary.Reason{At: at, Words: fmt.Sprintf(format, args...)})
	}
	if v.Forks > 0 {
		add(v.Last, "The record has come in two versions: tampering, or a restored backup.")
	}
	if v.State == store.UnreadableState {
		add(v.Last, "The record cannot be read: %s.", v.Error)
	}
	if v.State == summary.UnderWay || v.State == summary.Stopped {
		if quiet := now.Sub(v.Last); quiet >= silentAfter {
			add(v.Last, "Nothing has come in for %s.", span(quiet))
		}
		if off := v.SupplyOffSince; !off.IsZero() && now.Sub(off) >= offAfter {
			add(off, "Off supply for %s.", span(now.Sub(off)))
		}
	}
	slices.SortStableFunc(n.Reasons, func(a, b summary.Reason) int { return a.At.Compare(b.At) })
	if len(n.Reasons) > 0 {
		n.Ago = span(now.Sub(n.Reasons[0].At))
	}
	return n
}

func (o *Office) day(r *request) error {
	p, err := o.dayRows(r)
	if err != nil {
		return err
	}
	if len(p.Rows) > maxShown {
		p.Rows, p.More = p.Rows[:maxShown], true
	}
	if len(p.Needs) > maxNeeds {
		p.Further, p.Needs = len(p.Needs)-maxNeeds, p.Needs[:maxNeeds]
	}
	return r.show(p)
}

// maxNeeds bounds the cards at the side: the oldest come first.
const maxNeeds = 60

func (o *Office) dayCSV(r *request) error {
	p, err := o.dayRows(r)
	if err != nil {
		return err
	}
	return writeCSV(r, "day-"+p.Day, visitColumns(), p.Rows)
}

// count says how many, with the word in its right number.
func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// headline says the day in one line.
func (p dayPage) headline() string {
	parts := []string{count(len(p.Rows), "visit")}
	if p.Danger > 0 {
		parts = append(parts, fmt.Sprintf("%d in danger", p.Danger))
	}
	if p.OffNow > 0 {
		parts = append(parts, fmt.Sprintf("%d off supply", p.OffNow))
	}
	return p.Words + ": " + strings.Join(parts, ", ")
}
