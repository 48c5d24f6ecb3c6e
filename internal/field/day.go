package field

import (
	"net/http"
	"net/url"
	"slices"

	"meterwright/instrument"
	"meterwright/internal/page"
	"meterwright/method"
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

// dayPage is the day's jobs.
type dayPage struct {
	frame
	Who, Date string
	Jobs      []jobLine
	Others    []jobLine
}

type jobLine struct {
	Time, Address, To, Standing, State string
	Off                                supplyView
	Done, Steps                        int
	Who                                string
}

func (h *Handler) day(c *call) {
	ctx := c.r.Context()
	p := dayPage{frame: h.frame(c.r, "The day"), Who: c.hand.Name, Date: h.opts.Clock.Now().Format("Monday 2 January")}
	jobs, err := h.opts.Journal.Jobs(ctx)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	for i := range jobs {
		j := &jobs[i]
		l := jobLine{Time: j.Appointment, Address: j.Address, To: h.jobURL(c.hand, j.Reference), Standing: "not begun", State: "new", Who: j.Person}
		visits, err := h.opts.Journal.Visits(ctx, j.Reference)
		if err != nil {
			h.fail(c.w, c.r, err)
			return
		}
		if len(visits) > 0 {
			s, err := h.stands(ctx, visits[len(visits)-1])
			if err != nil {
				// One visit that cannot be read does not hide the others.
				h.opts.Failed(err)
				s.words, s.state = "cannot be read: ring your office", "stop"
			}
			l.Standing, l.State, l.Off, l.Done, l.Steps = s.words, s.state, s.off, s.done, s.steps
			if s.going {
				l.To = h.visitURL(c.hand, s.visit)
			}
		}
		if j.Person == "" || j.Person == c.hand.ID {
			p.Jobs = append(p.Jobs, l)
		} else {
			p.Others = append(p.Others, l)
		}
	}
	page.Write(c.w, c.r, 200, p.Page())
}

func (h *Handler) jobURL(hand *Hand, ref string) string {
	return h.opts.Base + "/" + url.PathEscape(hand.ID) + "/jobs/" + url.PathEscape(ref)
}

// arrivalPage is a job before its visit.
type arrivalPage struct {
	frame
	Job     Job
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
	m, err := method.DecodeResolved(j.Method)
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
	for _, t := range j.Tools {
		model, _ := instrument.Lookup(t.Kind)
		p.Kit = append(p.Kit, kitLine{upperFirst(model.Words), t.ID, t.Due, t.Due != "" && t.Due < today})
	}
	for _, w := range j.Worn {
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
			s.words = "cannot be read: ring your office"
		}
		p.Going = p.Going || s.going
		p.Visits = append(p.Visits, visitLine{h.visitURL(c.hand, v), upperFirst(s.words)})
	}
	page.Write(c.w, c.r, 200, p.Page())
}
