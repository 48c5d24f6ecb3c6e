package field

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"meterwright/internal/jobs"
	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
)

// book keeps the visits that pages look at folded, so that a page costs no more than the lines
// that came since. The journal stays the truth: a visit is dropped whenever it is not certain
// what the journal holds.
type book struct {
	journal Journal
	// beginning is held while a visit is begun, so that a job has one that is going on.
	beginning sync.Mutex
	mu        sync.Mutex
	open      map[string]*entry
}

// maxOpen bounds the visits that are kept folded.
const maxOpen = 256

// entry is one visit, folded up to a line.
type entry struct {
	mu     sync.Mutex
	id     string
	lines  int
	visit  *visit.Visit
	opened visit.Opened
	nature record.Nature
	chains map[record.Key]record.Chain
	last   record.Key
	events []kept
	// early holds events that came before the method was known.
	early []visit.Event
	// unread is set when a line cannot be read by this edition: the visit is shown and not
	// continued.
	unread error
}

// kept is what the pages need of a line.
type kept struct {
	hash, kind, person string
	body               []byte
	key                record.Key
}

func (b *book) entry(id string) *entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	e := b.open[id]
	if e == nil {
		if len(b.open) >= maxOpen {
			for old := range b.open {
				delete(b.open, old)
				break
			}
		}
		e = &entry{id: id, chains: map[record.Key]record.Chain{}}
		b.open[id] = e
	}
	return e
}

func (b *book) drop(id string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.open, id)
}

// refresh reads what came since. The caller holds the entry. The error wraps ErrNotFound for a
// visit that nobody began.
func (b *book) refresh(ctx context.Context, e *entry) error {
	lines, err := b.journal.Lines(ctx, e.id, e.lines)
	if err != nil {
		return fmt.Errorf("visit %s: %w", e.id, err)
	}
	for _, line := range lines {
		if err := e.take(line); err != nil {
			b.drop(e.id)
			return fmt.Errorf("visit %s, line %d: %w", e.id, e.lines+1, err)
		}
	}
	if e.visit == nil {
		b.drop(e.id)
		return fmt.Errorf("visit %.60q: %w", e.id, ErrNotFound)
	}
	return nil
}

// take folds one line.
func (e *entry) take(line []byte) error {
	ev, err := record.Decode(line)
	if err != nil {
		return err
	}
	if ev.Visit != e.id {
		return fmt.Errorf("it belongs to the visit %s", ev.Visit)
	}
	next, _, err := e.chains[ev.Key].Accept(line)
	if err != nil {
		return err
	}
	e.chains[ev.Key] = next
	e.nature, e.last = ev.Nature, ev.Key
	e.lines++
	e.events = append(e.events, kept{hash: ev.Hash.String(), kind: ev.Kind, person: ev.Person, body: bytes.Clone(ev.Body), key: ev.Key})
	body, err := visit.DecodeBody(visit.Kind(ev.Kind), ev.Body)
	if err != nil {
		e.unread = err
		return nil
	}
	happened := visit.Event{Hash: ev.Hash.String(), Body: body, Wall: ev.Wall, Mono: ev.Mono, Boot: ev.Boot, Person: ev.Person}
	if o, ok := body.(visit.Opened); ok && e.lines == 1 {
		e.opened = o
	}
	if e.visit != nil {
		e.visit.Replay(happened)
		return nil
	}
	e.early = append(e.early, happened)
	if m, ok := body.(visit.Method); ok {
		resolved, err := method.DecodeResolved(m.Resolved)
		if err != nil {
			return err
		}
		machine, err := visit.New(resolved)
		if err != nil {
			return err
		}
		e.visit = visit.Begin(machine)
		for _, x := range e.early {
			e.visit.Replay(x)
		}
		e.early = nil
	}
	return nil
}

// head is the hash of the last line.
func (e *entry) head() string {
	if len(e.events) == 0 {
		return ""
	}
	return e.events[len(e.events)-1].hash
}

// told is the hash of the last line that somebody sent: not advice, nor an answer to it.
func (e *entry) told() string {
	for i := len(e.events) - 1; i >= 0; i-- {
		if !quiet(e.events[i].kind) {
			return e.events[i].hash
		}
	}
	return ""
}

// quiet reports whether a line changes nothing for whoever has a page of before it.
func quiet(kind string) bool {
	return kind == string(visit.KindAdvised) || kind == string(visit.KindAnswered)
}

