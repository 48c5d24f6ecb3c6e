package office

import (
	"bytes"
	"cmp"
	"context"
	json "encoding/json/v2"
	"fmt"
	"math"
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
	// All leads to the same page over every visit, where this one goes over fewer.
	All string
	CSV string
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
	switch {
	case t.Readings == 0:
		return "taken up, no reading"
	case len(parts) == 0:
		return "proved before and again"
	}
	return strings.Join(parts, ", ")
}

// tools gathers the instruments of visits that are given newest first.
func (o *Office) tools(all []visitRow) []toolRow {
	type key struct {
		kind instrument.Kind
		id   string
	}
	at := map[key]int{}
	var rows []toolRow
	now := o.opts.Now()
	for _, s := range all {
		for _, t := range s.Tools {
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
	p.Rows = filter(o.tools(o.rows(all, nil)), func(t toolRow) bool {
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

// scan goes over up to most visits, newest first, and returns those that are wanted.
func (o *Office) scan(ctx context.Context, most int, want func(store.Summary) bool) (list []store.Summary, more bool, err error) {
	f := store.Filter{}
	for n := 0; ; {
		p, err := o.store.Visits(ctx, f)
		if err != nil {
			return nil, false, err
		}
		for _, s := range p.Visits {
			if n++; n > most {
				return list, true, nil
			}
			if want(s) {
				list = append(list, s)
			}
		}
		if p.Next == "" {
			return list, false, nil
		}
		f.After = p.Next
	}
}

// rows reads the details of visits.
func (o *Office) rows(all []store.Summary, n names) []visitRow {
	now := o.opts.Now()
	list := make([]visitRow, 0, len(all))
	for _, s := range all {
		list = append(list, o.row(s, n, now))
	}
	return list
}

func useColumns() []column[toolUse] {
	return []column[toolUse]{
		{ID: "begun", Text: func(u toolUse) string { return u.Row.Opened.Format(time.RFC3339) }},
		{ID: "premises", Text: func(u toolUse) string { return u.Row.Address }},
		{ID: "job", Text: func(u toolUse) string { return u.Row.Job }},
		{ID: "who", Text: func(u toolUse) string { return u.Row.Who }},
		{ID: "calibration-due", Text: func(u toolUse) string { return u.Tool.Due }},
		{ID: "readings", Text: func(u toolUse) string { return strconv.Itoa(u.Tool.Readings) }},
		{ID: "provings", Text: func(u toolUse) string { return provings(u.Tool) }},
		{ID: "state", Text: func(u toolUse) string { return u.Row.State }},
		{ID: "visit", Text: func(u toolUse) string { return u.Row.Visit }},
	}
}

// jsonText is a text as it stands in JSON.
func jsonText(s string) string {
	b, err := json.Marshal(s)
	if err != nil {
		return s
	}
	return string(b)
}

// instrument lists the visits that relied on one instrument.
func (o *Office) instrument(r *request) error {
	kind, id := instrument.Kind(r.r.PathValue("kind")), r.r.PathValue("id")
	most := maxRows
	if r.q.get("reach") == "all" {
		most = math.MaxInt
	}
	looked := 0
	all, more, err := o.scan(r.ctx, most, func(s store.Summary) bool {
		looked++
		// Most visits used other instruments: their details need not be read.
		return bytes.Contains(s.Details, []byte(jsonText(id)))
	})
	if err != nil {
		return err
	}
	n, err := o.names(r.ctx)
	if err != nil {
		return err
	}
	used := o.rows(all, n)
	rows := filter(o.tools(used), func(t toolRow) bool { return t.Kind == kind && t.ID == id })
	if len(rows) == 0 {
		return errMissing
	}
	p := toolPage{frame: o.frame(r, rows[0].KindWords+" "+id, "instruments"), Tool: rows[0], Scope: scope(looked, more)}
	if more {
		p.All = r.q.with("reach", "all")
	}
	for _, v := range used {
		for _, t := range v.Tools {
			if t.Kind == kind && t.ID == id {
				p.Rows = append(p.Rows, toolUse{v, t})
			}
		}
	}
	if strings.HasSuffix(r.r.URL.Path, ".csv") {
		return writeCSV(r, "instrument", useColumns(), p.Rows)
	}
	p.CSV = rows[0].Link + "/visits.csv"
	if r.q.get("reach") == "all" {
		p.CSV += "?reach=all"
	}
	if len(p.Rows) > maxShown {
		p.Scope += fmt.Sprintf(" The newest %d are shown; the CSV file has all.", maxShown)
		p.Rows = p.Rows[:maxShown]
	}
	return r.show(p)
}
