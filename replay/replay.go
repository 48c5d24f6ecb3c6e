// Package replay reads a visit: the lines of its record, from however many devices, become one
// order, one fold and one [Case]. Nothing else in the program reads a visit.
//
// # The order rule
//
// A line is made after the line before it in its chain, and one that takes over also after the line
// that it names as the other chain's head. Those two are all that is known for certain: clocks can
// be wrong, and lines arrive whenever there is a signal. So:
//
//  1. A line comes after every line that it was made after. Of lines that are free to come next, the one with
//     the earlier wall clock comes first; then the one with the lesser key, the lesser sequence number,
//     the lesser hash. The same lines give the same order, in whatever order they arrived.
//  2. Each line is judged in the state that it was made in: that of the line before it, joined with
//     that of the chain it takes over. What was done elsewhere meanwhile neither helps nor hinders it.
//  3. Chains of which none has seen how far the others came hold the visit together. What is then
//     known of it is the join of where they stand, in which nothing counts that only one of them has: no
//     proof, no protection, no end of the visit, no end of a stop. See package visit.
//  4. While two hold the visit, no act that carries the work on is accepted: one hands over, and the
//     other takes over, or whoever is on site takes over and says why the other's work ends.
//     Making safe, stopping and reporting stay open to both.
//  5. A stop is lifted only by a decision in a chain that has seen it. A line that comes in late can add a stop,
//     void a proof or make a second holder; it can never make a visit look calmer.
//  6. A line that names a line which is not there waits, and is counted. Two lines in the same place
//     of one chain are a fork: both are folded, as if they were two chains, and the fork is shown.
//
// Remarks, reports, photographs and the like do not hold a visit: a device that only sends some late
// is no second holder.
package replay

import (
	"bufio"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
)

// Case is a visit read from its record.
type Case struct {
	ID     string
	Nature record.Nature
	Opened visit.Opened
	// Visit is the fold of all lines that can be read.
	Visit *visit.Visit
	// Person is who opened the visit, People everybody who acted, in order of appearance.
	Person string
	People []string
	// Chains says where each device's chain stands, in order of appearance.
	Chains []Chain
	Forks  []Fork
	// Unread lists lines whose kind or body this edition does not read, Waiting those that name a
	// line which is not there. Neither changes anything in the visit.
	Unread  []Unread
	Waiting []record.Event

	events []record.Event
}

// Unread is a line that this edition does not read.
type Unread struct {
	Event string
	Kind  string
	Err   error
}

// Lines returns the events of the case in their order, without those that wait.
func (c *Case) Lines() []record.Event { return slices.Clone(c.events) }

// ErrNoMethod is wrapped where a record does not hold the method that the visit followed.
var ErrNoMethod = errors.New("the record does not hold the method that the visit followed")

// Reader reads records. It keeps the methods that it has prepared, because many visits follow
// the same one. It may be used by several goroutines at once; the zero value is ready.
type Reader struct {
	mu       sync.Mutex
	machines map[[sha256.Size]byte]*visit.Machine
}

// maxMachines bounds the prepared methods that a Reader keeps.
const maxMachines = 64

// Read folds the lines of one visit, in any order. The lines must have been verified. The error
// wraps ErrNoMethod where the method is not in the record; the case then says what is known.
func (r *Reader) Read(events []record.Event) (*Case, error) { return r.ReadWith(events, nil) }

// ReadWith is Read with the method to follow where the record holds none, or to compare with the
// one that it names.
func (r *Reader) ReadWith(events []record.Event, given *method.Resolved) (*Case, error) {
	c := &Case{}
	c.events, c.Waiting = order(events)
	c.Chains, c.Forks = chains(c.events)
	bodies := make([]visit.Body, len(c.events))
	var machine *visit.Machine
	var err error
	if given != nil {
		if machine, err = visit.New(given); err != nil {
			return c, err
		}
	}
	followed := map[string]int{}
	for i := range c.events {
		e := &c.events[i]
		body := c.take(e)
		bodies[i] = body
		for _, h := range linked(*e).after {
			followed[h.String()]++
		}
		if b, ok := body.(visit.Method); ok && machine == nil {
			if machine, err = r.machine(b.Resolved); err != nil {
				return c, err
			}
		}
	}
	switch {
	case machine == nil:
		return c, ErrNoMethod
	case c.Opened.MethodHash != "" && machine.Hash != c.Opened.MethodHash:
		return c, fmt.Errorf("the visit names the method %.12s…, and this one is %.12s…: give the method that it names", c.Opened.MethodHash, machine.Hash)
	}
	c.Visit = visit.Begin(machine)
	for h, n := range followed {
		if n > 1 {
			c.Visit.Retain(h)
		}
	}
	all := make([]visit.Event, len(bodies))
	for i := range all {
		all[i] = happened(&c.events[i], bodies[i])
	}
	c.Visit.ReplayAll(all)
	return c, nil
}

