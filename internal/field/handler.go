package field

import (
	"crypto/rand"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/google/uuid"

	"meterwright/internal/page"
	"meterwright/record"
	"meterwright/rules"
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
	opts Options
	book *book
	mux  *http.ServeMux
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
	h := &Handler{opts: opts, book: &book{journal: opts.Journal, open: map[string]*entry{}}, mux: http.NewServeMux(), pages: allPages()}
	b := opts.Base
	h.mux.HandleFunc("GET "+b+"/{$}", h.people)
	h.mux.HandleFunc("POST "+b+"/look", h.look)
	h.mux.HandleFunc("GET "+b+"/{hand}/{$}", h.withHand(h.day))
	h.mux.HandleFunc("GET "+b+"/{hand}/jobs/{job}", h.withHand(h.arrival))
	h.mux.HandleFunc("POST "+b+"/{hand}/jobs/{job}/open", h.withHand(h.openVisit))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}", h.withVisit(h.now))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}/{on}", h.withVisit(h.on))
	h.mux.HandleFunc("GET "+b+"/{hand}/visits/{visit}/refused/{event}", h.withVisit(h.refused))
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
	// e is held while the call lasts, where the request is about a visit.
	e *entry
	// given is what the form said, where a page is shown again with what is wrong with it.
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
		next(&call{w: w, r: r, hand: hand})
	}
}

func (h *Handler) withVisit(next func(*call)) http.HandlerFunc {
	return h.withHand(func(c *call) {
		var f *form
		if c.r.Method == http.MethodPost {
			// The form is read before the visit is held: a slow photograph keeps nobody waiting.
			var err error
			if f, err = readForm(c.w, c.r); err != nil {
				h.problem(c, err)
				return
			}
			c.given = f.values
		}
		e := h.book.entry(c.r.PathValue("visit"))
		e.mu.Lock()
		defer e.mu.Unlock()
		if err := h.book.refresh(c.r.Context(), e); err != nil {
			h.fail(c.w, c.r, err)
			return
		}
		c.e = e
		c.r = c.r.WithContext(withForm(c.r.Context(), f))
		next(c)
	})
}

// fail answers with a page for what has no page of its own.
func (h *Handler) fail(w http.ResponseWriter, r *http.Request, err error) {
	status, p := http.StatusInternalServerError, plainPage{Head: "Something went wrong inside.", Words: "It is not certain that your last entry was kept. Open the visit again: its page says where things stand."}
	switch {
	case errors.Is(err, ErrNotFound):
		status, p = http.StatusNotFound, plainPage{Head: "There is no such page here.", Words: "Go back to the day's jobs and choose again."}
	case errors.Is(err, ErrFull):
		h.opts.Failed(err)
		status, p = http.StatusInsufficientStorage, plainPage{Head: "The disk is full.", Words: "Your last entry was not kept. Make room on the disk of this machine, open the visit again and enter it once more."}
	case errors.Is(err, ErrUnusable):
		status, p = http.StatusUnprocessableEntity, plainPage{Head: "This job cannot be carried out here.", Words: "Ring your office to have the job corrected. " + sentence(upperFirst(err.Error()))}
	case errors.Is(err, errSense):
		status, p = http.StatusBadRequest, plainPage{Head: "That cannot be read.", Words: sentence(upperFirst(err.Error()))}
	default:
		h.opts.Failed(err)
	}
	p.frame = h.frame(r, "Not here")
	p.Back = h.opts.Base + "/"
	if id := r.PathValue("hand"); id != "" {
		if _, ok := h.hand(id); ok {
			p.Back = h.opts.Base + "/" + url.PathEscape(id) + "/"
		}
	}
	page.Write(w, r, status, p.Page())
}

func (h *Handler) problem(c *call, err error) { h.fail(c.w, c.r, err) }

