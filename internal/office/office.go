// Package office shows supervisors, reviewers and custodians the visits that a store keeps.
//
// Every page has an address, works by keyboard alone, and needs no script. Lists filter, sort
// and give a CSV file. At the side of each stands what needs somebody, over all visits, whatever the list
// shows, until a person has taken it. Pages change nothing but by a form that is sent on purpose: the import of
// jobs, and taking what a visit needs.
package office

import (
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"meterwright/internal/page"
	"meterwright/internal/store"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/say/en"
)

//go:embed static
var static embed.FS

// Static gives the style sheet of the office, for page.Assets.
func Static() fs.FS {
	sub, err := fs.Sub(static, "static")
	if err != nil {
		return static // static is part of the program: this cannot be.
	}
	return sub
}

// Options are the parts of the office that its user chooses.
type Options struct {
	// Base is where the pages stand, without a slash at the end; "/office" if empty.
	Base string
	// Pack is the country's rules; Great Britain's if nil.
	Pack *rules.Pack
	// Language has the words; English if nil.
	Language *say.Language
	// Now is the clock; time.Now if nil.
	Now func() time.Time
	// Demo says that everything is invented.
	Demo bool
	// Failed is told of errors inside; the standard logger if nil.
	Failed func(error)
}

// Office answers for the pages under its base.
type Office struct {
	store   *store.Store
	opts    Options
	lang    *say.Language
	methods methods
	mux     *http.ServeMux
}

// New returns the office's pages over a store.
func New(s *store.Store, opts Options) http.Handler {
	opts.Base = cmp.Or(opts.Base, "/office")
	if opts.Pack == nil {
		opts.Pack = rules.GB()
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Failed == nil {
		opts.Failed = func(err error) { slog.Default().Error("office", "error", err) }
	}
	if opts.Language == nil {
		var err error
		if opts.Language, err = en.Language(); err != nil {
			opts.Failed(err)
			opts.Language = &say.Language{}
		}
	}
	o := &Office{store: s, opts: opts, lang: opts.Language, mux: http.NewServeMux()}
	get := func(path string, h func(*request) error) { o.handle("GET "+opts.Base+path, h) }
	post := func(path string, h func(*request) error) { o.handle("POST "+opts.Base+path, h) }
	// A list stands under two addresses: as a page and as a CSV file.
	list := func(path, file string, h func(*request) error) {
		get(path, h)
		get(file, h)
	}
	list("/{$}", "/day.csv", o.day)
	list("/visits", "/visits.csv", o.visits)
	list("/needs", "/needs.csv", o.needs)
	list("/taken", "/taken.csv", o.taken)
	list("/defects", "/defects.csv", o.defects)
	list("/instruments", "/instruments.csv", o.instruments)
	list("/instruments/{kind}/{id}", "/instruments/{kind}/{id}/visits.csv", o.instrument)
	list("/jobs", "/jobs.csv", o.jobs)
	get("/visit/{visit}", o.visit)
	post("/visit/{visit}/take", o.take)
	get("/visit/{visit}/photograph/{id}", o.photograph)
	get("/visit/{visit}/record/{file}", o.recordFile)
	get("/visit/{visit}/report/{copy}", o.report)
	get("/visit/{visit}/pdf/{copy}", o.pdf)
	get("/jobs/import", o.importForm)
	post("/jobs/import", o.previewImport)
	post("/jobs/import/take", o.takeJobs)
	get("/verify", o.verifyForm)
	post("/verify", o.verify)
	get("/", func(*request) error { return errMissing })
	return page.Secure(http.NewCrossOriginProtection().Handler(o.mux))
}

// request is one question to the office.
type request struct {
	w   http.ResponseWriter
	r   *http.Request
	ctx context.Context
	q   query
}

// errMissing is returned where there is no such page.
var errMissing = errors.New("there is no such page")

// refused is an error that a person can mend, with the words for the page.
type refused struct {
	status int
	words  string
}

func (e *refused) Error() string { return e.words }

// refuse says why something is not possible, by the key of its words.
func (o *Office) refuse(status int, key string, args ...any) error {
	return &refused{status, o.lang.Say("office.refused."+key, args...)}
}

// handle gives errors their page. What went wrong inside is told to Failed, and the page says no
// more than that.
func (o *Office) handle(pattern string, h func(*request) error) {
	o.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		q := &request{w: w, r: r, ctx: r.Context(), q: query{path: r.URL.Path, values: r.URL.Query()}}
		err := h(q)
		if err == nil {
			return
		}
		p := trouble{frame: o.frame(q, o.lang.Say("office.trouble.title"), ""), Status: http.StatusInternalServerError, Words: o.lang.Say("office.trouble.inside")}
		var why *refused
		switch {
		case errors.Is(err, errMissing), errors.Is(err, store.ErrNotFound):
			p.Status, p.Words = http.StatusNotFound, o.lang.Say("office.trouble.nothing")
		case errors.Is(err, store.ErrErased):
			p.Status, p.Words = http.StatusGone, o.lang.Say("office.trouble.erased")
		case errors.As(err, &why):
			p.Status, p.Words = why.status, why.words
		case r.Context().Err() != nil:
			return // The reader has gone away.
		default:
			o.opts.Failed(fmt.Errorf("%s %s: %w", r.Method, r.URL.Path, err))
		}
		page.Write(w, r, p.Status, p.Page())
	})
}

