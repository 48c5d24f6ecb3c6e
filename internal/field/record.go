package field

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"meterwright/internal/jobs"
	"meterwright/record"
	"meterwright/visit"
)

// outcome is what became of a form.
type outcome struct {
	// hash is the hash of the line that says it, or empty.
	hash string
	// stale says that the form was made for an older state, and nothing was recorded.
	stale   bool
	refusal *visit.Refusal
}

// submit puts a body through the engine and keeps it, or keeps that it was refused. The caller
// holds the file and has refreshed it. The attachments that the body names are kept with it, and
// not where it is refused. An error that wraps errSense says what makes no sense; any other error
// says that it is not certain that anything was kept.
func (h *Handler) submit(c *call, state string, body visit.Body, attachments []record.Attachment) (outcome, error) {
	f, ctx := c.file, c.r.Context()
	kind := visit.KindOf(body)
	encoded, err := visit.EncodeBody(body)
	if err != nil {
		return outcome{}, senseless(err)
	}
	step := c.shownFor(body)
	if state != f.head() {
		if done, ok := f.recorded(c.key, state, kind, encoded); ok {
			return done, nil
		}
		if !kind.Timeless() && !f.stands(state) && !f.sameSheet(c.key, state, step) {
			return outcome{stale: true}, nil
		}
	}
	chain, err := f.chain(c.key)
	if err != nil {
		return outcome{}, err
	}
	ev := h.happens(c, body)
	refusal, err := f.Check(ev)
	switch {
	case err != nil:
		return outcome{}, senseless(err)
	case step != "" && !f.inTurn(step):
		return outcome{stale: true}, nil
	case refusal == nil:
	case chain.Next == 0 || chain.Ended:
		return outcome{refusal: refusal}, nil // There is no chain that could hold the refusal.
	default:
		ev.Body = visit.Refused{Kind: kind, Body: encoded, Refusal: *refusal}
		if encoded, err = visit.EncodeBody(ev.Body); err != nil {
			return outcome{}, err
		}
		attachments = nil
	}
	// Before the line that names them.
	for _, a := range attachments {
		if err := h.opts.Journal.PutAttachment(context.WithoutCancel(ctx), a.Container()); err != nil {
			return outcome{}, fmt.Errorf("keep an attachment: %w", err)
		}
	}
	hash, err := h.keep(c, chain, ev, encoded)
	return outcome{hash: hash, refusal: refusal}, err
}

// shownFor is the step that the form was shown for, which it names under step, or nothing where it names none. Going
// back names where it leads to; stopping, telling somebody, and what was done in spite of a refusal are never held back.
func (c *call) shownFor(body visit.Body) string {
	kind := visit.KindOf(body)
	switch kind {
	case visit.KindReturned, visit.KindStopped, visit.KindReported:
		return ""
	}
	if c.form == nil || c.form.get("kind") != string(kind) || c.form.get("in_spite") != "" {
		return ""
	}
	return c.form.get("step")
}

// happens is a body as an event of this moment on the device in hand.
func (h *Handler) happens(c *call, body visit.Body) visit.Event {
	return visit.Event{Chain: c.key.String(), Body: body, Wall: h.opts.Clock.Now().Truncate(time.Millisecond), Mono: h.opts.Clock.Mono(),
		Boot: h.opts.Clock.Boot(), Person: c.hand.ID}
}

func draft(ev *visit.Event, encoded []byte) record.Draft {
	return record.Draft{Kind: string(visit.KindOf(ev.Body)), Person: ev.Person, Body: encoded, Wall: ev.Wall, Mono: ev.Mono, Boot: ev.Boot}
}

