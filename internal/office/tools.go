package office

import (
	"bytes"
	"cmp"
	json "encoding/json/v2"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/store"
	"meterwright/internal/summary"
	"meterwright/replay"
)

// toolRow is one instrument as the records show it: what rests on it over several visits.
type toolRow struct {
	replay.Tool
	Words   string
	Overdue bool
	// Stands says how its due date stands, Trouble how its provings went.
	Stands, Trouble string
	Last            time.Time
	Visits          int
	Link            string
}

// toolUse is one visit that used an instrument.
type toolUse struct {
	Row     visitRow
	Tool    replay.Tool
	Trouble string
}

// number is a column of numbers.
func number[T any](id string, of func(T) int) column[T] {
	c := plainly(id, "sum", func(x T) string { return strconv.Itoa(of(x)) })
	c.Compare = func(a, b T) int { return cmp.Compare(of(a), of(b)) }
	return c
}

func (o *Office) toolColumns() []column[toolRow] {
	id := plainly("number", "num", func(t toolRow) string { return t.ID })
	id.Cell = func(t toolRow) cell { return cell{Text: t.ID, Link: t.Link} }
	kind := plainly("kind", "", func(t toolRow) string { return string(t.Kind) })
	kind.Cell = func(t toolRow) cell { return cell{Text: o.begin(t.Words)} }
	stands := plainly("standing", "", func(t toolRow) string { return t.Stands })
	stands.Compare, stands.Cell = nil, func(t toolRow) cell { return cell{Text: t.Stands, Strong: t.Overdue} }
	last := timed("last", func(t toolRow) time.Time { return t.Last }, dated)
	provings := plainly("provings", "", func(t toolRow) string { return t.Trouble })
	provings.Compare = func(a, b toolRow) int {
		return cmp.Or(cmp.Compare(a.Void, b.Void), cmp.Compare(a.Unclosed, b.Unclosed))
	}
	return []column[toolRow]{kind, id, plainly("due", "num", func(t toolRow) string { return t.Due }), stands, last,
		number("visits", func(t toolRow) int { return t.Visits }), number("readings", func(t toolRow) int { return t.Readings }), provings}
}

func (o *Office) useColumns() []column[toolUse] {
	row := func(u toolUse) visitRow { return u.Row }
	begun := timed("begun", func(u toolUse) time.Time { return u.Row.Opened }, dated)
	where := plainly("where", "", func(u toolUse) string { return u.Row.where() })
	where.Text = nil
	return []column[toolUse]{begun, premises(o, row), onlyFile("job", func(u toolUse) string { return u.Row.Job }), plainly("who", "", func(u toolUse) string { return u.Row.Who }),
		plainly("calibration-due", "num", func(u toolUse) string { return u.Tool.Due }), number("readings", func(u toolUse) int { return u.Tool.Readings }),
		plainly("provings", "", func(u toolUse) string { return u.Trouble }), where, onlyFile("state", func(u toolUse) string { return u.Row.State }), onlyFile("visit", func(u toolUse) string { return u.Row.Visit })}
}

// due says how a due date stands on a day.
func (o *Office) due(date string, now time.Time) (words string, over bool) {
	if date == "" {
		return o.lang.Say("office.due.none"), false
	}
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return o.lang.Say("office.due.no-date"), true
	}
	y, m, day := now.Date()
	left := int(d.Sub(time.Date(y, m, day, 0, 0, 0, 0, time.UTC)).Hours() / 24)
	switch {
	case left < 0:
		return o.lang.Say("office.due.overdue", "n", -left), true
	case left == 0:
		return o.lang.Say("office.due.today"), false
	}
	return o.lang.Say("office.due.in", "n", left), false
}

func (o *Office) provings(t replay.Tool) string {
	var parts []string
	if t.Void > 0 {
		parts = append(parts, o.lang.Say("office.provings.void", "n", t.Void))
	}
	if t.Unclosed > 0 {
		parts = append(parts, o.lang.Say("office.provings.unclosed", "n", t.Unclosed))
	}
	switch {
	case t.Readings == 0:
		return o.lang.Say("office.provings.no-reading")
	case len(parts) == 0:
		return o.lang.Say("office.provings.good")
	}
	return strings.Join(parts, ", ")
}

