package office

import (
	"cmp"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"meterwright/internal/store"
	"meterwright/internal/summary"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/say"
)

// templComponent is what a page renders to.
type templComponent = templ.Component

// visitRow is one visit in a list, with its facts and their words.
type visitRow struct {
	store.Summary
	Facts summary.Details
	say   *say.Speaker
	Who   string
	Link  string
	// Where says where the visit stands, Supply how the supply stands, Standing what came of it.
	Where, Supply, Standing string
	// Off is how long the supply has been off, in all, and Took how long the visit took, or has taken so far.
	Off, Took time.Duration
	// Danger says that somebody may be hurt.
	Danger bool
}

func (o *Office) row(r *request, s store.Summary, n names, now time.Time) visitRow {
	v := o.bare(r, s, n)
	v.Where, v.Supply, v.Standing = v.where(), v.supply(now), v.standing()
	end := v.Last
	if v.going() {
		end = now
	}
	v.Took = max(end.Sub(v.Opened), 0)
	return v
}

// bare is a row without the words for where the visit stands.
func (o *Office) bare(r *request, s store.Summary, n names) visitRow {
	v := visitRow{Summary: s, Facts: summary.Read(s), Who: n.of(s.Person), Link: o.opts.Base + "/visit/" + s.Visit}
	v.say = o.speaker(r.ctx, s.Visit, v.Facts.Method)
	if len(v.Facts.People) > 1 {
		v.Who = o.lang.Say("office.who.more", "who", v.Who, "n", len(v.Facts.People)-1)
	}
	v.Danger = slices.ContainsFunc(v.Facts.Needs, func(n summary.Need) bool { return n.Danger })
	return v
}

// where says where the visit stands.
func (v *visitRow) where() string {
	step := v.say.PhaseOf(v.Facts.Step)
	switch state := replay.State(v.State); {
	case state == replay.Unreadable:
		return v.say.Say("office.where.unreadable")
	case state == replay.Stopped && v.Facts.Contested:
		return v.say.Say("office.where.stopped-held-by-two", "phase", step)
	case state == replay.Stopped:
		return v.say.Say("office.where.stopped", "phase", step)
	case state == replay.HeldByTwo:
		return v.say.Say("office.where.held-by-two", "phase", step)
	case state == replay.UnderWay && v.Facts.Away:
		return v.say.Say("office.where.away")
	case state == replay.UnderWay && step == "":
		return v.say.Say("office.where.begun")
	case state == replay.UnderWay:
		return step
	}
	return v.say.Say("office.where.ended", "outcome", v.say.Outcome(v.Outcome), "at", v.Last)
}

// going reports whether the visit can still go on.
func (v *visitRow) going() bool {
	return slices.Contains([]replay.State{replay.UnderWay, replay.Stopped, replay.HeldByTwo}, replay.State(v.State))
}

// took says how long the visit took, or has taken so far.
func (v *visitRow) took() string {
	if v.going() {
		return v.say.Say("office.took.so-far", "span", v.say.Span(v.Took))
	}
	return v.say.Span(v.Took)
}

// supply says how the supply stands.
func (v *visitRow) supply(now time.Time) string {
	for _, out := range v.Facts.Off {
		end := out.On
		if end.IsZero() {
			end = now
			if v.Outcome != "" {
				end = v.Last
			}
		}
		v.Off += max(end.Sub(out.Off), 0)
	}
	switch since := v.SupplyOffSince; {
	case !since.IsZero() && v.Outcome == "":
		return v.say.Say("office.supply.off", "span", v.say.Span(now.Sub(since)))
	case !since.IsZero():
		return v.say.Say("office.supply.left-off")
	case v.Off > 0:
		return v.say.Say("office.supply.was-off", "span", v.say.Span(v.Off))
	}
	return v.say.Say("office.supply.live")
}

// standing says in one line what came of the visit. Of a visit in which something was done in spite of a
// refusal, or nothing was read, it never says that nothing was found.
func (v *visitRow) standing() string {
	f := &v.Facts
	if v.State == string(replay.Unreadable) {
		return f.Error
	}
	var parts []string
	add := func(key string, args ...any) { parts = append(parts, v.say.Say("office.standing."+key, args...)) }
	counted := func(key string, n int) {
		if n > 0 {
			add(key, "n", n)
		}
	}
	counted("in-spite", f.InSpite)
	if f.Stop != nil {
		add("stopped", "stop", v.say.Stop(f.Stop.ID, f.Stop.Words))
	}
	if f.Contested {
		add("held-by-two")
	}
	if f.Undone != nil {
		add("undone", "phase", v.say.Phase(cmp.Or(f.Undone.Phase, f.Undone.Proof)), "cause", v.say.Cause(&f.Undone.Cause))
	}
	if f.Told != nil {
		add("told", "told", v.say.Telling(f.Told))
	}
	counted("defects", f.Recorded)
	counted("remarks", f.Remarks)
	if v.State == string(replay.Completed) && f.Readings == 0 {
		add("no-reading")
	} else if v.State == string(replay.Completed) && len(parts) == 0 {
		add("nothing-found")
	}
	counted("left-out", f.LeftOut)
	return strings.Join(parts, "; ")
}