// recorded looks whether the last line since the form's state says what the form says, or for what stands as well after
// other events, any line since.
func (f *casefile) recorded(key record.Key, state string, kind visit.Kind, body []byte) (outcome, bool) {
	since, ok := f.after(state)
	if !ok {
		return outcome{}, false
	}
	if !kind.Timeless() {
		since = slices.DeleteFunc(slices.Clone(since), func(e record.Event) bool { return visit.Kind(e.Kind).Quiet() })
		since = since[max(0, len(since)-1):]
	}
	for _, e := range since {
		if e.Key != key {
			continue
		}
		if e.Kind == string(kind) && bytes.Equal(e.Body, body) {
			return outcome{hash: e.Hash.String()}, true
		}
		if r := f.refused(e.Hash.String()); r != nil && r.Kind == kind && bytes.Equal(r.Body, body) {
			return outcome{hash: e.Hash.String(), refusal: &r.Refusal}, true
		}
	}
	return outcome{}, false
}

// refused is a refusal that the record holds, or nil.
func (f *casefile) refused(hash string) *visit.Refused {
	list := f.Visit.Account().Refusals
	for i := range list {
		if list[i].Event == hash {
			return &list[i].Refused
		}
	}
	return nil
}

// keep signs one event, has it kept, and folds it.
func (h *Handler) keep(c *call, chain record.Chain, ev visit.Event, encoded []byte) (string, error) {
	// Whoever sent the form may hang up; what was begun is finished, so that the answer
	// is the same for whoever asks next.
	ctx, f := context.WithoutCancel(c.r.Context()), c.file
	_, line, err := chain.Sign(ctx, c.hand.Signer, draft(&ev, encoded))
	if err != nil {
		return "", err
	}
	if err := h.opts.Journal.Append(ctx, f.id, f.Opened.Job, []record.Signed{line}); err != nil {
		h.cabinet.drop(f.id)
		return "", fmt.Errorf("keep the line: %w", err)
	}
	return line.Event().Hash.String(), h.cabinet.take(f, line.Event())
}

// begin opens a visit of a job: the job with its method, and the method itself.
func (h *Handler) begin(c *call, id string, j *jobs.Job) error {
	ctx := context.WithoutCancel(c.r.Context())
	resolved, err := h.opts.Journal.Method(ctx, j)
	if err != nil {
		return err
	}
	machine, err := visit.New(resolved)
	if err != nil {
		return err
	}
	nature := record.Real
	if j.Fictional {
		nature = record.Practice
	}
	chain, err := record.NewChain(id, nature, c.key)
	if err != nil {
		return senseless(err)
	}
	whole, err := resolved.Encode()
	if err != nil {
		return err
	}
	opened := visit.Opened{Job: j.Reference, Premises: visit.Premises{Address: j.Address, MeterPoint: j.MeterPoint, Meter: j.Meter},
		Method: resolved.Method, Edition: resolved.Edition, MethodHash: machine.Hash, Engine: h.opts.Engine, Fictional: j.Fictional}
	var lines []record.Signed
	trial := visit.Begin(machine)
	for _, b := range []visit.Body{opened, visit.Method{Resolved: whole}} {
		ev := h.happens(c, b)
		if refusal, err := trial.Apply(ev); refusal != nil || err != nil {
			return errors.Join(err, asError(refusal))
		}
		encoded, err := visit.EncodeBody(b)
		if err != nil {
			return err
		}
		next, line, err := chain.Sign(ctx, c.hand.Signer, draft(&ev, encoded))
		if err != nil {
			return err
		}
		chain, lines = next, append(lines, line)
	}
	return h.opts.Journal.Append(ctx, id, j.Reference, lines)
}

func asError(r *visit.Refusal) error {
	if r == nil {
		return nil
	}
	return r
}

// errSense is wrapped where a form makes no sense; the text is for the person who sent it.
var errSense = errors.New("")

type senseError struct{ err error }

func (s senseError) Error() string        { return s.err.Error() }
func (s senseError) Is(target error) bool { return target == errSense }
func (s senseError) Unwrap() error        { return s.err }

func senseless(err error) error { return senseError{err} }
