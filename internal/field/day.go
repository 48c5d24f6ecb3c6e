package field

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/internal/jobs"
	"meterwright/internal/page"
	"meterwright/replay"
)

// peoplePage asks who has the device in hand.
type peoplePage struct {
	frame
	People []personLine
}

type personLine struct{ Name, ID, To string }

func (h *Handler) people(w http.ResponseWriter, r *http.Request) {
	p := peoplePage{frame: h.frame(r, "field.people.title")}
	for _, x := range h.opts.Hands {
		p.People = append(p.People, personLine{x.Name, x.ID, h.dayURL(x)})
	}
	page.Write(w, r, 200, p.Page())
}

// dayPage is the jobs of one day.
type dayPage struct {
	frame
	Who, Date            string
	Before, Today, After string
	IsToday              bool
	// Lists has the person's own visits that are under way first: they are there whatever the
	// day is and however many jobs there are.
	Lists []jobList
}

// jobList is some of the jobs under one heading.
type jobList struct {
	Name, Words, Empty string
	// Others says that they are other people's, Open that they were asked for.
	Others, Open bool
	Jobs         []jobLine
	All          int
	// More leads to those after these, if there are any.
	More string
}

type jobLine struct {
	// Time is a time of day; When is what else the appointment says.
	Time, When, Address, To, Standing, State string
	Off                                      supplyView
	// Phases says how each phase of the visit stands.
	Phases []replay.Standing
	Who    string
}

// maxListed bounds the jobs of a list on one page.
const maxListed = 100

func (h *Handler) day(c *call) {
	p, err := h.dayPage(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	page.Write(c.w, c.r, 200, p.Page())
}

func (h *Handler) dayPage(c *call) (dayPage, error) {
	p := dayPage{frame: h.frame(c.r, "field.day.title"), Who: c.hand.Name}
	today := h.opts.Clock.Now().Format(time.DateOnly)
	day, only := c.query("day"), c.query("list")
	if day == "" {
		day = today
	}
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return p, senseless(fmt.Errorf("%.40q is no day: write it like 2026-11-24", day))
	}
	from, err := strconv.Atoi(cmp.Or(c.query("from"), "0"))
	if err != nil || from < 0 {
		return p, senseless(errors.New("the address does not say from which job on: open the day again"))
	}
	here := h.dayURL(c.hand)
	p.Date, p.IsToday, p.Today = p.lang.LongDay(t), day == today, here
	p.Before, p.After = here+"?day="+t.AddDate(0, 0, -1).Format(time.DateOnly), here+"?day="+t.AddDate(0, 0, 1).Format(time.DateOnly)
	running, seen, err := h.running(c)
	if err != nil {
		return p, err
	}
	p.Lists = append(p.Lists, running)
	empty := p.Say("field.day.empty")
	if p.IsToday {
		empty = p.Say("field.day.empty-today")
	}
	for _, x := range []struct {
		jobList
		w Wanted
	}{
		{jobList{Name: "day", Words: p.Say("field.day.appointments"), Empty: empty}, Wanted{Day: day}},
		{jobList{Name: "undated", Words: p.Say("field.day.undated")}, Wanted{}},
		{jobList{Name: "others", Words: p.Say("field.day.others"), Others: true}, Wanted{Day: day, Others: true}},
	} {
		x.w.Person, x.w.Most = c.hand.ID, maxListed
		if only == x.Name {
			x.w.From, x.Open = from, true
		}
		list, all, err := h.opts.Journal.Jobs(c.r.Context(), x.w)
		if err != nil {
			return p, err
		}
		x.All = all
		if next := x.w.From + len(list); next < all {
			x.More = fmt.Sprintf("%s?day=%s&list=%s&from=%d", here, day, x.Name, next)
		}
		for i := range list {
			if seen[list[i].Reference] {
				continue
			}
			line, err := h.jobLine(c, &list[i])
			if err != nil {
				return p, err
			}
			x.Jobs = append(x.Jobs, line)
		}
		p.Lists = append(p.Lists, x.jobList)
	}
	return p, nil
}

// running lists the visits that are under way in the person's hands, with their jobs.
func (h *Handler) running(c *call) (l jobList, jobs map[string]bool, err error) {
	l, jobs = jobList{Name: "running", Words: h.opts.Language.Say("field.day.running")}, map[string]bool{}
	visits, err := h.opts.Journal.Running(c.r.Context(), c.hand.ID, c.key)
	if err != nil {
		return l, nil, err
	}
	for _, v := range visits {
		s, err := h.stands(c.r.Context(), v)
		if err != nil {
			// One visit that cannot be read does not hide the others.
			h.opts.Failed(err)
			l.Jobs = append(l.Jobs, jobLine{Address: h.opts.Language.Say("field.day.visit", "visit", v), To: h.visitURL(c.hand, v), Standing: h.unread(), State: "stop"})
			continue
		}
		if !s.going || !slices.Contains(s.persons, c.hand.ID) {
			continue
		}
		line := jobLine{Address: s.address, To: h.visitURL(c.hand, v)}
		if j, err := h.opts.Journal.Job(c.r.Context(), s.job); err == nil {
			line.appointed(j, h.opts.Clock.Now().Format(time.DateOnly))
		}
		line.stands(&s)
		l.Jobs = append(l.Jobs, line)
		jobs[s.job] = true
	}
	l.All = len(l.Jobs)
	return l, jobs, nil
}

// unread stands where a visit cannot be read.
func (h *Handler) unread() string { return h.opts.Language.Say("field.standing.unread") }

func (h *Handler) jobLine(c *call, j *jobs.Job) (jobLine, error) {
	l := jobLine{Address: j.Address, To: h.jobURL(c.hand, j.Reference), Standing: h.opts.Language.Say("field.standing.new"), State: "new", Who: j.Person}
	l.appointed(j, j.Day())
	visits, err := h.opts.Journal.Visits(c.r.Context(), j.Reference)
	if err != nil || len(visits) == 0 {
		return l, err
	}
	s, err := h.stands(c.r.Context(), visits[len(visits)-1])
	if err != nil {
		h.opts.Failed(err)
		s.words, s.state = h.unread(), "stop"
	}
	l.stands(&s)
	if s.going {
		l.To = h.visitURL(c.hand, s.visit)
	}
	return l, nil
}

// appointed says when somebody is expected, on a page of that day.
func (l *jobLine) appointed(j *jobs.Job, day string) {
	_, err := time.Parse("15:04", j.Hour())
	switch {
	case j.Day() != day:
		l.When = strings.TrimSpace(j.Day() + " " + j.Hour())
	case err != nil:
		l.When = j.Hour()
	default:
		l.Time = j.Hour()
	}
}

func (l *jobLine) stands(s *standing) {
	l.Standing, l.State, l.Off, l.Phases = s.words, s.state, s.off, s.phases
}

// cells gives the cells of the strip, one a phase: how each stands, and the present one by the visit's state.
func (l jobLine) cells() []string {
	out := make([]string, len(l.Phases))
	for i, p := range l.Phases {
		out[i] = map[replay.Standing]string{replay.PhaseDone: "d", replay.PhaseStopped: "x", replay.PhaseUndone: "u", replay.PhaseGap: "g"}[p]
		if p == replay.PhaseNow {
			out[i] = map[string]string{"hold": "h", "away": "w"}[l.State]
			out[i] = cmp.Or(out[i], "n")
		}
	}
	return out
}
