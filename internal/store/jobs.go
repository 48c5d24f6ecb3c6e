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

// A Job is work to be done, as another system of the employer's gave it.
type Job struct {
	Reference string         // the other system's, unique
	Body      jsontext.Value // a JSON object
	Batch     string         // names the import that wrote Body last
	Added     time.Time
	Changed   time.Time // when Body changed last; Added at first
}

// An ImportCount says what an import did.
type ImportCount struct{ New, Changed, Same int }

// ImportJobs takes jobs over, all or none. A reference that is known is brought up to date if
// its body says something else; spacing, order of fields and the writing of strings count for
// nothing, digits do. So an import can be repeated. Of each job only Reference and Body are
// read. An error says which row, from 1.
func (s *Store) ImportJobs(ctx context.Context, batch string, jobs []Job) (ImportCount, error) {
	var count ImportCount
	fail := func(err error) (ImportCount, error) {
		return ImportCount{}, s.explain(fmt.Errorf("import jobs %q: %w", batch, err))
	}
	if batch == "" {
		return fail(errors.New("the import needs a name"))
	}
	seen := map[string]int{}
	bodies := make([]string, len(jobs))
	for i, j := range jobs {
		if j.Reference == "" {
			return fail(fmt.Errorf("row %d has no reference", i+1))
		}
		if first, twice := seen[j.Reference]; twice {
			return fail(fmt.Errorf("rows %d and %d both have the reference %q: leave one out", first+1, i+1, j.Reference))
		}
		seen[j.Reference] = i
		body, err := uniform(j.Body)
		if err != nil {
			return fail(fmt.Errorf("row %d, reference %q: %w", i+1, j.Reference, err))
		}
		bodies[i] = body
	}
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		now := micros(s.opts.Now())
		for i, j := range jobs {
			var kept string
			err := tx.QueryRowContext(ctx, `SELECT body FROM jobs WHERE reference = $1`, j.Reference).Scan(&kept)
			switch {
			case errors.Is(err, sql.ErrNoRows):
				count.New++
				_, err = tx.ExecContext(ctx, `INSERT INTO jobs (reference, body, batch, added, changed) VALUES ($1, $2, $3, $4, $4)`, j.Reference, bodies[i], batch, now)
			case err == nil && kept == bodies[i]:
				count.Same++
			case err == nil:
				count.Changed++
				_, err = tx.ExecContext(ctx, `UPDATE jobs SET body = $1, batch = $2, changed = $3 WHERE reference = $4`, bodies[i], batch, now, j.Reference)
			}
			if err != nil {
				return fmt.Errorf("row %d, reference %q: %w", i+1, j.Reference, err)
			}
		}
		return nil
	})
	if err != nil {
		return fail(err)
	}
	return count, nil
}

// uniform writes a JSON object in one form, every digit as it was.
func uniform(body jsontext.Value) (string, error) {
	v := slices.Clone(body)
	if v.Kind() != '{' {
		return "", errors.New("the body must be a JSON object")
	}
	err := v.Format(jsontext.ReorderRawObjects(true), jsontext.CanonicalizeRawInts(false), jsontext.CanonicalizeRawFloats(false))
	if err != nil {
		return "", fmt.Errorf("the body must be a JSON object: %w", err)
	}
	return string(v), nil
}

// Job returns one job. The error wraps ErrNotFound if there is none.
func (s *Store) Job(ctx context.Context, reference string) (Job, error) {
	all, err := s.jobs(ctx, `SELECT reference, body, batch, added, changed FROM jobs WHERE reference = $1`, reference)
	if err == nil && len(all) == 0 {
		err = ErrNotFound
	}
	if err != nil {
		return Job{}, fmt.Errorf("job %q: %w", reference, err)
	}
	return all[0], nil
}

// Jobs lists up to limit jobs with references after the given one, in order of reference,
// byte by byte.
func (s *Store) Jobs(ctx context.Context, after string, limit int) ([]Job, error) {
	all, err := s.jobs(ctx, `SELECT reference, body, batch, added, changed FROM jobs WHERE reference > $1 ORDER BY reference LIMIT $2`, after, limit)
	if err != nil {
		return nil, fmt.Errorf("jobs after %q: %w", after, err)
	}
	return all, nil
}

func (s *Store) jobs(ctx context.Context, query string, args ...any) ([]Job, error) {
	var all []Job
	err := rows(ctx, s.db.Read, func(r *sql.Rows) error {
		var j Job
		var body string
		var added, changed int64
		err := r.Scan(&j.Reference, &body, &j.Batch, &added, &changed)
		j.Body, j.Added, j.Changed = jsontext.Value(body), instant(added), instant(changed)
		all = append(all, j)
		return err
	}, query, args...)
	return all, s.explain(err)
}
