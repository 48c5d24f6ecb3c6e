package script

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"path"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/metering"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/visit"
)

// Keeper is where a visit is kept. What it returns from is on the disk.
type Keeper interface {
	// Line keeps one line of the record, which comes without its LF.
	Line(line []byte) error
	// Attachment keeps a container.
	Attachment(container []byte, ref record.Reference) error
}

// Adviser says what the physical model makes of a visit as it stands, or nil where there is
// nothing to say. It decides nothing.
type Adviser interface {
	Advise(ctx context.Context, v *visit.Visit) (*visit.Advised, error)
}

// Told is one thing that a reader of the story is told. Exactly one of the others is set beside At.
type Told struct {
	At time.Time
	// Event is an event that was accepted, by its hash.
	Event string
	// Aside is something that is not in the record, with its words.
	Aside Aside
	Words string
	// Refusal is why an event was refused.
	Refusal *visit.Refusal
	// Stop is a stop that the event led to, by its id.
	Stop string
	// Register is what the earlier readings say of a final one.
	Register *Finding
	// Advice is what the model makes of the readings so far.
	Advice *visit.Advised
}

// Aside names something that is told and stands in no record.
type Aside string

// The asides.
const (
	NoAdvice  Aside = "no-advice" // Words: why
	Restarted Aside = "restarted" // Words: the device
)

// Finding is a final reading judged against earlier ones.
type Finding struct {
	Entry   string           `json:"entry"`
	Reading string           `json:"reading"`
	Finding metering.Finding `json:"finding"`
}

// Runner carries out one script. Its exported fields are given before Carry.
type Runner struct {
	Job     *jobs.Job
	Script  *Script
	Machine *visit.Machine
	Pack    *rules.Pack
	// Visit is the id of the visit, a UUID of version 7.
	Visit string
	// Engine names this program with its edition.
	Engine string
	// Signer gives the key of a device.
	Signer func(device string) (record.Signer, error)
	// Random gives salts.
	Random io.Reader
	Keep   Keeper
	// File reads a file beside the script.
	File func(name string) ([]byte, error)
	Tell func(Told)
	// Adviser is asked after each reading and proving, and what it says is kept where a person
	// would see something new in it. Nil means that no advice is given.
	Adviser Adviser

	visit   *visit.Visit
	ctx     context.Context
	chain   record.Chain
	signer  record.Signer
	now     time.Time
	booted  time.Time
	boots   int
	person  string
	device  string
	devices []string
	answers map[string]string
	hands   map[instrument.Kind]string
	stop    string
	usually everydayValues
	// Findings holds what earlier readings say of the final ones.
	Findings []Finding
	// Refusals counts what was refused.
	Refusals int
}

// Carry carries the script out and returns the visit as it stands at its end. An error says
// where in the script something makes no sense, or that the record could not be kept; what was
// kept until then stays.
func (r *Runner) Carry(ctx context.Context) (*visit.Visit, error) {
	r.ctx, r.visit = ctx, visit.Begin(r.Machine)
	r.answers, r.hands = map[string]string{}, map[instrument.Kind]string{}
	if err := r.Check(); err != nil {
		return r.visit, err
	}
	r.person = r.Job.Person
	if err := r.chainOf(r.Script.Device); err != nil {
		return r.visit, err
	}
	r.now = r.Script.Begin
	r.booted = r.now.Add(-time.Second)
	if err := r.open(); err != nil {
		return r.visit, err
	}
	for i := range r.Script.Entries {
		if err := ctx.Err(); err != nil {
			return r.visit, fmt.Errorf("%s: the script was broken off here: %w", r.Script.Place(&r.Script.Entries[i]), err)
		}
		if err := r.entry(&r.Script.Entries[i]); err != nil {
			return r.visit, err
		}
	}
	return r.visit, nil
}

