package field

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/a-h/templ"

	"meterwright/internal/jobs"
	"meterwright/internal/page"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/visit"
)

//go:embed static
var static embed.FS

// Static returns the style sheet and the script of these pages, to be served beside those of
// package page.
func Static() fs.FS {
	sub, err := fs.Sub(static, "static")
	if err != nil {
		return static // static is part of the program: this cannot be.
	}
	return sub
}

// Options is what a Handler needs from outside.
type Options struct {
	// Base is the path under which the handler stands, for example /field; never with a
	// slash at its end.
	Base    string
	Journal Journal
	Clock   Clock
	// Hands lists who may have the device in hand, and gives one.
	Hands []*Hand
	// Secret makes the salts of photographs: 32 unpredictable bytes that stay with the device.
	Secret []byte
	// Engine names this program with its edition.
	Engine string
	// Language has the words of the pages.
	Language *say.Language
	// Pack has the schemes of defects.
	Pack *rules.Pack
	// Adviser says what the physical model makes of a visit. Without one no advice is given.
	Adviser Adviser
	// Patience is for how long an answer waits for advice; 0 means two seconds. What was
	// answered is kept before.
	Patience time.Duration
	// Failed is told what went wrong inside. It may be nil.
	Failed func(error)
}

// Handler serves the pages. It may be used by several goroutines at once.
type Handler struct {
	opts    Options
	cabinet *cabinet
	mux     *http.ServeMux
	// pages is every page of a visit beside the step in turn, by name.
	pages map[string]func(*Handler, *call)
}

// New returns a handler.
func New(opts Options) *Handler {
	if opts.Patience == 0 {
		opts.Patience = 2 * time.Second
	}
	if opts.Failed == nil {
		opts.Failed = func(err error) { slog.Error("field", "error", err) }
	}
	h := &Handler{opts: opts, cabinet: &cabinet{journal: opts.Journal, lang: opts.Language, open: map[string]*casefile{}}, mux: http.NewServeMux(), pages: allPages()}
	b := opts.Base
	h.mux.HandleFunc("GET "+b+"/{$}", h.people)
	h.mux.HandleFunc("POST "+b+"/look", h.look)
	h.mux.HandleFunc("GET "+b+"/{hand}/{$}", h.withHand(h.day))
	h.mux.HandleFunc("GET "+b+"/{hand}/jobs/{job}", h.withHand(h.arrival))
	h.mux.HandleFunc("POST "+b+"/{hand}/jobs/{job}/open", h.withHand(h.openVisit))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}", h.withVisit(h.turn))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}/{on}", h.withVisit(h.on))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}/refused/{event}", h.withVisit(h.refusal))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}/pictures/{id}", h.withVisit(h.pictureOf))
	// A page that answers a form stands under its address: loading it again shows where things stand.
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}/do", h.withHand(func(c *call) {
		http.Redirect(c.w, c.r, h.visitURL(c.hand, c.r.PathValue("visit")), http.StatusSeeOther)
	}))
	h.mux.HandleFunc("GET "+b+"/{hand}/jobs/{job}/open", h.withHand(func(c *call) {
		http.Redirect(c.w, c.r, h.jobURL(c.hand, c.r.PathValue("job")), http.StatusSeeOther)
	}))
	h.mux.HandleFunc("POST "+b+"/{hand}/visits/{visit}/do", h.withVisit(h.do))
	h.mux.HandleFunc(b+"/", func(w http.ResponseWriter, r *http.Request) { h.fail(w, r, fmt.Errorf("this page: %w", ErrNotFound)) })
	return h
}

// ServeHTTP answers one request.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) { h.mux.ServeHTTP(w, r) }

func (h *Handler) hand(id string) (*Hand, bool) {
	for _, p := range h.opts.Hands {
		if p.ID == id {
			return p, true
		}
	}
	return nil, false
}

// call is one request with what it is about.
type call struct {
	w    http.ResponseWriter
	r    *http.Request
	hand *Hand
	// key is that of the device in hand.
	key record.Key
	// file is held while the call lasts, where the request is about a visit.
	file *casefile
	// form is what was sent, and given its values where a page is shown again with what is wrong
	// with it.
	form  *form
	given url.Values
	// problem is what is wrong with it.
	problem string
}