// frame is what every page of the office has around it.
type frame struct {
	*say.Language
	Title string
	// At is the part of the office that the page belongs to.
	At   string
	Base string
	Demo bool
	page.Layout
}

func (o *Office) frame(r *request, title, at string) frame {
	scheme := ""
	// The field's pages keep how a person likes them under the same name.
	if c, err := r.r.Cookie("look"); err == nil {
		for part := range strings.SplitSeq(c.Value, ".") {
			if part == "light" || part == "dark" {
				scheme = part
			}
		}
	}
	return frame{Language: o.lang, Title: title, At: at, Base: o.opts.Base, Demo: o.opts.Demo,
		Layout: page.Layout{Title: title, Lang: language(o.lang), Class: "office", Sheets: []string{"office.css"}, Scheme: scheme}}
}

// language is the language's tag; English is that of Great Britain.
func language(l *say.Language) string {
	if l.Tag == "en" {
		return ""
	}
	return l.Tag
}

// part is one entry of the navigation.
type part struct{ ID, Path string }

func (f frame) parts() []part {
	return []part{{"day", f.Base + "/"}, {"needs", f.Base + "/needs"}, {"visits", f.Base + "/visits"}, {"defects", f.Base + "/defects"},
		{"instruments", f.Base + "/instruments"}, {"jobs", f.Base + "/jobs"}, {"verify", f.Base + "/verify"}}
}

// names maps people's identifiers to their names.
type names map[string]string

func (o *Office) names(ctx context.Context) (names, error) {
	people, err := o.store.People(ctx)
	if err != nil {
		return nil, err
	}
	n := names{}
	for _, p := range people {
		n[p.ID] = p.Name
	}
	return n, nil
}

func (n names) of(id string) string {
	if s := strings.TrimSpace(n[id]); s != "" {
		return s
	}
	return id
}

// Bounds of one list: what it looks through, and the rows of its page. A page says so when there is more;
// the CSV file has every row.
const (
	maxRows  = 1000
	maxShown = 300
)

// recent returns the newest visits that fit the filter, and whether there are more of them.
func (o *Office) recent(ctx context.Context, f store.Filter) (list []store.Summary, more bool, err error) {
	list, _, more, err = o.scan(ctx, f, maxRows, func(store.Summary) bool { return true })
	return list, more, err
}

// scan goes over up to most visits that fit the filter, newest first, and returns those that are wanted.
func (o *Office) scan(ctx context.Context, f store.Filter, most int, want func(store.Summary) bool) (list []store.Summary, looked int, more bool, err error) {
	for {
		p, err := o.store.Visits(ctx, f)
		if err != nil {
			return nil, looked, false, err
		}
		for _, s := range p.Visits {
			if looked == most {
				return list, looked, true, nil
			}
			looked++
			if want(s) {
				list = append(list, s)
			}
		}
		if p.Next == "" {
			return list, looked, false, nil
		}
		f.After = p.Next
	}
}
