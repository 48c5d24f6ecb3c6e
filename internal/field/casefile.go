package field

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"meterwright/method"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/say"
	"meterwright/visit"
)

// cabinet keeps the visits that pages look at read, so that a page costs no more than the lines
// that came since. The journal stays the truth: a visit is dropped whenever it is not certain
// what the journal holds.
type cabinet struct {
	journal Journal
	lang    *say.Language
	reader  replay.Reader
	// beginning is held while a visit is begun, so that a job has one that is going on.
	beginning sync.Mutex
	mu        sync.Mutex
	open      map[string]*casefile
}

// maxOpen bounds the visits that are kept read.
const maxOpen = 256

// casefile is one visit, read up to a line.
type casefile struct {
	mu sync.Mutex
	id string
	// came holds the lines in the order in which the journal has them.
	came []record.Event
	// chains says where each device's chain is continued.
	chains map[record.Key]record.Chain
	*replay.Case
	words *say.Speaker
}

func (c *cabinet) file(id string) *casefile {
	c.mu.Lock()
	defer c.mu.Unlock()
	f := c.open[id]
	if f == nil {
		if len(c.open) >= maxOpen {
			for old := range c.open {
				delete(c.open, old)
				break
			}
		}
		f = &casefile{id: id, chains: map[record.Key]record.Chain{}}
		c.open[id] = f
	}
	return f
}

func (c *cabinet) drop(id string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.open, id)
}

// refresh reads what came since, from whatever device. The caller holds the file. The error wraps
// ErrNotFound for a visit that nobody began.
func (c *cabinet) refresh(ctx context.Context, f *casefile) error {
	lines, err := c.journal.Lines(ctx, f.id, len(f.came))
	if err != nil {
		return fmt.Errorf("visit %s: %w", f.id, err)
	}
	var events []record.Event
	for i, line := range lines {
		e, err := record.Decode(line)
		if err == nil {
			err = e.CheckSignature()
		}
		if err == nil && e.Visit != f.id {
			err = fmt.Errorf("it belongs to the visit %s", e.Visit)
		}
		if err != nil {
			c.drop(f.id)
			return fmt.Errorf("visit %s, line %d: %w", f.id, len(f.came)+i+1, err)
		}
		events = append(events, e)
	}
	if len(f.came)+len(events) == 0 {
		c.drop(f.id)
		return fmt.Errorf("visit %.60q: %w", f.id, ErrNotFound)
	}
	return c.take(f, events...)
}

// take folds lines of which form and signature are right.
func (c *cabinet) take(f *casefile, events ...record.Event) error {
	for _, e := range events {
		f.came = append(f.came, e)
		if ch := f.chains[e.Key]; e.Seq == ch.Next && e.Prev == ch.Head {
			f.chains[e.Key] = record.Chain{Visit: e.Visit, Nature: e.Nature, Key: e.Key, Next: e.Seq + 1, Head: e.Hash,
				Ended: ch.Ended || e.Kind == record.KindEnded || e.Kind == record.KindSupplement}
		}
	}
	switch {
	case len(events) == 0:
		return nil
	case len(events) == 1 && f.Case != nil && f.Add(events[0]):
		return nil
	}
	read, err := c.reader.Read(f.came)
	if err != nil {
		c.drop(f.id)
		return fmt.Errorf("visit %s: %w", f.id, err)
	}
	f.Case, f.words = read, c.lang.Of(read.Visit.Machine().Method)
	return nil
}

// chain is the chain of a device, empty where it has none in the visit yet.
func (f *casefile) chain(key record.Key) (record.Chain, error) {
	if c, ok := f.chains[key]; ok {
		return c, nil
	}
	return record.NewChain(f.id, f.Nature, key)
}

// method is the method of the visit in the words of this language.
func (f *casefile) method() *method.Resolved { return f.words.Method() }

// head is the hash of the line that came last.
func (f *casefile) head() string {
	if len(f.came) == 0 {
		return ""
	}
	return f.came[len(f.came)-1].Hash.String()
}

// told is the hash of the line that came last and that somebody sent: not advice, nor an answer to it.
func (f *casefile) told() string {
	for _, e := range slices.Backward(f.came) {
		if !visit.Kind(e.Kind).Quiet() {
			return e.Hash.String()
		}
	}
	return ""
}

// after returns the lines that came after the one with that hash; ok is false if there is none.
func (f *casefile) after(hash string) (since []record.Event, ok bool) {
	for i, e := range slices.Backward(f.came) {
		if e.Hash.String() == hash {
			return f.came[i+1:], true
		}
	}
	return nil, false
}

// stands reports whether a page of an older state still shows how things stand: what came since is
// quiet.
func (f *casefile) stands(state string) bool {
	since, ok := f.after(state)
	return ok && !slices.ContainsFunc(since, func(e record.Event) bool { return !visit.Kind(e.Kind).Quiet() })
}

// inTurn reports whether a step is in turn: the next one, or an open row of its sheet.
func (f *casefile) inTurn(step string) bool {
	n := f.Visit.Next()
	return step == n.Step || slices.Contains(n.Sheet, step)
}

// sameSheet reports whether a page of an older state still shows a row as it stands: what came since are answers of this
// device to other rows of its sheet, and no stop.
func (f *casefile) sameSheet(key record.Key, state, step string) bool {
	since, ok := f.after(state)
	s, _ := f.method().Step(step)
	if !ok || s == nil || s.Sheet == "" || f.Visit.Stop() != "" {
		return false
	}
	return !slices.ContainsFunc(since, func(e record.Event) bool {
		if visit.Kind(e.Kind).Quiet() {
			return false
		}
		l := f.line(e.Hash.String())
		if l == nil || e.Key != key || !visit.Kind(e.Kind).Correctable() {
			return true
		}
		other, _ := f.method().Step(l.Step)
		return other == nil || l.Step == step || other.Sheet != s.Sheet || other.Phase != s.Phase
	})
}

// line is the story's line of an event, or nil.
func (f *casefile) line(event string) *visit.Line {
	story := f.Visit.Account().Story
	for i := range story {
		if story[i].Event == event {
			return &story[i]
		}
	}
	return nil
}

// lineWords is a line of the story with its time.
func (f *casefile) lineWords(event string) string {
	l := f.line(event)
	if l == nil {
		return ""
	}
	return f.words.Say("field.at", "at", l.At, "words", f.words.Line(f.Visit.Account(), l))
}

// lastOf is the last line that a device made.
func (f *casefile) lastOf(chain string) (record.Event, bool) {
	for _, e := range slices.Backward(f.came) {
		if e.Key.String() == chain {
			return e, true
		}
	}
	return record.Event{}, false
}