// frame is what every page of this package has.
func (h *Handler) frame(r *http.Request, title string) frame {
	f := frame{Layout: page.Layout{Title: title, Class: "field", Sheets: []string{"field.css"}, Scripts: []string{"idiomorph.js", "field.js"}}, Base: h.opts.Base, Here: r.URL.Path}
	if k, err := r.Cookie("look"); err == nil {
		for part := range strings.SplitSeq(k.Value, ".") {
			switch part {
			case "left":
				f.Layout.Hand = "left"
			case "light", "dark":
				f.Layout.Scheme = part
			}
		}
	}
	return f
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

// openVisit begins the visit of a job, or leads to the one that is going on.
func (h *Handler) openVisit(c *call) {
	f, err := readForm(c.w, c.r)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	ctx := c.r.Context()
	j, err := h.opts.Journal.Job(ctx, c.r.PathValue("job"))
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	id := f.get("visit")
	if _, err := uuid.Parse(id); err != nil {
		h.fail(c.w, c.r, senseless(errors.New("the form does not say which visit it opens: load the job again")))
		return
	}
	h.book.beginning.Lock()
	defer h.book.beginning.Unlock()
	visits, err := h.opts.Journal.Visits(ctx, j.Reference)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	for _, v := range visits {
		open, err := h.stands(ctx, v)
		if err != nil {
			h.fail(c.w, c.r, err)
			return
		}
		if v == id || open.going {
			http.Redirect(c.w, c.r, h.visitURL(c.hand, v), http.StatusSeeOther)
			return
		}
	}
	if err := h.begin(ctx, c.hand, id, j); err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	http.Redirect(c.w, c.r, h.visitURL(c.hand, id), http.StatusSeeOther)
}

func (h *Handler) visitURL(hand *Hand, visit string) string {
	return h.opts.Base + "/" + url.PathEscape(hand.ID) + "/visits/" + url.PathEscape(visit)
}

// do takes one answer. What it means is for the engine to say.
func (h *Handler) do(c *call) {
	ctx := c.r.Context()
	f := formOf(ctx)
	j, err := h.jobOf(ctx, c.e)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	rd := &reader{f: f, e: c.e, job: j, h: h, now: h.opts.Clock.Now()}
	body, err := rd.body()
	if err != nil {
		h.again(c, err)
		return
	}
	done, err := h.submit(ctx, c.hand, c.e, f.get("state"), body, rd.keep)
	switch {
	case errors.Is(err, errSense):
		h.again(c, err)
	case err != nil:
		h.fail(c.w, c.r, err)
	case done.stale:
		h.stale(c, body)
	case done.refusal != nil && done.hash == "":
		h.refusal(c, done.refusal, "")
	case done.refusal != nil:
		http.Redirect(c.w, c.r, h.visitURL(c.hand, c.e.id)+"/refused/"+done.hash, http.StatusSeeOther)
	default:
		h.advise(ctx, c.hand, c.e, done.hash, body)
		to := h.visitURL(c.hand, c.e.id)
		if visit.KindOf(body) == visit.KindAnswered {
			to += "/leads"
		}
		if f.get("after") != "" && !h.leftPhase(c.e, f.get("phase")) {
			to += "?after=" + url.QueryEscape(f.get("happened"))
		}
		http.Redirect(c.w, c.r, to, http.StatusSeeOther)
	}
}

// leftPhase reports whether the step in turn is in another phase.
func (h *Handler) leftPhase(e *entry, phase string) bool {
	return e.visit.Next().Phase != phase
}

// again shows the page that the form came from, with what is wrong with it and what was entered.
func (h *Handler) again(c *call, err error) {
	c.problem = sentence(upperFirst(err.Error()))
	on := c.given.Get("on")
	if on == "" || h.pages[on] == nil {
		h.now(c)
		return
	}
	h.pages[on](h, c)
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

// pictureOf gives a photograph that the visit names.
func (h *Handler) pictureOf(c *call) {
	id := c.r.PathValue("id")
	ref, ok := c.e.attachment(id)
	if !ok || ref.Media != record.MediaJPEG && ref.Media != record.MediaPNG {
		h.fail(c.w, c.r, fmt.Errorf("photograph: %w", ErrNotFound))
		return
	}
	container, err := h.opts.Journal.Attachment(c.r.Context(), record.AttachmentID(id))
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	a, err := record.Reference{ID: record.AttachmentID(ref.ID), Media: ref.Media, Bytes: ref.Bytes}.Open(container)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	head := c.w.Header()
	head.Set("Content-Type", a.Media)
	head.Set("Cache-Control", "private, max-age=31536000, immutable")
	_, _ = c.w.Write(a.Content)
}

func (e *entry) attachment(id string) (visit.Attachment, bool) {
	a := e.visit.Account()
	for _, p := range a.Photographs {
		if p.ID == id {
			return p.Attachment, true
		}
	}
	for _, l := range a.Entries {
		for _, p := range l.Photographs {
			if p.ID == id {
				return p, true
			}
		}
	}
	return visit.Attachment{}, false
}

// newVisit returns an id for a visit that may be opened.
func newVisit() (string, error) {
	id, err := uuid.NewV7FromReader(rand.Reader)
	return id.String(), err
}
