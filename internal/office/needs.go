package office

import (
	json "encoding/json/v2"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/internal/store"
	"meterwright/internal/summary"
	"meterwright/replay"
	"meterwright/say"
)

// reason is why a visit needs somebody, with its time.
type reason struct {
	Key, At, Words string
	Danger         bool
}

// waiter is a visit that needs somebody, with its reasons, oldest first.
type waiter struct {
	visitRow
	Danger  bool
	Since   time.Time
	Ago     string
	Reasons []reason
}

// side is what stands beside every list: the visits that need somebody, over everything.
type side struct {
	Waiters []waiter
	// Further counts those that are not shown.
	Further int
}

// Bounds of what needs somebody: cards at the side, and rows of a page.
const (
	maxCards = 12
	maxWaits = 200
)

// waiting lists visits that need somebody, and says how many there are.
func (o *Office) waiting(r *request, n names, skip, limit int) (list []waiter, all int, err error) {
	now := o.opts.Now()
	found, all, err := o.store.Waiting(r.ctx, now, skip, limit)
	for _, f := range found {
		list = append(list, o.waiter(o.row(r, f.Summary, n, now), f.Open, now))
	}
	return list, all, err
}

// waiter gathers why a visit needs somebody, of those reasons that nobody has taken.
func (o *Office) waiter(v visitRow, open []string, now time.Time) waiter {
	w := waiter{visitRow: v}
	for _, key := range open {
		n := needed(v.Facts.Needs, key, v.Last)
		if w.Since.IsZero() {
			w.Since = n.At
		}
		w.Danger = w.Danger || n.Danger
		w.Reasons = append(w.Reasons, reason{Key: key, At: stamp(n.At, now), Words: o.need(&v, &n, now), Danger: n.Danger})
	}
	w.Ago = o.lang.Span(now.Sub(w.Since))
	return w
}

// needed is the need of that key. Only the store's own reason is not in the facts: they could not be had.
func needed(list []summary.Need, key string, last time.Time) summary.Need {
	if i := slices.IndexFunc(list, func(n summary.Need) bool { return n.Key() == key }); i >= 0 {
		return list[i]
	}
	return summary.Need{Need: replay.Need{Code: store.UnreadableState, At: last, Danger: true}}
}

// need words a reason.
func (o *Office) need(v *visitRow, n *summary.Need, now time.Time) string {
	switch n.Code {
	case summary.NeedSilent, summary.NeedOffLong:
		return o.lang.Say("office.need."+string(n.Code), "span", v.say.Span(now.Sub(n.At)))
	case store.UnreadableState:
		return o.lang.Say("office.need.unreadable", "why", v.Facts.Error)
	}
	return v.say.Need(&n.Need)
}

// stamp writes a time, with its day where that is not today.
func stamp(t, now time.Time) string {
	if say.Day(t) == say.Day(now) {
		return say.Clock(t)
	}
	return say.Day(t) + " " + say.Clock(t)
}

// needs lists every visit that needs somebody: those in which somebody may be hurt first, then the oldest.
func (o *Office) needs(r *request) error {
	p, err := o.listPage(r, "needs", "needs", "/needs", "/needs.csv")
	if err != nil {
		return err
	}
	columns := o.waiterColumns()
	if r.q.asFile() {
		skip := 0
		return writeCSV(r, "needs", columns, func() ([]waiter, error) {
			list, _, err := o.waiting(r, p.names, skip, maxWaits)
			skip += len(list)
			return list, err
		})
	}
	_, all, err := o.store.Waiting(r.ctx, o.opts.Now(), 0, 0)
	if err != nil {
		return err
	}
	skip, err := o.turn(r, p, all, maxWaits)
	if err != nil {
		return err
	}
	list, _, err := o.waiting(r, p.names, skip, maxWaits)
	if err != nil {
		return err
	}
	// The page itself says what its side would.
	p.Side, p.Bare = side{}, true
	p.Turn = append(p.Turn, link{o.opts.Base + "/taken", p.Say("office.taken.title")})
	return serve(r, p, "needs", columns, list, func(w waiter) bool { return w.Danger })
}

func (o *Office) waiterColumns() []column[waiter] {
	since := timed("since", func(w waiter) time.Time { return w.Since }, o.since)
	why := column[waiter]{ID: "why", Text: func(w waiter) string {
		var words []string
		for _, x := range w.Reasons {
			words = append(words, x.At+" "+x.Words)
		}
		return strings.Join(words, " ")
	}, Cell: func(w waiter) cell {
		c := cell{}
		for _, x := range w.Reasons {
			c.Lines = append(c.Lines, link{Words: x.At + " " + x.Words})
		}
		if w.Danger {
			c.Tag, c.TagClass = o.lang.Say("office.danger"), "restricted"
		}
		return c
	}}
	take := column[waiter]{ID: "take", Cell: func(w waiter) cell { return cell{Text: o.lang.Say("office.take.link"), Link: w.Link + "#take"} }}
	list := []column[waiter]{since, premises(o, func(w waiter) visitRow { return w.visitRow }), plainly("who", "", func(w waiter) string { return w.Who }), why, take,
		onFile("danger", "danger", func(w waiter) bool { return w.Danger }), onlyFile("job", func(w waiter) string { return w.Job }), onlyFile("visit", func(w waiter) string { return w.Visit })}
	for i := range list {
		list[i].Compare = nil // Dangers stand first, always.
	}
	return list
}