// phase is one phase in the strip that shows where a visit stands.
type phase struct {
	Words string
	replay.Standing
}

func (v *visitRow) strip() []phase {
	words := v.say.Phases()
	var list []phase
	for i, s := range v.Facts.Phases {
		p := phase{Words: strconv.Itoa(i + 1), Standing: s}
		if i < len(words) {
			p.Words = words[i]
		}
		list = append(list, p)
	}
	return list
}

// stripWords says in words what a strip shows.
func stripWords(l *say.Language, list []phase) string {
	var parts []string
	for i := 0; i < len(list); {
		j := i
		for j+1 < len(list) && list[j+1].Standing == list[i].Standing {
			j++
		}
		words := l.Say("standing." + string(list[i].Standing))
		if j > i {
			parts = append(parts, l.Say("office.strip.several", "first", list[i].Words, "last", list[j].Words, "standing", words))
		} else {
			parts = append(parts, l.Say("office.strip.one", "phase", list[i].Words, "standing", words))
		}
		i = j + 1
	}
	return strings.Join(parts, "; ")
}

// visitColumns are the columns of a list of visits; with days each begins with its day.
func (o *Office) visitColumns(days bool) []column[visitRow] {
	words := say.Clock
	if days {
		words = dated
	}
	begun := timed("begun", func(v visitRow) time.Time { return v.Opened }, words)
	stage := func(v visitRow) int {
		return slices.IndexFunc(v.Facts.Phases, func(s replay.Standing) bool {
			return s == replay.PhaseNow || s == replay.PhaseStopped || s == replay.PhaseAhead
		})
	}
	took := plainly("took", "nowrap", func(v visitRow) string { return v.took() })
	took.Compare = func(a, b visitRow) int { return cmp.Compare(a.Took, b.Took) }
	where := column[visitRow]{ID: "where", Class: "where", Compare: func(a, b visitRow) int { return cmp.Compare(stage(a), stage(b)) }, Text: func(v visitRow) string { return v.Where },
		Cell: func(v visitRow) cell { return cell{Strip: v.strip(), Lines: []link{{Words: v.Where}}} }}
	supply := plainly("supply", "nowrap", func(v visitRow) string { return v.Supply })
	supply.Compare = func(a, b visitRow) int { return cmp.Compare(a.Off, b.Off) }
	standing := plainly("standing", "", func(v visitRow) string { return v.Standing })
	standing.Cell = func(v visitRow) cell { return cell{Text: o.begin(v.Standing), Strong: v.Danger} }
	return []column[visitRow]{begun, took, plainly("job", "num", func(v visitRow) string { return v.Job }), premises(o, func(v visitRow) visitRow { return v }), plainly("who", "", func(v visitRow) string { return v.Who }),
		where, onlyFile("state", func(v visitRow) string { return v.State }), supply, standing,
		onFile("held-by-two", "held-by-two", func(v visitRow) bool { return v.Facts.Contested }),
		onlyFile("in-spite", func(v visitRow) string { return strconv.Itoa(v.Facts.InSpite) }),
		onlyFile("needs-somebody", func(v visitRow) string {
			now, words := o.opts.Now(), []string{}
			for _, n := range v.Facts.Needs {
				if !n.Wakes.After(now) {
					words = append(words, say.Clock(n.At)+" "+o.need(&v, &n, now))
				}
			}
			return strings.Join(words, " ")
		}),
		onlyFile("visit", func(v visitRow) string { return v.Visit })}
}

// premises is the column that leads to a visit.
func premises[T any](o *Office, of func(T) visitRow) column[T] {
	c := plainly("premises", "", func(x T) string { return of(x).Address })
	c.Cell = func(x T) cell {
		v := of(x)
		out := cell{Text: cmp.Or(v.Address, v.Visit), Link: v.Link}
		if v.Nature == record.Practice {
			out.Tag, out.TagClass = o.lang.Nature(v.Nature), "practice"
		}
		return out
	}
	return c
}