// tools gathers the instruments of visits that are given newest first.
func (o *Office) tools(all []visitRow) []toolRow {
	at := map[[2]string]int{}
	var rows []toolRow
	now := o.opts.Now()
	for _, v := range all {
		for _, t := range v.Facts.Tools {
			k := [2]string{string(t.Kind), t.ID}
			i, known := at[k]
			if !known {
				i = len(rows)
				at[k] = i
				x := toolRow{Tool: replay.Tool{Kind: t.Kind, ID: t.ID, Due: t.Due}, Words: o.lang.Kind(t.Kind), Last: v.Opened,
					Link: o.opts.Base + "/instruments/" + url.PathEscape(string(t.Kind)) + "/" + url.PathEscape(t.ID)}
				x.Stands, x.Overdue = o.due(t.Due, now)
				rows = append(rows, x)
			}
			x := &rows[i]
			if t.Readings > 0 {
				x.Visits++
			}
			x.Readings, x.Void, x.Unclosed = x.Readings+t.Readings, x.Void+t.Void, x.Unclosed+t.Unclosed
		}
	}
	for i := range rows {
		rows[i].Trouble = o.provings(rows[i].Tool)
	}
	slices.SortStableFunc(rows, func(a, b toolRow) int { return cmp.Or(cmp.Compare(a.Words, b.Words), cmp.Compare(a.ID, b.ID)) })
	return rows
}

func (o *Office) instruments(r *request) error {
	p, err := o.listPage(r, "instruments", "instruments", "/instruments", "/instruments.csv")
	if err != nil {
		return err
	}
	all, more, err := o.recent(r.ctx, store.Filter{})
	if err != nil {
		return err
	}
	p.scope(len(all), more)
	p.Notes = append(p.Notes, link{Words: p.Say("office.instruments.note")})
	p.text(r, "words", "")
	var kinds [][2]string
	for _, m := range instrument.Models() {
		kinds = append(kinds, [2]string{string(m.Kind), o.begin(p.Kind(m.Kind))})
	}
	p.choose(r, "kind", "every-kind", kinds...)
	p.choose(r, "standing", "any", p.keyed("filter.standing", "overdue", "trouble")...)
	kind, standing := r.q.get("kind"), r.q.get("standing")
	rows := filter(o.tools(o.facts(all)), func(t toolRow) bool {
		fits := standing == "" || standing == "overdue" && t.Overdue || standing == "trouble" && t.Void+t.Unclosed > 0
		return fits && (kind == "" || string(t.Kind) == kind) && matches(r.q.get("words"), t.ID, t.Words)
	})
	return serve(r, p, "instruments", o.toolColumns(), rows, nil)
}

// facts reads what rows hold, without their words.
func (o *Office) facts(all []store.Summary) []visitRow {
	list := make([]visitRow, len(all))
	for i, s := range all {
		list[i] = visitRow{Summary: s, Facts: summary.Read(s)}
	}
	return list
}

// jsonText is a text as it stands in JSON.
func jsonText(s string) []byte {
	b, err := json.Marshal(s)
	if err != nil {
		return []byte(s)
	}
	return b
}

// instrument lists the visits that relied on one instrument.
func (o *Office) instrument(r *request) error {
	kind, id := instrument.Kind(r.r.PathValue("kind")), r.r.PathValue("id")
	most := maxRows
	if r.q.get("reach") == "all" {
		most = math.MaxInt
	}
	// Most visits used other instruments: their details need not be read.
	number := jsonText(id)
	all, looked, more, err := o.scan(r.ctx, store.Filter{}, most, func(s store.Summary) bool { return bytes.Contains(s.Details, number) })
	if err != nil {
		return err
	}
	p, err := o.listPage(r, "instrument", "instruments", "/instruments", "")
	if err != nil {
		return err
	}
	var used []visitRow
	for _, s := range all {
		used = append(used, o.bare(r, s, p.names))
	}
	rows := filter(o.tools(used), func(t toolRow) bool { return t.Kind == kind && t.ID == id })
	if len(rows) == 0 {
		return errMissing
	}
	t := rows[0]
	p.CSV = r.q.csv(t.Link + "/visits.csv")
	p.Heading = p.Say("office.instrument.heading", "kind", t.Words, "id", t.ID)
	p.Title, p.Layout.Title = p.Heading, p.Heading
	p.Notes = append(p.Notes, link{Words: p.Say("office.instrument.note", "due", cmp.Or(t.Due, p.Say("office.due.not-given")), "stands", t.Stands, "trouble", t.Trouble)})
	p.scope(looked, more)
	if more {
		p.Notes = append(p.Notes, link{r.q.with("reach", "all"), p.Say("office.instrument.all")})
	}
	var uses []toolUse
	for _, v := range used {
		for _, t := range v.Facts.Tools {
			if t.Kind == kind && t.ID == id {
				uses = append(uses, toolUse{v, t, o.provings(t)})
			}
		}
	}
	return serve(r, p, "instrument", o.useColumns(), uses, nil)
}