// takenRow is what was taken, with the visit that it belongs to.
type takenRow struct {
	store.Taking
	Row      visitRow
	By, What string
}

// takenRows words what was taken, of one visit or of all.
func (o *Office) takenRows(r *request, n names, visit string, most int) (list []takenRow, more bool, err error) {
	all, err := o.store.Taken(r.ctx, visit, most+1)
	if err != nil {
		return nil, false, err
	}
	now := o.opts.Now()
	known := map[string]visitRow{}
	for _, t := range all[:min(len(all), most)] {
		v, ok := known[t.Visit]
		if !ok {
			s, err := o.store.Visit(r.ctx, t.Visit)
			if err != nil && !errors.Is(err, store.ErrNotFound) {
				return nil, false, err
			}
			s.Visit = t.Visit
			v = o.row(r, s, n, now)
			known[t.Visit] = v
		}
		var need summary.Need
		if err := json.Unmarshal(t.What, &need); err != nil {
			return nil, false, fmt.Errorf("what was taken as number %d: %w", t.Number, err)
		}
		list = append(list, takenRow{Taking: t, Row: v, By: n.of(t.Person), What: o.need(&v, &need, t.At)})
	}
	return list, len(all) > most, nil
}

// taken lists what was taken, by whom and when.
func (o *Office) taken(r *request) error {
	p, err := o.listPage(r, "taken", "needs", "/taken", "/taken.csv")
	if err != nil {
		return err
	}
	p.text(r, "words", "")
	list, more, err := o.takenRows(r, p.names, "", maxRows)
	if err != nil {
		return err
	}
	if more {
		p.Hold = p.Say("office.list.first", "n", maxRows)
	}
	list = filter(list, func(t takenRow) bool {
		return matches(r.q.get("words"), t.Row.Address, t.Row.Job, t.By, t.Words, t.What)
	})
	p.Turn = append(p.Turn, link{o.opts.Base + "/needs", p.Say("office.needs.title")})
	return serve(r, p, "taken", []column[takenRow]{
		timed("taken", func(t takenRow) time.Time { return t.At }, o.since),
		premises(o, func(t takenRow) visitRow { return t.Row }),
		plainly("why", "", func(t takenRow) string { return t.What }),
		plainly("taken-by", "", func(t takenRow) string { return t.By }),
		plainly("done", "", func(t takenRow) string { return t.Words }),
		onlyFile("job", func(t takenRow) string { return t.Row.Job }), onlyFile("visit", func(t takenRow) string { return t.Visit }),
	}, list, nil)
}

// maxDone bounds what is said of what was done.
const maxDone = 500

// take records that a person took what a visit needs. The form names the reasons that it showed, so that
// one that came in meanwhile goes on waiting.
func (o *Office) take(r *request) error {
	id := r.r.PathValue("visit")
	r.r.Body = http.MaxBytesReader(r.w, r.r.Body, 256<<10)
	if err := r.r.ParseForm(); err != nil {
		return o.refuse(http.StatusBadRequest, "form")
	}
	s, err := o.store.Visit(r.ctx, id)
	if err != nil {
		return err
	}
	form := query{values: r.r.PostForm}
	words := strings.TrimSpace(r.r.PostForm.Get("done"))
	people, err := o.takers(r)
	if err != nil {
		return err
	}
	person := form.get("person")
	switch {
	case !slices.ContainsFunc(people, func(p choice) bool { return p.Value == person }):
		return o.refuse(http.StatusUnprocessableEntity, "taker")
	case words == "":
		return o.refuse(http.StatusUnprocessableEntity, "done")
	case len(words) > maxDone:
		return o.refuse(http.StatusUnprocessableEntity, "long", "n", maxDone)
	}
	facts := summary.Read(s)
	var list []store.Taking
	for _, key := range r.r.PostForm["need"] {
		what, err := json.Marshal(needed(facts.Needs, key, s.Last), json.Deterministic(true))
		if err != nil {
			return err
		}
		list = append(list, store.Taking{Visit: id, Need: key, What: what, Person: person, Words: words})
	}
	n, err := o.store.Take(r.ctx, o.opts.Now(), list...)
	if err != nil {
		return err
	}
	if n == 0 {
		return o.refuse(http.StatusConflict, "taken")
	}
	http.Redirect(r.w, r.r, o.opts.Base+"/visit/"+id+"#taken", http.StatusSeeOther)
	return nil
}

// turn puts the links to the other pages of a long list into it, and returns how many rows come before
// this page.
func (o *Office) turn(r *request, p *list, all, size int) (skip int, err error) {
	last := max((all+size-1)/size, 1)
	at := 1
	if asked := r.q.get("page"); asked != "" {
		at, err = strconv.Atoi(asked)
	}
	if err != nil || at < 1 || at > last {
		return 0, o.refuse(http.StatusNotFound, "page", "n", last)
	}
	if all == 0 {
		return 0, nil
	}
	skip = (at - 1) * size
	p.Notes = append(p.Notes, link{Words: p.Say("office.list.pages", "n", all, "first", min(skip+1, all), "last", min(skip+size, all))})
	if at > 1 {
		p.Notes = append(p.Notes, link{r.q.with("page", strconv.Itoa(at-1)), p.Say("office.list.before")})
	}
	if at < last {
		p.Notes = append(p.Notes, link{r.q.with("page", strconv.Itoa(at+1)), p.Say("office.list.after")})
	}
	return skip, nil
}