// Check says whether job, script and method fit each other, before anything is kept.
func (r *Runner) Check() error {
	if r.Job.Person == "" {
		return fmt.Errorf("job %s names no person: write person: with the identifier of who goes", r.Job.Reference)
	}
	var err error
	if r.usually, err = everydayVisit(); err != nil {
		return err
	}
	return r.checkUsual()
}

// Now returns the visit as it stands.
func (r *Runner) Now() *visit.Visit { return r.visit }

// Chain returns the state of the last device's chain.
func (r *Runner) Chain() record.Chain { return r.chain }

func (r *Runner) nature() record.Nature {
	if r.Job.Fictional || r.Script.Fictional {
		return record.Practice
	}
	return record.Real
}

func (r *Runner) chainOf(device string) error {
	signer, err := r.Signer(device)
	if err != nil {
		return fmt.Errorf("key of the device %s: %w", device, err)
	}
	key, err := record.KeyOf(signer.Public())
	if err != nil {
		return fmt.Errorf("key of the device %s: %w", device, err)
	}
	chain, err := record.NewChain(r.Visit, r.nature(), key)
	if err != nil {
		return err
	}
	r.chain, r.signer, r.device, r.boots = chain, signer, device, 1
	r.devices = append(r.devices, device)
	return nil
}

// open makes the first two lines: the job with its method, and the method itself.
func (r *Runner) open() error {
	m := r.Machine.Method
	resolved, err := m.Encode()
	if err != nil {
		return err
	}
	opened := visit.Opened{Job: r.Job.Reference, Premises: visit.Premises{Address: r.Job.Address, MeterPoint: r.Job.MeterPoint, Meter: r.Job.Meter},
		Method: m.Method, Edition: m.Edition, MethodHash: r.Machine.Hash, Engine: r.Engine, Fictional: r.nature() == record.Practice}
	first := &Entry{pointer: ""}
	for _, b := range []visit.Body{opened, visit.Method{Resolved: resolved}} {
		if _, err := r.do(first, b); err != nil {
			return err
		}
	}
	return nil
}

func (r *Runner) entry(e *Entry) error {
	if err := r.advance(e); err != nil {
		return err
	}
	v := verbs[e.Verb]
	if v.does != nil {
		return v.does(r, e)
	}
	body, err := v.body(r, e)
	if err != nil {
		return err
	}
	_, err = r.do(e, body)
	return err
}

// advance moves the clock to the time of the entry.
func (r *Runner) advance(e *Entry) error {
	next := r.now.Add(r.Script.Pace)
	switch e.At.kind {
	case atDay:
		next = r.Script.day(e.At.day)
	case afterSpan:
		next = r.now.Add(e.At.span)
	}
	if next.Before(r.now) {
		return r.Script.doc.Errorf(e.pointer+"/at", "times never go back: write a later one", "%s is before %s, when the entry before ended", next.Format("15:04:05"), r.now.Format("15:04:05"))
	}
	r.now = next
	return nil
}

func (r *Runner) event(body visit.Body) visit.Event {
	e := visit.Event{Chain: r.chain.Key.String(), Body: body, Wall: r.now, Mono: r.now.Sub(r.booted).Milliseconds(), Boot: fmt.Sprintf("%s-boot-%d", r.device, r.boots), Person: r.person}
	if r.chain.Next > 0 {
		e.Prev = r.chain.Head.String()
	}
	return e
}

// do puts an event through the engine, keeps it or its refusal, and tells it. It reports
// whether it was accepted.
func (r *Runner) do(e *Entry, body visit.Body) (bool, error) {
	ev := r.event(body)
	refusal, err := r.visit.Check(ev)
	if err != nil {
		return false, fmt.Errorf("%s: %w", r.Script.Place(e), err)
	}
	if refusal != nil {
		return false, r.refused(e, ev, refusal)
	}
	if err := r.keep(&ev); err != nil {
		return false, err
	}
	if refusal, err = r.visit.Apply(ev); refusal != nil || err != nil {
		return false, fmt.Errorf("%s: accepted and then not: %w", r.Script.Place(e), errors.Join(refusal, err))
	}
	r.remember(e, body, ev.Hash)
	if b, ok := body.(visit.TookUp); ok {
		r.hands[b.Instrument.Kind] = b.Instrument.ID
	}
	if err := r.tell(body); err != nil {
		return true, err
	}
	return true, r.advise(body)
}