func (h *Handler) withHand(next func(*call)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		hand, ok := h.hand(r.PathValue("hand"))
		if !ok {
			h.fail(w, r, fmt.Errorf("nobody of that name works with this device: %w", ErrNotFound))
			return
		}
		key, err := record.KeyOf(hand.Signer.Public())
		if err != nil {
			h.fail(w, r, err)
			return
		}
		next(&call{w: w, r: r, hand: hand, key: key})
	}
}

func (h *Handler) withVisit(next func(*call)) http.HandlerFunc {
	return h.withHand(func(c *call) {
		if c.r.Method == http.MethodPost {
			// The form is read before the visit is held: a slow photograph keeps nobody waiting.
			var err error
			if c.form, err = readForm(c.w, c.r); err != nil {
				h.fail(c.w, c.r, err)
				return
			}
			c.given = c.form.values
		}
		c.file = h.cabinet.file(c.r.PathValue("visit"))
		c.file.mu.Lock()
		defer c.file.mu.Unlock()
		if err := h.cabinet.refresh(c.r.Context(), c.file); err != nil {
			h.fail(c.w, c.r, err)
			return
		}
		next(c)
	})
}

// fail answers with a page for what has no page of its own.
func (h *Handler) fail(w http.ResponseWriter, r *http.Request, err error) {
	status, what := http.StatusInternalServerError, "inside"
	switch {
	case errors.Is(err, ErrNotFound):
		status, what = http.StatusNotFound, "nothing"
	case errors.Is(err, ErrFull):
		h.opts.Failed(err)
		status, what = http.StatusInsufficientStorage, "full"
	case errors.Is(err, ErrUnusable):
		status, what = http.StatusUnprocessableEntity, "unusable"
	case errors.Is(err, errSense):
		status, what = http.StatusBadRequest, "unreadable"
	default:
		h.opts.Failed(err)
	}
	p := plainPage{frame: h.frame(r, "field.fail.title"), Back: h.opts.Base + "/"}
	p.Head, p.Words = p.Say("field.fail."+what), p.Say("field.fail."+what+".what", "error", err.Error())
	if id := r.PathValue("hand"); id != "" {
		if hand, ok := h.hand(id); ok {
			p.Back = h.dayURL(hand)
		}
	}
	page.Write(w, r, status, p.Page())
}

func (h *Handler) dayURL(hand *Hand) string { return h.opts.Base + "/" + url.PathEscape(hand.ID) + "/" }

func (h *Handler) jobURL(hand *Hand, ref string) string {
	return h.dayURL(hand) + "jobs/" + url.PathEscape(ref)
}

func (h *Handler) visitURL(hand *Hand, visit string) string {
	return h.dayURL(hand) + "visits/" + url.PathEscape(visit)
}