// begin begins words as a sentence.
func (o *Office) begin(words string) string { return o.lang.Say("office.begin", "words", words) }

// visitList begins a page of visits with those that the address asks for, newest first.
func (o *Office) visitList(r *request, key, path, file, day string) (p *list, rows []visitRow, err error) {
	if p, err = o.listPage(r, key, key, path, file); err != nil {
		return nil, nil, err
	}
	f := store.Filter{Day: day, Person: r.q.get("person"), State: r.q.get("state"), Nature: record.Nature(r.q.get("nature"))}
	all, more, err := o.recent(r.ctx, f)
	if err != nil {
		return nil, nil, err
	}
	now := o.opts.Now()
	for _, s := range all {
		v := o.row(r, s, p.names, now)
		if matches(r.q.get("words"), v.Job, v.Address, v.Who, v.Where, v.Standing, v.Facts.MeterPoint, v.Facts.Meter) {
			rows = append(rows, v)
		}
	}
	if more {
		p.Hold = p.Say("office." + key + ".more")
	}
	p.fields(r)
	p.Key, p.Class = true, "visits"
	return p, rows, nil
}

func (o *Office) askedDay(r *request) (string, error) {
	day := r.q.get("on")
	if day == "" {
		return "", nil
	}
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return "", o.refuse(http.StatusBadRequest, "day", "day", day)
	}
	return day, nil
}

// fields are the filters of a list of visits.
func (p *list) fields(r *request) {
	p.text(r, "words", "")
	p.text(r, "on", "date")
	var states [][2]string
	for _, s := range replay.States() {
		states = append(states, [2]string{string(s), p.State(s)})
	}
	p.choose(r, "state", "any-state", states...)
	var people [][2]string
	for id := range p.names {
		people = append(people, [2]string{id, p.names.of(id)})
	}
	slices.SortFunc(people, func(a, b [2]string) int { return cmp.Compare(a[1]+a[0], b[1]+b[0]) })
	p.choose(r, "person", "everybody", people...)
	p.choose(r, "nature", "any-nature", [2]string{string(record.Real), p.Nature(record.Real)}, [2]string{string(record.Practice), p.Nature(record.Practice)})
}

func dangerous(v visitRow) bool { return v.Danger }

func (o *Office) visits(r *request) error {
	day, err := o.askedDay(r)
	if err != nil {
		return err
	}
	p, rows, err := o.visitList(r, "visits", "/visits", "/visits.csv", day)
	if err != nil {
		return err
	}
	return serve(r, p, "visits", o.visitColumns(true), rows, dangerous)
}

// dayHeading counts the whole day, whatever the filter, and says how many fit it.
func (o *Office) dayHeading(r *request, p *list, t time.Time, fit []visitRow) (string, error) {
	day, whole := say.Day(t), fit
	filtered := slices.ContainsFunc([]string{"words", "state", "person", "nature"}, func(name string) bool { return r.q.get(name) != "" })
	if filtered {
		all, _, err := o.recent(r.ctx, store.Filter{Day: day})
		if err != nil {
			return "", err
		}
		whole = nil
		for _, s := range all {
			whole = append(whole, o.bare(r, s, p.names))
		}
	}
	off := len(filter(whole, func(v visitRow) bool { return !v.SupplyOffSince.IsZero() }))
	words := p.Say("office.day.heading", "weekday", p.Say("office.weekday."+strconv.Itoa(int(t.Weekday()))), "day", day, "n", len(whole), "danger", len(filter(whole, dangerous)), "off", off)
	if filtered {
		words = p.Say("office.day.fit", "heading", words, "n", len(fit))
	}
	return words, nil
}

// day is one day with its visits.
func (o *Office) day(r *request) error {
	day, err := o.askedDay(r)
	if err != nil {
		return err
	}
	day = cmp.Or(day, say.Day(o.opts.Now()))
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return err
	}
	p, rows, err := o.visitList(r, "day", "/", "/day.csv", day)
	if err != nil {
		return err
	}
	p.Fields[1].Value = day
	// A day is read from its morning on.
	slices.Reverse(rows)
	if p.Heading, err = o.dayHeading(r, p, t, rows); err != nil {
		return err
	}
	for _, x := range []struct{ key, day string }{{"before", say.Day(t.AddDate(0, 0, -1))}, {"today", ""}, {"after", say.Day(t.AddDate(0, 0, 1))}} {
		p.Turn = append(p.Turn, link{r.q.with("on", x.day), p.Say("office.day." + x.key)})
	}
	return serve(r, p, "day-"+day, o.visitColumns(false), rows, dangerous)
}
