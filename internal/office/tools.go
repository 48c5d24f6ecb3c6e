package office

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/internal/summary"
)

// toolRow is one instrument as the records show it.
type toolRow struct {
	Kind      instrument.Kind
	KindWords string
	ID        string
	Due       string
	Overdue   bool
	DueWords  string
	Last      time.Time
	Visits    int
	Readings  int
	// Void counts brackets that came to nothing, Unclosed those that were never closed.
	Void, Unclosed int
	Trouble        string
	Link           string
}

type toolList struct {
	frame
	Heads  []head
	Rows   []toolRow
	Fields []field
	CSV    string
	Scope  string
}

// toolUse is one visit that used an instrument.
type toolUse struct {
	Row  visitRow
	Tool summary.Tool
}

type toolPage struct {
	frame
	Tool  toolRow
	Rows  []toolUse
	Scope string
}

func toolColumns() []column[toolRow] {
	return []column[toolRow]{
		{ID: "kind", Title: "Instrument", Compare: func(a, b toolRow) int { return cmp.Compare(a.KindWords, b.KindWords) }, Text: func(t toolRow) string { return string(t.Kind) }},
		{ID: "number", Title: "Number", Compare: func(a, b toolRow) int { return cmp.Compare(a.ID, b.ID) }, Text: func(t toolRow) string { return t.ID }},
		{ID: "due", Title: "Calibration due", Compare: func(a, b toolRow) int { return cmp.Compare(a.Due, b.Due) }, Text: func(t toolRow) string { return t.Due }},
		{ID: "standing", Title: "Standing", Text: func(t toolRow) string { return t.DueWords }},
		{ID: "last", Title: "Last used", Compare: func(a, b toolRow) int { return a.Last.Compare(b.Last) }, Text: func(t toolRow) string { return t.Last.Format(time.RFC3339) }},
		{ID: "visits", Title: "Visits that relied on it", Class: "right", Compare: func(a, b toolRow) int { return cmp.Compare(a.Visits, b.Visits) }, Text: func(t toolRow) string { return strconv.Itoa(t.Visits) }},
		{ID: "readings", Title: "Readings", Class: "right", Compare: func(a, b toolRow) int { return cmp.Compare(a.Readings, b.Readings) }, Text: func(t toolRow) string { return strconv.Itoa(t.Readings) }},
		{ID: "provings", Title: "Its provings", Compare: func(a, b toolRow) int {
			return cmp.Or(cmp.Compare(a.Void, b.Void), cmp.Compare(a.Unclosed, b.Unclosed))
		}, Text: func(t toolRow) string { return t.Trouble }},
	}
}

// due says how a due date stands on a day.
func due(date string, now time.Time) (words string, over bool) {
	if date == "" {
		return "no date given", false
	}
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return "not a date", true
	}
	y, m, day := now.Date()
	left := int(d.Sub(time.Date(y, m, day, 0, 0, 0, 0, time.UTC)).Hours() / 24)
	switch {
	case left < 0:
		return "overdue by " + count(-left, "day"), true
	case left == 0:
		return "due today", false
	}
	return "due in " + count(left, "day"), false
}

func provings(t summary.Tool) string {
	var parts []string
	if t.Void > 0 {
		parts = append(parts, fmt.Sprintf("%d came to nothing", t.Void))
	}
	if t.Unclosed > 0 {
		parts = append(parts, fmt.Sprintf("%d not proved again", t.Unclosed))
	}
	if len(parts) == 0 && t.Readings > 0 {
		return "proved before and again"
	}
	return strings.Join(parts, ", ")
}

