package office

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/a-h/templ"

	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/internal/summary"
	"meterwright/record"
)

// templComponent is what a page renders to.
type templComponent = templ.Component

// visitRow is one visit in a list.
type visitRow struct {
	store.Summary
	summary.Details
	Who  string
	Link string
	// Where says in words where the visit stands.
	Where string
	// Supply says how the supply stands, Off how long it has been off, in all.
	Supply string
	Off    time.Duration
	// Danger says that somebody may be hurt.
	Danger bool
}

func (o *Office) row(s store.Summary, n names, now time.Time) visitRow {
	v := visitRow{Summary: s, Details: summary.Read(s), Who: n.of(s.Person), Link: o.opts.Base + "/visit/" + s.Visit}
	if len(v.People) > 1 {
		v.Who += fmt.Sprintf(" and %d more", len(v.People)-1)
	}
	v.Where = where(&v)
	for _, out := range v.Details.Off {
		end := out.On
		if end.IsZero() {
			end = now
			if v.Outcome != "" {
				end = s.Last
			}
		}
		if end.After(out.Off) {
			v.Off += end.Sub(out.Off)
		}
	}
	switch {
	case !s.SupplyOffSince.IsZero() && s.Outcome == "":
		v.Supply = "off " + span(now.Sub(s.SupplyOffSince))
	case !s.SupplyOffSince.IsZero():
		v.Supply = "left off"
	case v.Off > 0:
		v.Supply = "on, " + span(v.Off) + " off"
	default:
		v.Supply = "live"
	}
	for _, r := range v.Reasons {
		v.Danger = v.Danger || r.Danger
	}
	if v.Standing == "" && v.Error != "" {
		v.Standing = v.Error
	}
	return v
}

func where(v *visitRow) string {
	switch v.State {
	case summary.UnderWay:
		if v.Away {
			return "Away from the position"
		}
		if v.Phase == "" {
			return "Begun"
		}
		return v.Phase
	case summary.Stopped:
		return "Stopped: " + v.Phase
	case store.UnreadableState:
		return "Cannot be read"
	}
	return upperFirst(report.Outcome(v.Outcome)) + " " + v.Last.Format("15:04")
}

// span writes a time as people say it, to the minute.
func span(d time.Duration) string {
	n := int(d / time.Minute)
	switch {
	case n < 0:
		return "0 min"
	case n < 60:
		return fmt.Sprintf("%d min", n)
	case n < 48*60:
		return fmt.Sprintf("%d h %02d min", n/60, n%60)
	}
	return fmt.Sprintf("%d days", n/60/24)
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func visitColumns() []column[visitRow] {
	text := func(f func(visitRow) string) func(a, b visitRow) int {
		return func(a, b visitRow) int { return cmp.Compare(strings.ToLower(f(a)), strings.ToLower(f(b))) }
	}
	stage := func(v visitRow) int {
		return slices.IndexFunc(v.Cells, func(c summary.Cell) bool { return c.State == "now" || c.State == "stopped" || c.State == "ahead" })
	}
	return []column[visitRow]{
		{ID: "begun", Title: "Begun", Class: "num", Compare: func(a, b visitRow) int { return a.Opened.Compare(b.Opened) }, Text: func(v visitRow) string { return v.Opened.Format(time.RFC3339) }},
		{ID: "job", Title: "Job", Compare: text(func(v visitRow) string { return v.Job }), Text: func(v visitRow) string { return v.Job }},
		{ID: "premises", Title: "Premises", Compare: text(func(v visitRow) string { return v.Address }), Text: func(v visitRow) string { return v.Address }},
		{ID: "who", Title: "Who", Compare: text(func(v visitRow) string { return v.Who }), Text: func(v visitRow) string { return v.Who }},
		{ID: "where", Title: "Where they are", Compare: func(a, b visitRow) int { return cmp.Compare(stage(a), stage(b)) }, Text: func(v visitRow) string { return v.Where }},
		{ID: "state", Text: func(v visitRow) string { return v.State }},
		{ID: "supply", Title: "Supply", Compare: func(a, b visitRow) int { return cmp.Compare(a.Off, b.Off) }, Text: func(v visitRow) string { return v.Supply }},
		{ID: "standing", Title: "Standing", Compare: text(func(v visitRow) string { return v.Standing }), Text: func(v visitRow) string { return v.Standing }},
		{ID: "needs-somebody", Text: func(v visitRow) string {
			var words []string
			for _, r := range v.Reasons {
				words = append(words, r.At.Format("15:04")+" "+r.Words)
			}
			return strings.Join(words, " ")
		}},
		{ID: "visit", Text: func(v visitRow) string { return v.Visit }},
	}
}

// visitList is the list of visits with its filter.
type visitList struct {
	frame
	Heads  []head
	Rows   []visitRow
	Fields []field
	CSV    string
	// More says that older visits fit too.
	More bool
}

// shown lists the columns that a page shows.
func shown[T any](columns []column[T]) []column[T] {
	return filter(columns, func(c column[T]) bool { return c.Title != "" })
}

func stateWords(s string) string { return strings.ReplaceAll(s, "-", " ") }

func stateChoices(chosen string) []choice {
	var values [][2]string
	for _, s := range summary.States() {
		values = append(values, [2]string{s, upperFirst(stateWords(s))})
	}
	return choices(chosen, "Any state", values...)
}

func (o *Office) personChoices(chosen string, n names) []choice {
	var values [][2]string
	for id := range n {
		values = append(values, [2]string{id, n.of(id)})
	}
	slices.SortFunc(values, func(a, b [2]string) int { return cmp.Compare(a[1]+a[0], b[1]+b[0]) })
	return choices(chosen, "Everybody", values...)
}

// found gathers the visits that the address asks for.
func (o *Office) found(r *request, day string, most int) (list []visitRow, n names, more bool, err error) {
	if n, err = o.names(r.ctx); err != nil {
		return nil, nil, false, err
	}
	f := store.Filter{Day: day, Person: r.q.get("person"), State: r.q.get("state"), Nature: record.Nature(r.q.get("nature")), NeedsAttention: r.q.get("needs") == "somebody"}
	all, more, err := o.recent(r.ctx, f, most)
	if err != nil {
		return nil, nil, false, err
	}
	now := o.opts.Now()
	for _, s := range all {
		v := o.row(s, n, now)
		if matches(r.q.get("words"), v.Job, v.Address, v.Who, v.Where, v.Standing, v.MeterPoint, v.Meter) {
			list = append(list, v)
		}
	}
	return list, n, more, nil
}

func (o *Office) askedDay(r *request) (string, error) {
	day := r.q.get("on")
	if day == "" {
		return "", nil
	}
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return "", refuse(400, "%q is no day: write it like 2026-11-24", day)
	}
	return day, nil
}

