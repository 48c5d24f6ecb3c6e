package field

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/a-h/templ"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/internal/page"
	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
	"meterwright/walk"
)

type formKey struct{}

func withForm(ctx context.Context, f *form) context.Context {
	return context.WithValue(ctx, formKey{}, f)
}

func formOf(ctx context.Context) *form {
	f, _ := ctx.Value(formKey{}).(*form)
	if f == nil {
		f = &form{values: url.Values{}}
	}
	return f
}

// frame is what every page has.
type frame struct {
	Layout page.Layout
	Base   string
	// Here is the path of the page, to come back to.
	Here string
}

// plainPage says one thing and leads back.
type plainPage struct {
	frame
	Head, Words, Back string
}

// visitFrame is what every page of a visit has.
type visitFrame struct {
	frame
	// URL is the address of the visit, Day that of the day's jobs.
	URL, Day string
	// State is the hash of the last line that the page knows.
	State                    string
	Address                  string
	Fictional, Ended, Danger bool
	Supply                   supplyView
	Worn                     string
	Problem                  string
}

// supplyView is how the supply stands, by the events alone.
type supplyView struct {
	Off     bool
	Since   time.Time
	Minutes int
	// Known is false before anything was said of it.
	Known bool
}

func (s supplyView) words() string {
	if !s.Off {
		return "LIVE"
	}
	return fmt.Sprintf("OFF %d min", s.Minutes)
}

func (h *Handler) visitFrame(c *call, title string) visitFrame {
	e := c.e
	f := visitFrame{frame: h.frame(c.r, title), URL: h.visitURL(c.hand, e.id), Day: h.opts.Base + "/" + url.PathEscape(c.hand.ID) + "/",
		State: e.head(), Address: e.opened.Premises.Address, Fictional: e.opened.Fictional, Problem: c.problem}
	f.Here = f.URL
	if since, off := e.visit.Account().Off(); off {
		f.Supply = supplyView{Off: true, Since: since, Minutes: max(0, int(h.opts.Clock.Now().Sub(since).Minutes()))}
	}
	f.Worn = h.protection(e, e.visit.Worn())
	f.Ended = e.visit.Outcome() != visit.NotEnded
	f.Danger = e.visit.Stop() != ""
	return f
}

func (h *Handler) protection(e *entry, ids []string) string {
	var words []string
	for _, p := range e.method().Protection {
		if slices.Contains(ids, p.ID) {
			words = append(words, p.Words)
		}
	}
	return list(words)
}

// jobOf returns the job of a visit. A visit goes on although its job is gone; then nothing is
// known of a kit.
func (h *Handler) jobOf(ctx context.Context, e *entry) (*jobs.Job, error) {
	j, err := h.opts.Journal.Job(ctx, e.opened.Job)
	if errors.Is(err, ErrNotFound) {
		return &jobs.Job{Reference: e.opened.Job, Address: e.opened.Premises.Address, MeterPoint: e.opened.Premises.MeterPoint, Meter: e.opened.Premises.Meter}, nil
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

// answer is one answer of a choice.
type answer struct{ Name, Value, Words string }

// shown is the words on the button for a class of indication: what the instrument does.
var shown = map[instrument.Shows]string{
	instrument.Lit: "It lights", instrument.Dark: "It stays dark", instrument.Over: "Over its range",
	instrument.Healthy: "The healthy pattern", instrument.Wrong: "Another pattern",
	instrument.Forward: "Forward", instrument.Reverse: "Reverse", instrument.Missing: "A phase is missing",
	instrument.Trips: "It trips", instrument.Holds: "It holds",
}

func showAnswers(kind instrument.Kind) (answers []answer, number bool) {
	m, _ := instrument.Lookup(kind)
	for _, s := range m.Shows {
		if s == instrument.Value {
			number = true
			continue
		}
		answers = append(answers, answer{"shows", string(s), shown[s]})
	}
	return answers, number
}

// numberEntry is a number to be typed with a thumb.
type numberEntry struct {
	Name, Label, Unit, Value string
}

// limitView is a limit with its mark and its source.
type limitView struct{ Words, Range, Mark, Source string }

func limitOf(b *method.Bounds) *limitView {
	if b == nil {
		return nil
	}
	l := &limitView{Words: b.Words, Mark: b.Mark, Source: b.Source}
	u := unitWords(b.Unit)
	switch {
	case b.Lower != "" && b.Upper != "":
		l.Range = b.Lower + " to " + b.Upper + " " + u
	case b.Lower != "":
		l.Range = "≥ " + b.Lower + " " + u
	default:
		l.Range = "≤ " + b.Upper + " " + u
	}
	return l
}

func unitWords(u string) string {
	switch u {
	case "ohm":
		return "Ω"
	case "N.m":
		return "N·m"
	}
	return u
}

// showsWords writes an indication for people.
func showsWords(i instrument.Indication) string {
	if v, unit, ok := i.Reading(); ok {
		return v.String() + " " + unitWords(unit)
	}
	return i.String()
}

// railView is the bracket down the edge of a page.
type railView struct {
	// State is open, closed, void, or none where the instrument is not proved.
	State string
	Label string
	// Lines are the readings that rest on it, latest last.
	Lines []railLine
	// More says how many readings are not listed.
	More int
}

type railLine struct{ Where, Shows string }

const railLines = 3

// rail returns the bracket that matters for a step: that of its instrument, or the last one that
// is open. A proving that has just closed a bracket shows it closed.
func (h *Handler) rail(e *entry, kind instrument.Kind, reads bool) railView {
	a := e.visit.Account()
	at, named := -1, kind != ""
	justClosed := -1
	for i := range a.Brackets {
		b := &a.Brackets[i]
		if b.State == "closed" && b.Closed == e.told() {
			justClosed = i
		}
		if named && b.Kind == kind || !named && b.State == "open" {
			at = i
		}
	}
	// What is about to be read rests on the bracket that is open now.
	if justClosed >= 0 && !reads && (!named || a.Brackets[justClosed].Kind == kind || at < 0) {
		at = justClosed
	}
	if at < 0 {
		if !named {
			return railView{}
		}
		return railView{State: "none", Label: modelWords(kind) + " · not proved"}
	}
	return bracketView(e, at, railLines)
}

func bracketView(e *entry, at, limit int) railView {
	a := e.visit.Account()
	b := &a.Brackets[at]
	r := railView{State: b.State}
	label := modelWords(b.Kind) + " · proved " + clock(b.OpenedAt)
	switch b.State {
	case "open":
		r.Label = label + " · prove again to close"
	case "closed":
		r.Label = label + " and " + clock(b.ClosedAt)
	default:
		r.Label = label + " · void"
	}
	var lines []railLine
	for _, rd := range a.Readings {
		if rd.Bracket == at {
			where := points(e.method(), rd.Point)
			if rd.Against != "" {
				where += " to " + points(e.method(), rd.Against)
			}
			shows := showsWords(rd.Shows)
			if rd.Withdrawn {
				shows += " (withdrawn)"
			}
			lines = append(lines, railLine{Where: where, Shows: shows})
		}
	}
	if limit > 0 && len(lines) > limit {
		r.More = len(lines) - limit
		lines = lines[r.More:]
	}
	r.Lines = lines
	return r
}

func modelWords(k instrument.Kind) string {
	m, _ := instrument.Lookup(k)
	return m.Words
}

func points(m *method.Resolved, id string) string {
	for _, p := range m.Points {
		if string(p.ID) == id {
			return p.Words
		}
	}
	return id
}

func clock(t time.Time) string { return t.Format("15:04") }

// sentence ends words with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") || strings.HasSuffix(s, "!") {
		return s
	}
	return s + "."
}

func upperFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

func list(words []string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}

func hyphenless(s string) string { return strings.ReplaceAll(s, "-", " ") }

// standing is how a visit stands, in the words that lists use.
type standing struct {
	visit, job, address string
	// person is in whose hands it is.
	person string
	// going says that it has not ended.
	going  bool
	words  string
	state  string
	holder record.Key
	done   int
	steps  int
	off    supplyView
}

// stands tells how a visit stands.
func (h *Handler) stands(ctx context.Context, id string) (standing, error) {
	e := h.book.entry(id)
	e.mu.Lock()
	defer e.mu.Unlock()
	if err := h.book.refresh(ctx, e); err != nil {
		return standing{}, err
	}
	s := standing{visit: id, job: e.opened.Job, address: e.opened.Premises.Address, person: e.events[len(e.events)-1].person, going: e.visit.Outcome() == visit.NotEnded, holder: e.last}
	if since, off := e.visit.Account().Off(); off {
		s.off = supplyView{Off: true, Since: since, Minutes: max(0, int(h.opts.Clock.Now().Sub(since).Minutes()))}
	}
	facts := e.visit.Facts()
	_, at := e.method().Step(e.visit.Position())
	for i := range walk.Steps(e.method(), facts) {
		s.steps++
		if i < at || at < 0 {
			s.done++
		}
	}
	n := e.visit.Next()
	switch {
	case !s.going:
		s.state, s.words = "ended", "ended: "+hyphenless(e.visit.Outcome().String())
	case n.Stop != "":
		s.state, s.words = "stop", "stopped: "+lowerFirst(stopTitle(e, n.Stop))
	case e.visit.Away():
		s.state, s.words = "away", "away from the service position"
	case n.Step == "":
		s.state, s.words = "going", "every step carried out, not ended"
	case n.Blocked != nil:
		s.state, s.words = "hold", phaseWords(e.method(), n.Phase)+": not yet"
	default:
		s.state, s.words = "going", phaseWords(e.method(), n.Phase)
	}
	return s, nil
}

func lowerFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
}

func phaseWords(m *method.Resolved, id string) string {
	for _, p := range m.Phases {
		if p.ID == id {
			return p.Words
		}
	}
	return id
}

func phaseOf(m *method.Resolved, id string) method.Phase {
	for _, p := range m.Phases {
		if p.ID == id {
			return p
		}
	}
	return method.Phase{ID: id, Words: id}
}

func stopTitle(e *entry, id string) string {
	for _, s := range e.method().Stops {
		if s.ID == id {
			return s.Title
		}
	}
	stops := e.visit.Account().Stops
	if n := len(stops); n > 0 {
		return strings.TrimSuffix(stops[n-1].Title, ".")
	}
	return "Stopped by the person on site"
}
