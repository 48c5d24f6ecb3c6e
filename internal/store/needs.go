package store

import (
	"context"
	"database/sql"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"slices"
	"time"
)

// A Need is one reason why a visit needs somebody, as a Projector found it.
type Need struct {
	// Key is the same for the same reason, and another for a new one.
	Key   string
	Since time.Time
	// Wakes is when it begins to need somebody; the zero time where it does at once, whatever the
	// clock of the device said.
	Wakes time.Time
	// Danger says that somebody may be hurt.
	Danger bool
}

// saveNeeds puts what a visit needs in the place of what it needed, without what was taken.
func saveNeeds(ctx context.Context, tx *sql.Tx, visit string, list []Need) error {
	if err := exec(ctx, tx, `DELETE FROM needs WHERE visit = $1`, visit); err != nil {
		return err
	}
	for _, n := range list {
		if err := exec(ctx, tx, `INSERT INTO needs (visit, need, danger, since, wakes)
			SELECT $1, $2, $3, $4, $5 WHERE NOT EXISTS (SELECT 1 FROM taken WHERE visit = $1 AND need = $2)
			ON CONFLICT (visit, need) DO NOTHING`, visit, n.Key, n.Danger, micros(n.Since), micros(n.Wakes)); err != nil {
			return fmt.Errorf("need %q: %w", n.Key, err)
		}
	}
	return nil
}

// A Waiter is a visit that needs somebody.
type Waiter struct {
	Summary
	// Open holds the keys of what it needs and nobody has taken, oldest first.
	Open []string
}

// Waiting lists the visits that need somebody at a time, over all visits: those in which somebody may
// be hurt first, then the oldest first. It leaves out the first skip and gives at most limit; all is
// how many there are.
func (s *Store) Waiting(ctx context.Context, at time.Time, skip, limit int) (list []Waiter, all int, err error) {
	now := micros(at)
	fail := func(err error) ([]Waiter, int, error) { return nil, 0, s.while(err, "what needs somebody") }
	if err := s.db.Read.QueryRowContext(ctx, `SELECT count(DISTINCT visit) FROM needs WHERE wakes <= $1`, now).Scan(&all); err != nil {
		return fail(err)
	}
	known := map[string]bool{}
	var visits []string
	err = rows(ctx, s.db.Read, func(r *sql.Rows) error {
		var visit string
		if err := r.Scan(&visit); err != nil || known[visit] {
			return err
		}
		if len(known) == skip+limit {
			return errPortion
		}
		known[visit] = true
		if len(known) > skip {
			visits = append(visits, visit)
		}
		return nil
	}, `SELECT visit FROM needs WHERE wakes <= $1 ORDER BY danger DESC, since, visit`, now)
	if err != nil && !errors.Is(err, errPortion) {
		return fail(err)
	}
	for _, v := range visits {
		w := Waiter{}
		if w.Summary, err = s.Visit(ctx, v); err != nil {
			return fail(err)
		}
		if w.Open, err = s.Open(ctx, v, at); err != nil {
			return fail(err)
		}
		list = append(list, w)
	}
	return list, all, nil
}

// Open returns the keys of what one visit needs at a time and nobody has taken, oldest first.
func (s *Store) Open(ctx context.Context, visit string, at time.Time) ([]string, error) {
	keys, err := open(ctx, s.db.Read, visit, at)
	return keys, s.while(err, "what visit %s needs", visit)
}

func open(ctx context.Context, q querier, visit string, at time.Time) ([]string, error) {
	return collect(ctx, q, only[string], `SELECT need FROM needs WHERE visit = $1 AND wakes <= $2 ORDER BY since, need`, visit, micros(at))
}

// A Taking says who took one need of a visit, and what was done.
type Taking struct {
	Visit string
	Need  string
	// What is the need as it was when it was taken, a JSON object.
	What   jsontext.Value
	Person string
	Words  string

	// The following are set by the store.

	Number int64
	At     time.Time
}

// Take records what a person took at a time, all or none, and returns how many of them still waited at the time:
// what does not wait, or was taken by somebody else meanwhile, is left as it is. The error wraps
// ErrNotFound if the person is unknown or withdrawn.
func (s *Store) Take(ctx context.Context, at time.Time, list ...Taking) (n int, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var last int64
		if err := tx.QueryRowContext(ctx, `SELECT COALESCE(max(number), 0) FROM taken`).Scan(&last); err != nil {
			return err
		}
		for _, t := range list {
			if t.Words == "" {
				return errors.New("words are missing: say what was done")
			}
			if err := active(ctx, tx, t.Person); err != nil {
				return err
			}
			keys, err := open(ctx, tx, t.Visit, at)
			if err != nil {
				return err
			}
			if !slices.Contains(keys, t.Need) {
				continue
			}
			n++
			if err := exec(ctx, tx, `INSERT INTO taken (number, visit, need, what, person, words, at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
				last+int64(n), t.Visit, t.Need, string(t.What), t.Person, t.Words, micros(at)); err != nil {
				return err
			}
			if err := exec(ctx, tx, `DELETE FROM needs WHERE visit = $1 AND need = $2`, t.Visit, t.Need); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return 0, s.while(err, "take what a visit needs")
	}
	return n, nil
}

// Taken lists what was taken, newest first: of one visit, or of all where visit is empty; at most limit.
func (s *Store) Taken(ctx context.Context, visit string, limit int) ([]Taking, error) {
	which, args := "", []any{}
	if visit != "" {
		which, args = "WHERE visit = $1", append(args, visit)
	}
	all, err := collect(ctx, s.db.Read, func(r *sql.Rows, t *Taking) error {
		return r.Scan(&t.Number, &t.Visit, &t.Need, (*[]byte)(&t.What), &t.Person, &t.Words, when{&t.At})
	}, `SELECT number, visit, need, what, person, words, at FROM taken `+which+fmt.Sprintf(` ORDER BY number DESC LIMIT %d`, limit), args...)
	return all, s.while(err, "what was taken")
}