func (o *Office) visitPage(r *request) (visitList, error) {
	day, err := o.askedDay(r)
	if err != nil {
		return visitList{}, err
	}
	p := visitList{frame: o.frame(r, "Visits", "visits"), CSV: r.q.csv()}
	rows, n, more, err := o.found(r, day, maxRows)
	if err != nil {
		return p, err
	}
	p.Rows, p.More = rows, more
	p.Heads = arrange(r.q, shown(visitColumns()), p.Rows)
	p.Fields = []field{
		{Name: "words", Words: "Words", Value: r.q.get("words")},
		{Name: "on", Words: "Day", Value: day, Kind: "date"},
		{Name: "state", Words: "State", Choices: stateChoices(r.q.get("state"))},
		{Name: "person", Words: "Who", Choices: o.personChoices(r.q.get("person"), n)},
		{Name: "nature", Words: "Nature", Choices: choices(r.q.get("nature"), "Real and practice", [2]string{"real", "Real"}, [2]string{"practice", "Practice"})},
		{Name: "needs", Words: "Needs", Choices: choices(r.q.get("needs"), "All", [2]string{"somebody", "Needs somebody"})},
	}
	return p, nil
}

func (o *Office) visits(r *request) error {
	p, err := o.visitPage(r)
	if err != nil {
		return err
	}
	if len(p.Rows) > maxShown {
		p.Rows, p.More = p.Rows[:maxShown], true
	}
	return r.show(p)
}

// maxShown bounds the rows of one page; the CSV file has them all.
const maxShown = 300

func (o *Office) visitsCSV(r *request) error {
	p, err := o.visitPage(r)
	if err != nil {
		return err
	}
	return writeCSV(r, "visits", visitColumns(), p.Rows)
}

// stripWords says in words what a strip of cells shows.
func stripWords(v visitRow) string {
	words := map[string]string{"done": "carried out", "now": "under way", "stopped": "stopped", "undone": "a proof came to nothing", "gap": "something left out", "ahead": "to come"}
	var parts []string
	for i := 0; i < len(v.Cells); {
		j := i
		for j+1 < len(v.Cells) && v.Cells[j+1].State == v.Cells[i].State {
			j++
		}
		span := v.Cells[i].Words
		if j > i {
			span += " to " + v.Cells[j].Words
		}
		parts = append(parts, span+": "+words[v.Cells[i].State])
		i = j + 1
	}
	return strings.Join(parts, "; ")
}