// after returns the lines that came after the one with that hash; ok is false if there is none.
func (e *entry) after(hash string) (since []kept, ok bool) {
	for i := len(e.events) - 1; i >= 0; i-- {
		if e.events[i].hash == hash {
			return e.events[i+1:], true
		}
	}
	return nil, false
}

func (e *entry) method() *method.Resolved { return e.visit.Machine().Method }

// holder reports whether the visit is in the hands of the device with that key.
func (e *entry) holder(key record.Key) bool { return e.last == key }

// outcome is what became of a form.
type outcome struct {
	// hash is the hash of the line that says it, or empty.
	hash string
	// again says that the form had been recorded before.
	again bool
	// stale says that the form was made for an older state, and nothing was recorded.
	stale   bool
	refusal *visit.Refusal
}

// submit puts a body through the engine and keeps it, or keeps that it was refused. The caller
// holds the entry and has refreshed it. The attachments that the body names are kept with it, and
// not where it is refused. An error that wraps errSense says what makes no sense; any
// other error says that it is not certain that anything was kept.
func (h *Handler) submit(ctx context.Context, hand *Hand, e *entry, state string, body visit.Body, attachments []record.Attachment) (outcome, error) {
	encoded, err := visit.EncodeBody(body)
	if err != nil {
		return outcome{}, senseless(err)
	}
	kind := visit.KindOf(body)
	key, err := record.KeyOf(hand.Signer.Public())
	if err != nil {
		return outcome{}, err
	}
	if state != e.head() {
		if done, ok := e.recorded(key, state, string(kind), encoded); ok {
			return done, nil
		}
		if !timeless(kind) && !e.stands(state) {
			return outcome{stale: true}, nil
		}
	}
	if e.unread != nil {
		return outcome{}, senseless(fmt.Errorf("this visit holds a line that this edition does not read, and is not continued here: %w", e.unread))
	}
	if kind != visit.KindTakenOver && !e.holder(key) {
		return outcome{}, senseless(errors.New("this visit is in another person's hands: take it over first"))
	}
	ev := visit.Event{Body: body, Wall: h.opts.Clock.Now().Truncate(time.Millisecond), Mono: h.opts.Clock.Mono(), Boot: h.opts.Clock.Boot(), Person: hand.ID}
	refusal, err := e.visit.Check(ev)
	if err != nil {
		return outcome{}, senseless(err)
	}
	if refusal != nil {
		if e.visit.Outcome() != visit.NotEnded {
			return outcome{refusal: refusal}, nil // The record takes only supplements now.
		}
		ev.Body = visit.Refused{Kind: kind, Body: encoded, Rows: refusal.Rows, What: refusal.What, Undid: refusal.Undid, Way: refusal.Way}
		attachments = nil
	}
	// Before the line that names them.
	for _, a := range attachments {
		if err := h.opts.Journal.PutAttachment(context.WithoutCancel(ctx), a.Container()); err != nil {
			return outcome{}, fmt.Errorf("keep an attachment: %w", err)
		}
	}
	hash, err := h.keep(ctx, hand, e, key, ev)
	return outcome{hash: hash, refusal: refusal}, err
}

// recorded looks whether the line that followed the form's state says what the form says.
func (e *entry) recorded(key record.Key, state, kind string, body []byte) (outcome, bool) {
	since, ok := e.after(state)
	if !ok {
		return outcome{}, false
	}
	if !timeless(visit.Kind(kind)) {
		since = slices.DeleteFunc(slices.Clone(since), func(k kept) bool { return quiet(k.kind) })
		since = since[:min(1, len(since))]
	}
	for _, k := range since {
		if k.key != key {
			continue
		}
		if k.kind == kind && bytes.Equal(k.body, body) {
			return outcome{hash: k.hash, again: true}, true
		}
		if k.kind == string(visit.KindRefused) {
			if r, ok := e.refusal(k.hash); ok && string(r.Kind) == kind && bytes.Equal(r.Body, body) {
				return outcome{hash: k.hash, again: true, refusal: &visit.Refusal{Rows: r.Rows, What: r.What, Undid: r.Undid, Way: r.Way}}, true
			}
		}
	}
	return outcome{}, false
}

// stands reports whether a page of an older state still shows how things stand: only advice, or an
// answer to it, came since.
func (e *entry) stands(state string) bool {
	since, ok := e.after(state)
	return ok && !slices.ContainsFunc(since, func(k kept) bool { return !quiet(k.kind) })
}

