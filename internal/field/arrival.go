package field

import (
	"crypto/rand"
	"errors"
	"net/http"
	"slices"

	"github.com/google/uuid"

	"meterwright/internal/jobs"
	"meterwright/internal/page"
)

// arrivalPage is a job before its visit.
type arrivalPage struct {
	frame
	Job *jobs.Job
	Day string
	// Visit is the id of the visit that may be begun.
	Visit string
	Open  string
	// Method names the method, Away what an employer's overlay takes out of it.
	Method string
	Away   []string
	Claims string
	Kit    []kitLine
	Visits []wayOn
}

type kitLine struct {
	Words, ID, Due string
	Past           bool
}

func (h *Handler) arrival(c *call) {
	ctx := c.r.Context()
	j, err := h.opts.Journal.Job(ctx, c.r.PathValue("job"))
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	p := arrivalPage{frame: h.frame(c.r, "field.arrival.title", "address", j.Address), Job: j, Day: h.dayURL(c.hand), Open: h.jobURL(c.hand, j.Reference) + "/open"}
	if p.Visit, err = newVisit(); err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	m, err := h.opts.Journal.Method(ctx, j)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	words := p.lang.Of(m)
	p.Method = p.Say("field.arrival.edition", "method", words.Method().Title, "edition", m.Edition)
	for _, a := range m.TakesAway {
		p.Away = append(p.Away, p.Say("field.arrival.away", "what", words.Away(a)))
	}
	p.Claims = p.claims(m.Claims.Phases == 3, string(m.Claims.Arrangement))
	if len(m.Claims.Sources) > 0 {
		sources := make([]string, len(m.Claims.Sources))
		for i, s := range m.Claims.Sources {
			sources[i] = p.Say("field.source." + string(s))
		}
		p.Claims = p.Say("field.arrival.sources", "claims", p.Claims, "sources", sources)
	}
	for _, t := range j.Kit.Instruments {
		p.kit(h, p.lang.Kind(t.Kind), t.ID, t.Due)
	}
	for _, w := range j.Kit.Protection {
		p.kit(h, words.Items([]string{w.Item})[0], w.ID, w.Due)
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
			s.words = h.unread()
		}
		p.Visits = append(p.Visits, wayOn{To: h.visitURL(c.hand, v), Words: p.Say("field.arrival.earlier", "standing", s.words)})
	}
	page.Write(c.w, c.r, 200, p.Page())
}

func (p *arrivalPage) claims(threePhase bool, arrangement string) string {
	if threePhase {
		return p.Say("field.arrival.three-phase", "arrangement", arrangement)
	}
	return arrangement
}

func (p *arrivalPage) kit(h *Handler, words, id, due string) {
	line := kitLine{Words: p.Say("field.capital", "words", words), ID: id}
	line.Due, line.Past = h.dated(p.frame, "field.kit.due", due)
	p.Kit = append(p.Kit, line)
}

// newVisit returns an id for a visit that may be opened.
func newVisit() (string, error) {
	id, err := uuid.NewV7FromReader(rand.Reader)
	return id.String(), err
}

// openVisit begins the visit of a job, or leads to the one that is going on.
func (h *Handler) openVisit(c *call) {
	f, err := readForm(c.w, c.r)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	id := f.get("visit")
	if _, err := uuid.Parse(id); err != nil {
		h.fail(c.w, c.r, senseless(errors.New("the form does not say which visit it opens: load the job again")))
		return
	}
	at, err := h.beginOrJoin(c, id)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	http.Redirect(c.w, c.r, h.visitURL(c.hand, at), http.StatusSeeOther)
}

// beginOrJoin begins a visit, unless one of the job is going on already, and says which it is.
func (h *Handler) beginOrJoin(c *call, id string) (string, error) {
	ctx := c.r.Context()
	j, err := h.opts.Journal.Job(ctx, c.r.PathValue("job"))
	if err != nil {
		return "", err
	}
	h.cabinet.beginning.Lock()
	defer h.cabinet.beginning.Unlock()
	visits, err := h.opts.Journal.Visits(ctx, j.Reference)
	if err != nil {
		return "", err
	}
	for _, v := range visits {
		s, err := h.stands(ctx, v)
		if err != nil {
			return "", err
		}
		if v == id || s.going {
			return v, nil
		}
	}
	return id, h.begin(c, id, j)
}