// tools gathers the instruments of visits that are given newest first.
func (o *Office) tools(all []store.Summary) []toolRow {
	type key struct {
		kind instrument.Kind
		id   string
	}
	at := map[key]int{}
	var rows []toolRow
	now := o.opts.Now()
	for _, s := range all {
		for _, t := range summary.Read(s).Tools {
			k := key{t.Kind, t.ID}
			i, known := at[k]
			if !known {
				i = len(rows)
				at[k] = i
				row := toolRow{Kind: t.Kind, KindWords: report.Kind(t.Kind), ID: t.ID, Due: t.Due, Last: s.Opened,
					Link: o.opts.Base + "/instruments/" + url.PathEscape(string(t.Kind)) + "/" + url.PathEscape(t.ID)}
				row.DueWords, row.Overdue = due(t.Due, now)
				rows = append(rows, row)
			}
			if t.Readings > 0 {
				rows[i].Visits++
			}
			rows[i].Readings += t.Readings
			rows[i].Void += t.Void
			rows[i].Unclosed += t.Unclosed
		}
	}
	for i := range rows {
		r := &rows[i]
		r.Trouble = provings(summary.Tool{Void: r.Void, Unclosed: r.Unclosed, Readings: r.Readings})
	}
	slices.SortStableFunc(rows, func(a, b toolRow) int { return cmp.Or(cmp.Compare(a.KindWords, b.KindWords), cmp.Compare(a.ID, b.ID)) })
	return rows
}

func (o *Office) toolPage(r *request) (toolList, error) {
	p := toolList{frame: o.frame(r, "Instruments", "instruments"), CSV: r.q.csv()}
	all, more, err := o.recent(r.ctx, store.Filter{}, maxRows)
	if err != nil {
		return p, err
	}
	p.Scope = scope(len(all), more)
	kind, standing := r.q.get("kind"), r.q.get("standing")
	p.Rows = filter(o.tools(all), func(t toolRow) bool {
		fits := standing == "" || standing == "overdue" && t.Overdue || standing == "trouble" && t.Void+t.Unclosed > 0
		return fits && (kind == "" || string(t.Kind) == kind) && matches(r.q.get("words"), t.ID, t.KindWords)
	})
	p.Heads = arrange(r.q, toolColumns(), p.Rows)
	var kinds [][2]string
	for _, m := range instrument.Models() {
		kinds = append(kinds, [2]string{string(m.Kind), upperFirst(m.Words)})
	}
	p.Fields = []field{
		{Name: "words", Words: "Words", Value: r.q.get("words")},
		{Name: "kind", Words: "Kind", Choices: choices(kind, "Every kind", kinds...)},
		{Name: "standing", Words: "Standing", Choices: choices(standing, "All", [2]string{"overdue", "Overdue"}, [2]string{"trouble", "Provings that failed"})},
	}
	return p, nil
}

func (o *Office) instruments(r *request) error {
	p, err := o.toolPage(r)
	if err != nil {
		return err
	}
	if len(p.Rows) > maxShown {
		p.Rows = p.Rows[:maxShown]
		p.Scope += fmt.Sprintf(" The first %d are shown; the CSV file has all.", maxShown)
	}
	return r.show(p)
}

func (o *Office) instrumentsCSV(r *request) error {
	p, err := o.toolPage(r)
	if err != nil {
		return err
	}
	return writeCSV(r, "instruments", toolColumns(), p.Rows)
}

// instrument lists the visits that relied on one instrument.
func (o *Office) instrument(r *request) error {
	kind, id := instrument.Kind(r.r.PathValue("kind")), r.r.PathValue("id")
	all, more, err := o.recent(r.ctx, store.Filter{}, maxRows)
	if err != nil {
		return err
	}
	n, err := o.names(r.ctx)
	if err != nil {
		return err
	}
	rows := filter(o.tools(all), func(t toolRow) bool { return t.Kind == kind && t.ID == id })
	if len(rows) == 0 {
		return errMissing
	}
	p := toolPage{frame: o.frame(r, rows[0].KindWords+" "+id, "instruments"), Tool: rows[0], Scope: scope(len(all), more)}
	for _, s := range all {
		for _, t := range summary.Read(s).Tools {
			if t.Kind == kind && t.ID == id {
				p.Rows = append(p.Rows, toolUse{o.row(s, n, o.opts.Now()), t})
			}
		}
	}
	return r.show(p)
}
