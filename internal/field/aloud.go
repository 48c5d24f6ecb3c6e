package field

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"time"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/visit"
	"meterwright/walk"
)

// aloudPage is what is tested in a phase up to its next act, to be read aloud by the telephone, and one
// table in which it is entered straight after, with the time.
type aloudPage struct {
	visitFrame
	Head string
	Rows []aloudRow
	// Happened is the time that was entered.
	Happened string
}

// aloudRow is one proving, reading or look. Given is what was entered in a form that is shown again.
type aloudRow struct {
	N       int
	Say     string
	Kind    visit.Kind
	Hidden  []answer
	Answers []answer
	Number  *numberEntry
	Given   string
}

// upToAct lists what is proved, observed and looked at from the step in turn on, up to the next act of its
// phase, where its method lets answers be entered afterwards.
func (f *casefile) upToAct() []*method.Step {
	ph := f.method().Phase(f.Visit.Next().Phase)
	if ph == nil || !slices.Contains(ph.Entry, "after") {
		return nil
	}
	var list []*method.Step
	for _, s := range walk.Remaining(f.Visit) {
		if s.Phase != ph.ID || s.Observe == nil && s.Prove == nil && s.Inspect == nil {
			break
		}
		// The same step in the language of the page.
		own, _ := f.method().Step(s.ID)
		list = append(list, own)
	}
	return list
}

func (h *Handler) aloud(c *call) {
	f := c.file
	j, err := h.jobOf(c)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	p := aloudPage{visitFrame: h.visitFrame(c, "field.aloud.title"), Head: f.words.Phase(f.Visit.Next().Phase), Happened: c.entered("happened")}
	for i, s := range f.upToAct() {
		step := stepPage{visitFrame: p.visitFrame, Ask: s.Say}
		h.fill(c, &step, s, j)
		row := aloudRow{N: i, Say: s.Say, Kind: step.Kind, Hidden: step.Hidden, Answers: step.Answers, Number: step.Number, Given: c.entered(numbered("shows", i))}
		for _, src := range step.Sources {
			if src.Chosen {
				row.Hidden = append(row.Hidden, answer{Name: "source", Value: src.Kind})
			}
		}
		if row.Number != nil {
			row.Number.Value = c.entered(numbered("number", i))
		}
		p.Rows = append(p.Rows, row)
	}
	c.write(p.Page())
}

func numbered(name string, n int) string { return name + "." + strconv.Itoa(n) }

// maxRows bounds the rows of one table.
const maxRows = 40

// enteredAfter reads the table: the rows that were filled in, from the first on. They stand between the
// entry before them and now.
func (h *Handler) enteredAfter(c *call, rd *answering) ([]visit.Body, error) {
	if err := h.within(c, rd.now); err != nil {
		return nil, err
	}
	var bodies []visit.Body
	gap := -1
	for n := range maxRows {
		kind := c.form.get(numbered("kind", n))
		if kind == "" {
			break
		}
		row := &form{values: url.Values{"kind": {kind}, "after": {"1"}, "happened": {c.form.get("happened")}}}
		for _, name := range []string{"step", "with", "id", "source", "shows", "number", "unit", "answer"} {
			row.values.Set(name, c.form.get(numbered(name, n)))
		}
		filled := row.get("shows") != "" || row.get("number") != "" || row.get("answer") != ""
		switch {
		case !filled && gap < 0:
			gap = n
			continue
		case !filled:
			continue
		case gap >= 0:
			return nil, fmt.Errorf("line %d is empty and line %d is not: say what was seen there, or leave the rest empty too", gap+1, n+1)
		}
		if row.get("number") != "" && row.get("shows") == "" {
			row.values.Set("shows", string(instrument.Value))
		}
		one := *rd
		one.form = row
		body, err := one.body()
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n+1, err)
		}
		bodies = append(bodies, body)
	}
	if len(bodies) == 0 {
		return nil, errors.New("nothing was entered: say what each line showed")
	}
	return bodies, nil
}

// within says what is wrong with the time of a table: it lies between the entry before it and now.
func (h *Handler) within(c *call, now time.Time) error {
	at, err := happened(c.form.get("happened"), now)
	if err != nil {
		return err
	}
	if last := c.file.Visit.Account().Last; c.form.get("state") == c.file.head() && at.Before(last.Truncate(time.Minute)) {
		return fmt.Errorf("the entry before this was made at %s: say when these tests were made after it", last.Format("15:04"))
	}
	return nil
}

// doAll puts bodies through the engine one after the other, each upon the line of the one before, up to the
// first that is refused or raises a stop.
func (h *Handler) doAll(c *call, bodies []visit.Body) {
	state, before := c.form.get("state"), c.file.Visit.Stop()
	for _, body := range bodies {
		done, err := h.submit(c, state, body, nil)
		if h.answered(c, body, done, err) {
			return
		}
		h.advise(c, done.hash, body)
		state = done.hash
		if c.file.Visit.Stop() != before {
			break
		}
	}
	h.see(c, h.visitURL(c.hand, c.file.id))
}
