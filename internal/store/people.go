package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"meterwright/record"
)

// A Person may act in records. The identifier stands in them, the name only here.
type Person struct {
	ID        string
	Name      string
	Added     time.Time // set by the store
	Withdrawn time.Time // zero while the person is active
}

// A DeviceKey is a key that the store's keeper has tied to a person and a device.
type DeviceKey struct {
	Key       record.Key
	Person    string // identifier
	Device    string // free text
	Added     time.Time
	Withdrawn time.Time // zero while the key is in use
}

// PutPerson adds a person, or gives one another name.
func (s *Store) PutPerson(ctx context.Context, id, name string) error {
	if id == "" || name == "" {
		return errors.New("put person: identifier and name are needed")
	}
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO people (person, name, added, withdrawn) VALUES ($1, $2, $3, 0)
			ON CONFLICT (person) DO UPDATE SET name = excluded.name`, id, name, micros(s.opts.Now()))
		return err
	})
	if err != nil {
		return fmt.Errorf("put person %s: %w", id, err)
	}
	return nil
}

// WithdrawPerson withdraws a person and all of the person's keys. The earlier time stays if
// that has happened before.
func (s *Store) WithdrawPerson(ctx context.Context, id string) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		now := micros(s.opts.Now())
		if err := withdraw(ctx, tx, `UPDATE people SET withdrawn = CASE WHEN withdrawn = 0 THEN $1 ELSE withdrawn END WHERE person = $2`, now, id); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE device_keys SET withdrawn = $1 WHERE person = $2 AND withdrawn = 0`, now, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("withdraw person %s: %w", id, err)
	}
	return nil
}

func withdraw(ctx context.Context, tx *sql.Tx, statement string, args ...any) error {
	result, err := tx.ExecContext(ctx, statement, args...)
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n == 0 {
		return errors.Join(err, ErrNotFound)
	}
	return nil
}

// People lists all persons by identifier, the withdrawn ones too.
func (s *Store) People(ctx context.Context) ([]Person, error) {
	var all []Person
	err := rows(ctx, s.db.Read, func(r *sql.Rows) error {
		var p Person
		var added, withdrawn int64
		err := r.Scan(&p.ID, &p.Name, &added, &withdrawn)
		p.Added, p.Withdrawn = instant(added), instant(withdrawn)
		all = append(all, p)
		return err
	}, `SELECT person, name, added, withdrawn FROM people ORDER BY person`)
	if err != nil {
		return nil, s.explain(fmt.Errorf("people: %w", err))
	}
	return all, nil
}

// PutKey ties a device key to a person. Doing so again changes nothing but the device's
// name. The error wraps ErrConflict if the key is another person's or was withdrawn, since a
// key never changes hands, and ErrNotFound if there is no such person.
func (s *Store) PutKey(ctx context.Context, key record.Key, person, device string) error {
	if err := key.Check(); err != nil {
		return fmt.Errorf("put device key: %w", err)
	}
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM people WHERE person = $1 AND withdrawn = 0`, person).Scan(&n); err != nil {
			return err
		}
		if n == 0 {
			return fmt.Errorf("person %q is unknown or withdrawn: %w", person, ErrNotFound)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO device_keys (device_key, person, device, added, withdrawn) VALUES ($1, $2, $3, $4, 0) ON CONFLICT (device_key) DO NOTHING`,
			key[:], person, device, micros(s.opts.Now())); err != nil {
			return err
		}
		result, err := tx.ExecContext(ctx, `UPDATE device_keys SET device = $1 WHERE device_key = $2 AND person = $3 AND withdrawn = 0`, device, key[:], person)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("the key is another person's or withdrawn: give the device a new key: %w", ErrConflict))
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("put device key %s: %w", key, err)
	}
	return nil
}

// WithdrawKey withdraws a key, after a device is lost for example. The earlier time stays if
// that has happened before. Lines under the key stay, and whether further ones are let in is
// for the caller of Submit to decide.
func (s *Store) WithdrawKey(ctx context.Context, key record.Key) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return withdraw(ctx, tx, `UPDATE device_keys SET withdrawn = CASE WHEN withdrawn = 0 THEN $1 ELSE withdrawn END WHERE device_key = $2`, micros(s.opts.Now()), key[:])
	})
	if err != nil {
		return fmt.Errorf("withdraw device key %s: %w", key, err)
	}
	return nil
}

// Key returns what is known of a device key. The error wraps ErrNotFound if nothing is.
func (s *Store) Key(ctx context.Context, key record.Key) (DeviceKey, error) {
	all, err := s.keys(ctx, `SELECT device_key, person, device, added, withdrawn FROM device_keys WHERE device_key = $1`, key[:])
	if err == nil && len(all) == 0 {
		err = ErrNotFound
	}
	if err != nil {
		return DeviceKey{}, fmt.Errorf("device key %s: %w", key, err)
	}
	return all[0], nil
}

// Keys lists all device keys by person, then by time.
func (s *Store) Keys(ctx context.Context) ([]DeviceKey, error) {
	all, err := s.keys(ctx, `SELECT device_key, person, device, added, withdrawn FROM device_keys ORDER BY person, added, device_key`)
	if err != nil {
		return nil, fmt.Errorf("device keys: %w", err)
	}
	return all, nil
}

func (s *Store) keys(ctx context.Context, query string, args ...any) ([]DeviceKey, error) {
	var all []DeviceKey
	err := rows(ctx, s.db.Read, func(r *sql.Rows) error {
		var k DeviceKey
		var key []byte
		var added, withdrawn int64
		err := r.Scan(&key, &k.Person, &k.Device, &added, &withdrawn)
		copy(k.Key[:], key)
		k.Added, k.Withdrawn = instant(added), instant(withdrawn)
		all = append(all, k)
		return err
	}, query, args...)
	return all, s.explain(err)
}