// advise keeps what the adviser says after an event that was accepted. The visit goes on without
// it where there is none.
func (r *Runner) advise(body visit.Body) error {
	if r.Adviser == nil || !r.visit.Bears(body) {
		return nil
	}
	x, err := r.Adviser.Advise(r.ctx, r.visit)
	if err != nil && r.ctx.Err() == nil {
		r.Tell(Told{At: r.now, Aside: NoAdvice, Words: err.Error()})
	}
	if err != nil || x == nil {
		return nil
	}
	var before *visit.Advised
	if list := r.visit.Account().Advice; len(list) > 0 {
		before = &list[len(list)-1].Advised
	}
	if !x.Tells(before) {
		return nil
	}
	ev := r.event(*x)
	if refusal, err := r.visit.Check(ev); refusal != nil || err != nil {
		return fmt.Errorf("the advice is not taken: %w", errors.Join(err, asError(refusal)))
	}
	if err := r.keep(&ev); err != nil {
		return err
	}
	if refusal, err := r.visit.Apply(ev); refusal != nil || err != nil {
		return fmt.Errorf("the advice was accepted and then not: %w", errors.Join(err, asError(refusal)))
	}
	r.Tell(Told{At: r.now, Advice: x})
	return nil
}

func asError(r *visit.Refusal) error {
	if r == nil {
		return nil
	}
	return r
}

func (r *Runner) refused(e *Entry, ev visit.Event, refusal *visit.Refusal) error {
	r.Refusals++
	r.Tell(Told{At: r.now, Refusal: refusal})
	if r.visit.Outcome() != visit.NotEnded {
		return nil // The record takes only supplements now.
	}
	attempted, err := visit.EncodeBody(ev.Body)
	if err != nil {
		return fmt.Errorf("%s: %w", r.Script.Place(e), err)
	}
	ev.Body = visit.Refused{Kind: visit.KindOf(ev.Body), Body: attempted, Refusal: *refusal}
	if err := r.keep(&ev); err != nil {
		return err
	}
	if refusal, err := r.visit.Apply(ev); refusal != nil || err != nil {
		return fmt.Errorf("%s: the refusal was not taken: %w", r.Script.Place(e), errors.Join(refusal, err))
	}
	return nil
}

// keep signs the event, has it kept, and gives it its hash.
func (r *Runner) keep(ev *visit.Event) error {
	body, err := visit.EncodeBody(ev.Body)
	if err != nil {
		return err
	}
	next, line, kept, err := r.chain.Append(r.ctx, r.signer, record.Draft{Kind: string(visit.KindOf(ev.Body)), Person: ev.Person, Body: body, Wall: ev.Wall, Mono: ev.Mono, Boot: ev.Boot})
	if err != nil {
		return err
	}
	if err := r.Keep.Line(line); err != nil {
		return fmt.Errorf("keep line %d: %w", next.Next, err)
	}
	r.chain = next
	ev.Hash = kept.Hash.String()
	return nil
}

// tell tells the event that was just accepted, and what it led to.
func (r *Runner) tell(body visit.Body) error {
	a := r.visit.Account()
	last := a.Story[len(a.Story)-1]
	r.Tell(Told{At: last.At, Event: last.Event})
	if b, ok := body.(visit.Recorded); ok {
		if err := r.judgeRegisters(b.Entries); err != nil {
			return err
		}
	}
	if c, ok := body.(visit.Corrected); ok && len(c.Entries) > 0 {
		if err := r.judgeRegisters(c.Entries); err != nil {
			return err
		}
	}
	stop := r.visit.Stop()
	if stop != r.stop && stop != "" {
		r.Tell(Told{At: r.now, Stop: stop})
	}
	r.stop = stop
	return nil
}