// timeless reports whether what an event says stands as well after other events: it is recorded
// from a page of an older state too.
func timeless(k visit.Kind) bool {
	switch k {
	case visit.KindStopped, visit.KindReported, visit.KindPhotograph, visit.KindNoted, visit.KindDefect, visit.KindDependant, visit.KindAnswered, visit.KindSupplement:
		return true
	}
	return false
}

func (e *entry) refusal(hash string) (visit.Refused, bool) {
	for _, r := range e.visit.Account().Refusals {
		if r.Event == hash {
			return r.Refused, true
		}
	}
	return visit.Refused{}, false
}

// keep signs one event, has it kept, and folds it.
func (h *Handler) keep(ctx context.Context, hand *Hand, e *entry, key record.Key, ev visit.Event) (string, error) {
	chain, ok := e.chains[key]
	if !ok {
		var err error
		if chain, err = record.NewChain(e.id, e.nature, key); err != nil {
			return "", err
		}
	}
	line, err := appendTo(ctx, hand, &chain, ev)
	if err != nil {
		return "", err
	}
	// Whoever sent the form may hang up; what was begun is finished, so that the answer
	// is the same for whoever asks next.
	if err := h.opts.Journal.Append(context.WithoutCancel(ctx), e.id, e.opened.Job, [][]byte{line}); err != nil {
		h.book.drop(e.id)
		return "", fmt.Errorf("keep the line: %w", err)
	}
	if err := e.take(line); err != nil {
		h.book.drop(e.id)
		return "", err
	}
	return e.head(), nil
}

func appendTo(ctx context.Context, hand *Hand, chain *record.Chain, ev visit.Event) ([]byte, error) {
	body, err := visit.EncodeBody(ev.Body)
	if err != nil {
		return nil, err
	}
	next, line, _, err := chain.Append(ctx, hand.Signer, record.Draft{Kind: string(visit.KindOf(ev.Body)), Person: ev.Person, Body: body, Wall: ev.Wall, Mono: ev.Mono, Boot: ev.Boot})
	if err != nil {
		return nil, err
	}
	*chain = next
	return line, nil
}

// begin opens a visit of a job: the job with its method, and the method itself.
func (h *Handler) begin(ctx context.Context, hand *Hand, id string, j *jobs.Job) error {
	resolved, err := h.opts.Journal.Method(ctx, j)
	if err != nil {
		return err
	}
	machine, err := visit.New(resolved)
	if err != nil {
		return err
	}
	key, err := record.KeyOf(hand.Signer.Public())
	if err != nil {
		return err
	}
	nature := record.Real
	if j.Fictional {
		nature = record.Practice
	}
	chain, err := record.NewChain(id, nature, key)
	if err != nil {
		return senseless(err)
	}
	whole, err := resolved.Encode()
	if err != nil {
		return err
	}
	opened := visit.Opened{Job: j.Reference, Premises: visit.Premises{Address: j.Address, MeterPoint: j.MeterPoint, Meter: j.Meter},
		Method: resolved.Method, Edition: resolved.Edition, MethodHash: machine.Hash, Engine: h.opts.Engine, Fictional: j.Fictional}
	now, mono := h.opts.Clock.Now(), h.opts.Clock.Mono()
	var lines [][]byte
	trial := visit.Begin(machine)
	for _, b := range []visit.Body{opened, visit.Method{Resolved: whole}} {
		ev := visit.Event{Body: b, Wall: now, Mono: mono, Boot: h.opts.Clock.Boot(), Person: hand.ID}
		if refusal, err := trial.Apply(ev); refusal != nil || err != nil {
			return errors.Join(err, asError(refusal))
		}
		line, err := appendTo(ctx, hand, &chain, ev)
		if err != nil {
			return err
		}
		lines = append(lines, line)
	}
	return h.opts.Journal.Append(context.WithoutCancel(ctx), id, j.Reference, lines)
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

// salt gives the reader of the salt of a photograph: the same for the same form and content, so
// that a form sent twice names one photograph, and a secret to everybody else.
func (h *Handler) salt(state string, content []byte) *bytes.Reader {
	mac := hmac.New(sha256.New, h.opts.Secret)
	mac.Write([]byte("salt of a photograph\n" + state + "\n"))
	sum := sha256.Sum256(content)
	mac.Write(sum[:])
	return bytes.NewReader(mac.Sum(nil))
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
