// Package summary folds a visit's record into what lists and pages show of it.
package summary

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
)

// ErrNoMethod is wrapped where a record does not hold the method that its visit followed.
var ErrNoMethod = errors.New("the record does not hold the method that the visit followed")

// Case is a visit read again from its record.
type Case struct {
	ID     string
	Nature record.Nature
	Opened visit.Opened
	// Visit is the fold of the events that belong to the visit's one course.
	Visit *visit.Visit
	// Person is who opened the visit, People everybody who acted, in order of appearance.
	Person string
	People []string
	// Chains says where each device's chain stands, in order of appearance.
	Chains []Chain
	// Answers lists what was answered to the method's questions, with facts and entries left to
	// the account.
	Answers []Answer
	// Unread lists lines whose kind or body this edition does not read.
	Unread []Unread
	// Aside counts lines that are in another version of a chain, and therefore in no fold.
	Aside int
}

// Chain is one device's chain of the visit.
type Chain struct {
	Key   record.Key
	Lines int
	Head  record.Hash
	Ended bool
}

// Answer is what was answered to one question, as it stands after corrections.
type Answer struct {
	Event string
	At    time.Time
	Step  string
	Phase string
	Say   string
	Value string
	Note  string
	// Withdrawn says that it was taken back and nothing put in its place.
	Withdrawn bool
}

// Unread is a line that this edition does not read. It changes nothing in the visit.
type Unread struct {
	Event string
	Kind  string
	Why   string
}

// Reader reads records. It keeps the methods that it has prepared, because many visits follow
// the same one. It may be used by several goroutines at once; the zero value is ready.
type Reader struct {
	mu       sync.Mutex
	machines map[[sha256.Size]byte]*visit.Machine
}

// maxMachines bounds the prepared methods that a Reader keeps.
const maxMachines = 64

// Read folds the events of one visit. They may come in any order that keeps each chain's own;
// they are put into the order in which they can have happened. The lines must have been
// verified. The error wraps ErrNoMethod where the method is not in the record.
func (r *Reader) Read(events []record.Event) (*Case, error) {
	c := &Case{}
	var ordered []record.Event
	ordered, c.Chains, c.Aside = order(events)
	var kept []visit.Event
	var machine *visit.Machine
	for _, e := range ordered {
		if c.ID == "" {
			c.ID, c.Nature = e.Visit, e.Nature
		}
		if !slices.Contains(c.People, e.Person) {
			c.People = append(c.People, e.Person)
		}
		body, err := visit.DecodeBody(visit.Kind(e.Kind), e.Body)
		if err != nil {
			c.Unread = append(c.Unread, Unread{Event: e.Hash.String(), Kind: e.Kind, Why: err.Error()})
			continue
		}
		switch b := body.(type) {
		case visit.Opened:
			if c.Person == "" {
				c.Opened, c.Person = b, e.Person
			}
		case visit.Method:
			if machine == nil {
				if machine, err = r.machine(b.Resolved); err != nil {
					return c, err
				}
			}
		}
		kept = append(kept, visit.Event{Hash: e.Hash.String(), Body: body, Wall: e.Wall, Mono: e.Mono, Boot: e.Boot, Person: e.Person})
	}
	if machine == nil {
		return c, ErrNoMethod
	}
	if c.Opened.MethodHash != "" && machine.Hash != c.Opened.MethodHash {
		return c, fmt.Errorf("the visit names the method %.12s…, and the one in the record is %.12s…", c.Opened.MethodHash, machine.Hash)
	}
	c.Visit = visit.Fold(machine, kept)
	c.Answers = answers(c.Visit, kept)
	return c, nil
}

// answers gathers the answers that the fold accepted.
func answers(v *visit.Visit, events []visit.Event) []Answer {
	refused := map[string]bool{}
	for _, d := range v.Account().Discrepancies {
		refused[d.Event] = true
	}
	at := map[string]int{}
	var list []Answer
	for _, e := range events {
		if refused[e.Hash] {
			continue
		}
		a := Answer{Event: e.Hash, At: e.Wall}
		switch b := e.Body.(type) {
		case visit.Inspected:
			a.Step, a.Value, a.Note = b.Step, b.Answer, b.Note
		case visit.Decided:
			a.Step, a.Value = b.Step, b.Value
		case visit.Corrected:
			if i, ok := at[b.Event]; ok {
				list[i].Value, list[i].Withdrawn = b.Now, b.Now == ""
			}
			continue
		default:
			continue
		}
		if s, _ := v.Machine().Method.Step(a.Step); s != nil {
			a.Phase, a.Say = s.Phase, s.Say
		}
		at[e.Hash] = len(list)
		list = append(list, a)
	}
	return list
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