// judgeRegisters judges each final reading of a register that the job knows.
func (r *Runner) judgeRegisters(entries map[string]string) error {
	for i := range r.Job.Registers {
		reg := &r.Job.Registers[i]
		reading, ok := entries[reg.Entry]
		if !ok {
			continue
		}
		f, err := reg.Judge(r.Pack.Plausible, reading, r.now)
		if err != nil {
			return fmt.Errorf("job %s: %w", r.Job.Reference, err)
		}
		got := Finding{Entry: reg.Entry, Reading: reading, Finding: f}
		r.Findings = append(r.Findings, got)
		r.Tell(Told{At: r.now, Register: &got})
	}
	return nil
}

func (r *Runner) takeOver(e *Entry, person, device string) error {
	before := r.chain
	if err := r.chainOf(device); err != nil {
		return err
	}
	r.person, r.booted = person, r.now.Add(-time.Second)
	_, err := r.do(e, visit.TakenOver{Chain: before.Key.String(), Head: before.Head.String()})
	return err
}

func (r *Runner) inTurn() string { return r.visit.Next().Step }

func (r *Runner) inHand(k instrument.Kind) string { return r.hands[k] }

// written returns the first step that a step of the written method became.
func (r *Runner) written(id string) string {
	for i := range r.Machine.Method.Steps {
		if s := r.Machine.Method.Steps[i].ID; s == id || strings.HasPrefix(s, id+"/") {
			return s
		}
	}
	return id
}

func (r *Runner) isPhotograph(step, field string) bool {
	s, _ := r.Machine.Method.Step(step)
	if s == nil || s.Record == nil {
		return false
	}
	for _, f := range s.Record.Fields {
		if f.ID == field {
			return f.Type == "photograph"
		}
	}
	return false
}

// standIn is what takes the place of a photograph in a fictional visit.
const standIn = "stand-in"

// photograph keeps a picture as an attachment and returns its reference.
func (r *Runner) photograph(name string) (visit.Attachment, error) {
	var content []byte
	var err error
	media := record.MediaPNG
	if name == standIn {
		if !r.Script.Fictional {
			return visit.Attachment{}, errors.New("a stand-in has no place in a visit that is not fictional: name a file")
		}
		var b bytes.Buffer
		err = png.Encode(&b, image.NewGray(image.Rect(0, 0, 4, 3)))
		content = b.Bytes()
	} else {
		switch strings.ToLower(path.Ext(name)) {
		case ".jpg", ".jpeg":
			media = record.MediaJPEG
		case ".png":
		default:
			return visit.Attachment{}, fmt.Errorf("%.40q is no picture: name a .jpg or .png file beside the script", name)
		}
		content, err = r.File(name)
	}
	if err != nil {
		return visit.Attachment{}, err
	}
	a, err := record.NewAttachment(media, content, r.Random)
	if err != nil {
		return visit.Attachment{}, err
	}
	ref := a.Reference()
	if err := r.Keep.Attachment(a.Container(), ref); err != nil {
		return visit.Attachment{}, err
	}
	return visit.Attachment{ID: string(ref.ID), Media: ref.Media, Bytes: ref.Bytes}, nil
}

// DemonstrationVisit returns the id of a visit made from a seed: a UUID of version 7 (RFC 9562,
// 5.7) whose random part is a hash of the seed.
func DemonstrationVisit(seed string, begin time.Time) string {
	h := sha256.Sum256([]byte("meterwright demonstration visit " + seed))
	var id [16]byte
	binary.BigEndian.PutUint64(id[:8], uint64(begin.UnixMilli())<<16)
	copy(id[6:], h[:10])
	id[6] = id[6]&0x0f | 0x70
	id[8] = id[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", id[:4], id[4:6], id[6:8], id[8:10], id[10:])
}