// look keeps how this person likes the pages.
func (h *Handler) look(w http.ResponseWriter, r *http.Request) {
	f, err := readForm(w, r)
	if err != nil {
		h.fail(w, r, err)
		return
	}
	var parts []string
	for _, v := range []string{f.get("hand"), f.get("scheme")} {
		if v == "left" || v == "right" || v == "light" || v == "dark" {
			parts = append(parts, v)
		}
	}
	http.SetCookie(w, &http.Cookie{Name: "look", Value: strings.Join(parts, "."), Path: "/", MaxAge: 400 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	back := f.get("back")
	if !strings.HasPrefix(back, h.opts.Base+"/") || strings.ContainsAny(back, "\\\r\n") {
		back = h.opts.Base + "/"
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}

// do takes one answer. What it means is for the engine to say.
func (h *Handler) do(c *call) {
	f := c.form
	j, err := h.jobOf(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	rd := &answering{form: f, file: c.file, key: c.key, kit: &j.Kit, secret: h.opts.Secret, now: h.opts.Clock.Now()}
	if all, ok := map[string]func() ([]visit.Body, error){
		"kit":   func() ([]visit.Body, error) { return h.listed(c.file, j), nil },
		"after": func() ([]visit.Body, error) { return h.enteredAfter(c, rd) },
	}[f.get("kind")]; ok {
		bodies, err := all()
		if err != nil {
			h.again(c, err)
			return
		}
		h.doAll(c, bodies)
		return
	}
	body, err := rd.body()
	if err != nil {
		h.again(c, err)
		return
	}
	done, err := h.submit(c, f.get("state"), body, rd.keep)
	if h.answered(c, body, done, err) {
		return
	}
	to := h.visitURL(c.hand, c.file.id)
	if h.advise(c, done.hash, body) || visit.KindOf(body) == visit.KindAnswered {
		to += "/means"
	}
	h.see(c, to)
}

func (h *Handler) see(c *call, to string) { http.Redirect(c.w, c.r, to, http.StatusSeeOther) }

// answered answers a form of which nothing more is to be done, and reports whether it was one.
func (h *Handler) answered(c *call, body visit.Body, done outcome, err error) bool {
	switch {
	case errors.Is(err, errSense):
		h.again(c, err)
	case err != nil:
		h.fail(c.w, c.r, err)
	case done.stale:
		h.stale(c, body)
	case done.refusal != nil && done.hash == "":
		h.refusalOf(c, done.refusal, nil)
	case done.refusal != nil:
		h.see(c, h.visitURL(c.hand, c.file.id)+"/refused/"+done.hash)
	default:
		return false
	}
	return true
}

// again shows the page that the form came from, with what is wrong with it and what was entered.
func (h *Handler) again(c *call, err error) {
	c.problem = h.opts.Language.Say("field.problem", "error", err.Error())
	if show := h.pages[c.given.Get("on")]; show != nil {
		show(h, c)
		return
	}
	h.turn(c)
}

// on shows one page of a visit by name.
func (h *Handler) on(c *call) {
	show := h.pages[c.r.PathValue("on")]
	if show == nil {
		h.fail(c.w, c.r, fmt.Errorf("this page: %w", ErrNotFound))
		return
	}
	show(h, c)
}

// allPages is every page of a visit beside the step in turn, by name.
func allPages() map[string]func(*Handler, *call) {
	all := map[string]func(*Handler, *call){
		"prove": (*Handler).proveOut, "take": (*Handler).takeOut, "check": (*Handler).checkOut, "wear": (*Handler).wear, "acts": (*Handler).acts,
		"leave": (*Handler).leave, "correct": (*Handler).correct, "photo": (*Handler).photograph, "told": (*Handler).told, "defect": (*Handler).defect,
		"end": (*Handler).end, "hands": (*Handler).hands, "handover": (*Handler).handOver, "more": (*Handler).more, "story": (*Handler).story,
		"means": (*Handler).means, "untested": (*Handler).untested, "back": (*Handler).goBack, "aloud": (*Handler).aloud,
	}
	for name := range shortForms {
		all[name] = func(h *Handler, c *call) { h.short(c, name) }
	}
	return all
}

// turn shows where the visit stands.
func (h *Handler) turn(c *call) {
	v := c.file.Visit
	n := v.Next()
	holder, contested := v.Holder()
	switch {
	case n.Ended != "" && !contested:
		h.ended(c)
	case contested || holder != c.key.String() || len(v.Holdings()) > 1:
		h.hands(c)
	case n.Stop != "":
		h.stopped(c, n.Stop)
	case v.Away():
		h.away(c)
	case n.Step == "":
		h.finish(c)
	case n.Blocked != nil && c.query("seen") == "" && c.problem == "":
		h.blocked(c, n)
	case len(n.Sheet) > 0:
		h.sheet(c, n)
	default:
		h.step(c, n)
	}
}

// jobOf returns the job of a visit. A visit goes on although its job is gone; then nothing is
// known of a kit.
func (h *Handler) jobOf(c *call) (*jobs.Job, error) {
	o := &c.file.Opened
	j, err := h.opts.Journal.Job(c.r.Context(), o.Job)
	if errors.Is(err, ErrNotFound) {
		return &jobs.Job{Reference: o.Job, Address: o.Premises.Address, MeterPoint: o.Premises.MeterPoint, Meter: o.Premises.Meter}, nil
	}
	return j, err
}

func (c *call) write(p templ.Component) {
	status := http.StatusOK
	if c.problem != "" {
		status = http.StatusUnprocessableEntity
	}
	page.Write(c.w, c.r, status, p)
}

// query returns a value that the page was asked for, or that the form held.
func (c *call) query(name string) string {
	if c.given != nil {
		return strings.TrimSpace(c.given.Get(name))
	}
	return strings.TrimSpace(c.r.URL.Query().Get(name))
}

// entered returns what a field held in a form that is shown again, and nothing otherwise: no
// value stands in a field that nobody entered.
func (c *call) entered(name string) string { return c.given.Get(name) }
