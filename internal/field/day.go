package field

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/internal/page"
)

// peoplePage asks who has the device in hand.
type peoplePage struct {
	frame
	People []personLine
}

type personLine struct{ Name, ID, To string }

func (h *Handler) people(w http.ResponseWriter, r *http.Request) {
	p := peoplePage{frame: h.frame(r, "Who")}
	for _, x := range h.opts.Hands {
		p.People = append(p.People, personLine{x.Name, x.ID, h.opts.Base + "/" + url.PathEscape(x.ID) + "/"})
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
	Done, Steps                              int
	Who                                      string
}

// maxListed bounds the jobs of a list on one page.
const maxListed = 100

// longDay writes a day in words.
func longDay(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("2 January 2006")
}

func (h *Handler) day(c *call) {
	p, err := h.dayPage(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	page.Write(c.w, c.r, 200, p.Page())
}

func (h *Handler) dayPage(c *call) (dayPage, error) {
	p := dayPage{frame: h.frame(c.r, "The day"), Who: c.hand.Name}
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
	here := h.opts.Base + "/" + url.PathEscape(c.hand.ID) + "/"
	p.Date, p.IsToday, p.Today = t.Format("Monday 2 January"), day == today, here
	p.Before, p.After = here+"?day="+t.AddDate(0, 0, -1).Format(time.DateOnly), here+"?day="+t.AddDate(0, 0, 1).Format(time.DateOnly)
	running, seen, err := h.running(c)
	if err != nil {
		return p, err
	}
	p.Lists = append(p.Lists, running)
	empty := "No job is yours on this day."
	if p.IsToday {
		empty = "No job is yours today."
	}
	for _, x := range []struct {
		jobList
		w Wanted
	}{
		{jobList{Name: "day", Words: "Appointments", Empty: empty}, Wanted{Day: day}},
		{jobList{Name: "undated", Words: "Without a date: nobody has begun them"}, Wanted{}},
		{jobList{Name: "others", Words: "Jobs of others", Others: true}, Wanted{Day: day, Others: true}},
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
	l, jobs = jobList{Name: "running", Words: "Under way in your hands"}, map[string]bool{}
	visits, err := h.opts.Journal.Running(c.r.Context(), c.hand.ID)
	if err != nil {
		return l, nil, err
	}
	for _, v := range visits {
		s, err := h.stands(c.r.Context(), v)
		if err != nil {
			// One visit that cannot be read does not hide the others.
			h.opts.Failed(err)
			l.Jobs = append(l.Jobs, jobLine{Address: "Visit " + v, To: h.visitURL(c.hand, v), Standing: unread, State: "stop"})
			continue
		}
		if !s.going || s.person != c.hand.ID {
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
const unread = "cannot be read: ring your office"

func (h *Handler) jobLine(c *call, j *jobs.Job) (jobLine, error) {
	l := jobLine{Address: j.Address, To: h.jobURL(c.hand, j.Reference), Standing: "not begun", State: "new", Who: j.Person}
	l.appointed(j, j.Day())
	visits, err := h.opts.Journal.Visits(c.r.Context(), j.Reference)
	if err != nil || len(visits) == 0 {
		return l, err
	}
	s, err := h.stands(c.r.Context(), visits[len(visits)-1])
	if err != nil {
		h.opts.Failed(err)
		s.words, s.state = unread, "stop"
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
		l.When = strings.TrimSpace(longDay(j.Day()) + " " + j.Hour())
	case err != nil:
		l.When = j.Hour()
	default:
		l.Time = j.Hour()
	}
}

func (l *jobLine) stands(s *standing) {
	l.Standing, l.State, l.Off, l.Done, l.Steps = s.words, s.state, s.off, s.done, s.steps
}

func (h *Handler) jobURL(hand *Hand, ref string) string {
	return h.opts.Base + "/" + url.PathEscape(hand.ID) + "/jobs/" + url.PathEscape(ref)
}

// arrivalPage is a job before its visit.
type arrivalPage struct {
	frame
	Job     *jobs.Job
	Day     string
	Visit   string
	Open    string
	Method  string
	Edition string
	// Away is what an employer's overlay takes out of the method.
	Away   []method.Away
	Claims string
	Kit    []kitLine
	Visits []visitLine
	// Going says that a visit of this job is going on.
	Going bool
}

type kitLine struct {
	Words, ID, Due string
	Past           bool
}

type visitLine struct{ To, Words string }

func (h *Handler) arrival(c *call) {
	ctx := c.r.Context()
	j, err := h.opts.Journal.Job(ctx, c.r.PathValue("job"))
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	p := arrivalPage{frame: h.frame(c.r, j.Address), Job: j, Day: h.opts.Base + "/" + url.PathEscape(c.hand.ID) + "/", Open: h.jobURL(c.hand, j.Reference) + "/open"}
	if p.Visit, err = newVisit(); err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	m, err := h.opts.Journal.Method(ctx, j)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	p.Method, p.Edition, p.Away = m.Title, m.Edition, m.TakesAway
	p.Claims = string(m.Claims.Arrangement)
	if m.Claims.Phases == 3 {
		p.Claims += ", three-phase"
	}
	for _, s := range m.Claims.Sources {
		p.Claims += ", " + hyphenless(string(s))
	}
	today := h.opts.Clock.Now().Format("2006-01-02")
	for _, t := range j.Kit.Instruments {
		model, _ := instrument.Lookup(t.Kind)
		p.Kit = append(p.Kit, kitLine{upperFirst(model.Words), t.ID, t.Due, t.Due != "" && t.Due < today})
	}
	for _, w := range j.Kit.Protection {
		p.Kit = append(p.Kit, kitLine{upperFirst(w.Item), w.ID, w.Due, w.Due != "" && w.Due < today})
	}
	visits, err := h.opts.Journal.Visits(ctx, j.Reference)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	for _, v := range slices.Backward(visits) {
		s, err := h.stands(ctx, v)
		if err != nil {
			h.opts.Failed(err)
			s.words = unread
		}
		p.Going = p.Going || s.going
		p.Visits = append(p.Visits, visitLine{h.visitURL(c.hand, v), upperFirst(s.words)})
	}
	page.Write(c.w, c.r, 200, p.Page())
}