// take notes what a line says of the visit as a whole, and returns its body, nil where this edition
// does not read it.
func (c *Case) take(e *record.Event) visit.Body {
	if c.ID == "" {
		c.ID, c.Nature = e.Visit, e.Nature
	}
	if !slices.Contains(c.People, e.Person) {
		c.People = append(c.People, e.Person)
	}
	body, err := visit.DecodeBody(visit.Kind(e.Kind), e.Body)
	if err != nil {
		c.Unread = append(c.Unread, Unread{Event: e.Hash.String(), Kind: e.Kind, Err: err})
		return nil
	}
	if b, ok := body.(visit.Opened); ok && c.Person == "" {
		c.Opened, c.Person = b, e.Person
	}
	return body
}

func happened(e *record.Event, body visit.Body) visit.Event {
	out := visit.Event{Hash: e.Hash.String(), Chain: e.Key.String(), Body: body, Wall: e.Wall, Mono: e.Mono, Boot: e.Boot, Person: e.Person}
	if e.Seq > 0 {
		out.Prev = e.Prev.String()
	}
	if over, ok := goesOnFrom(e); ok {
		out.Over = over.String()
	}
	return out
}

// Add folds one line more, without reading the others again. It reports false, and changes
// nothing, where that cannot be done: where the line is not the next of a visit's only chain.
func (c *Case) Add(e record.Event) bool {
	if c.Visit == nil || len(c.Chains) != 1 || len(c.Waiting)+len(c.Forks) > 0 || e.Visit != c.ID {
		return false
	}
	ch := &c.Chains[0]
	if e.Key != ch.Key || e.Seq != int64(ch.Lines) || e.Prev != ch.Head {
		return false
	}
	body := c.take(&e)
	c.Visit.Replay(happened(&e, body))
	c.events = append(c.events, e)
	ch.Lines, ch.Head, ch.Ended = ch.Lines+1, e.Hash, ch.Ended || e.Kind == record.KindEnded
	return true
}

// machine prepares a resolved method, or returns the one prepared before.
func (r *Reader) machine(resolved []byte) (*visit.Machine, error) {
	sum := sha256.Sum256(resolved)
	r.mu.Lock()
	m := r.machines[sum]
	r.mu.Unlock()
	if m != nil {
		return m, nil
	}
	decoded, err := method.DecodeResolved(resolved)
	if err != nil {
		return nil, fmt.Errorf("the method in the record: %w", err)
	}
	if m, err = visit.New(decoded); err != nil {
		return nil, fmt.Errorf("the method in the record: %w", err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.machines == nil || len(r.machines) >= maxMachines {
		r.machines = map[[sha256.Size]byte]*visit.Machine{}
	}
	r.machines[sum] = m
	return m, nil
}

// ReadFile reads the lines of a visit file. The file must have been verified; a last line that is
// cut short is left out, as verification says. given may be nil; see ReadWith.
func ReadFile(in io.Reader, given *method.Resolved) (*Case, error) {
	var events []record.Event
	err := EachLine(in, func(number int, text []byte) error {
		e, err := record.Decode(text)
		if err != nil {
			return fmt.Errorf("line %d: %w", number, err)
		}
		events = append(events, e)
		return nil
	})
	if err != nil {
		return &Case{}, err
	}
	var r Reader
	return r.ReadWith(events, given)
}

// EachLine gives every whole line of a file without its line feed, from number 1 on. The line
// is valid until each returns. A last line without a line feed is left out.
func EachLine(r io.Reader, each func(number int, line []byte) error) error {
	in := bufio.NewReaderSize(r, record.MaxLine+1)
	for number := 1; ; number++ {
		text, err := in.ReadSlice('\n')
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.Is(err, bufio.ErrBufferFull):
			return fmt.Errorf("line %d: the line is longer than %d bytes", number, record.MaxLine)
		case err != nil:
			return fmt.Errorf("line %d: %w", number, err)
		}
		if err := each(number, text[:len(text)-1]); err != nil {
			return err
		}
	}
}

// Check says whether the event would be accepted now; see [visit.Visit.Check]. It is an error to go on
// with a case that holds lines which this edition does not read.
func (c *Case) Check(e visit.Event) (*visit.Refusal, error) {
	if len(c.Unread) > 0 {
		return nil, fmt.Errorf("this visit holds a line that this edition does not read, and is not continued here: %w", c.Unread[0].Err)
	}
	return c.Visit.Check(e)
}
