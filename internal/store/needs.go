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
	if _, err := tx.ExecContext(ctx, `DELETE FROM needs WHERE visit = $1`, visit); err != nil {
		return err
	}
	for _, n := range list {
		if _, err := tx.ExecContext(ctx, `INSERT INTO needs (visit, need, danger, since, wakes)
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
	fail := func(err error) ([]Waiter, int, error) {
		return nil, 0, s.explain(fmt.Errorf("what needs somebody: %w", err))
	}
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
	if err != nil {
		return nil, s.explain(fmt.Errorf("what visit %s needs: %w", visit, err))
	}
	return keys, nil
}

func open(ctx context.Context, q querier, visit string, at time.Time) (keys []string, err error) {
	err = rows(ctx, q, func(r *sql.Rows) error {
		var key string
		err := r.Scan(&key)
		keys = append(keys, key)
		return err
	}, `SELECT need FROM needs WHERE visit = $1 AND wakes <= $2 ORDER BY since, need`, visit, micros(at))
	return keys, err
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
			var active int
			if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM people WHERE person = $1 AND withdrawn = 0`, t.Person).Scan(&active); err != nil {
				return err
			}
			if active == 0 {
				return fmt.Errorf("person %q is unknown or withdrawn: %w", t.Person, ErrNotFound)
			}
			keys, err := open(ctx, tx, t.Visit, at)
			if err != nil {
				return err
			}
			if !slices.Contains(keys, t.Need) {
				continue
			}
			n++
			if _, err := tx.ExecContext(ctx, `INSERT INTO taken (number, visit, need, what, person, words, at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
				last+int64(n), t.Visit, t.Need, string(t.What), t.Person, t.Words, micros(at)); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, `DELETE FROM needs WHERE visit = $1 AND need = $2`, t.Visit, t.Need); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("take what a visit needs: %w", err)
	}
	return n, nil
}

// Taken lists what was taken, newest first: of one visit, or of all where visit is empty; at most limit.
func (s *Store) Taken(ctx context.Context, visit string, limit int) ([]Taking, error) {
	query, args := `SELECT number, visit, need, what, person, words, at FROM taken`, []any{}
	if visit != "" {
		query, args = query+` WHERE visit = $1`, append(args, visit)
	}
	var all []Taking
	err := rows(ctx, s.db.Read, func(r *sql.Rows) error {
		var t Taking
		var what string
		var at int64
		err := r.Scan(&t.Number, &t.Visit, &t.Need, &what, &t.Person, &t.Words, &at)
		t.What, t.At = jsontext.Value(what), instant(at)
		all = append(all, t)
		return err
	}, fmt.Sprintf(`%s ORDER BY number DESC LIMIT %d`, query, limit), args...)
	if err != nil {
		return nil, s.explain(fmt.Errorf("what was taken: %w", err))
	}
	return all, nil
}
