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
	err := s.exec(ctx, `INSERT INTO people (person, name, added, withdrawn) VALUES ($1, $2, $3, 0)
		ON CONFLICT (person) DO UPDATE SET name = excluded.name`, id, name, micros(s.opts.Now()))
	return s.while(err, "put person %s", id)
}

// WithdrawPerson withdraws a person and all of the person's keys. The earlier time stays if
// that has happened before.
func (s *Store) WithdrawPerson(ctx context.Context, id string) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		now := micros(s.opts.Now())
		if err := change(ctx, tx, `UPDATE people SET withdrawn = CASE WHEN withdrawn = 0 THEN $1 ELSE withdrawn END WHERE person = $2`, now, id); err != nil {
			return err
		}
		return exec(ctx, tx, `UPDATE device_keys SET withdrawn = $1 WHERE person = $2 AND withdrawn = 0`, now, id)
	})
	return s.while(err, "withdraw person %s", id)
}

// change runs a statement that changes something, or the error wraps ErrNotFound.
func change(ctx context.Context, tx *sql.Tx, statement string, args ...any) error {
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
	all, err := collect(ctx, s.db.Read, func(r *sql.Rows, p *Person) error {
		return r.Scan(&p.ID, &p.Name, when{&p.Added}, when{&p.Withdrawn})
	}, `SELECT person, name, added, withdrawn FROM people ORDER BY person`)
	return all, s.while(err, "people")
}

// active refuses who is unknown or withdrawn.
func active(ctx context.Context, tx *sql.Tx, person string) error {
	var n int
	err := tx.QueryRowContext(ctx, `SELECT count(*) FROM people WHERE person = $1 AND withdrawn = 0`, person).Scan(&n)
	if err == nil && n == 0 {
		err = fmt.Errorf("person %q is unknown or withdrawn: %w", person, ErrNotFound)
	}
	return err
}

// PutKey ties a device key to a person. Doing so again changes nothing but the device's
// name. The error wraps ErrConflict if the key is another person's or was withdrawn, since a
// key never changes hands, and ErrNotFound if there is no such person.
func (s *Store) PutKey(ctx context.Context, key record.Key, person, device string) error {
	if err := key.Check(); err != nil {
		return fmt.Errorf("put device key: %w", err)
	}
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := active(ctx, tx, person); err != nil {
			return err
		}
		if err := exec(ctx, tx, `INSERT INTO device_keys (device_key, person, device, added, withdrawn) VALUES ($1, $2, $3, $4, 0) ON CONFLICT (device_key) DO NOTHING`,
			key[:], person, device, micros(s.opts.Now())); err != nil {
			return err
		}
		err := change(ctx, tx, `UPDATE device_keys SET device = $1 WHERE device_key = $2 AND person = $3 AND withdrawn = 0`, device, key[:], person)
		if errors.Is(err, ErrNotFound) {
			err = fmt.Errorf("the key is another person's or withdrawn: give the device a new key: %w", ErrConflict)
		}
		return err
	})
	return s.while(err, "put device key %s", key)
}

// WithdrawKey withdraws a key, after a device is lost for example. The earlier time stays if
// that has happened before. Lines under the key stay, and whether further ones are let in is
// for the caller of Submit to decide.
func (s *Store) WithdrawKey(ctx context.Context, key record.Key) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return change(ctx, tx, `UPDATE device_keys SET withdrawn = CASE WHEN withdrawn = 0 THEN $1 ELSE withdrawn END WHERE device_key = $2`, micros(s.opts.Now()), key[:])
	})
	return s.while(err, "withdraw device key %s", key)
}

// Key returns what is known of a device key. The error wraps ErrNotFound if nothing is.
func (s *Store) Key(ctx context.Context, key record.Key) (DeviceKey, error) {
	all, err := s.keys(ctx, `WHERE device_key = $1`, key[:])
	k, err := first(all, err)
	return k, s.while(err, "device key %s", key)
}

// Keys lists all device keys by person, then by time.
func (s *Store) Keys(ctx context.Context) ([]DeviceKey, error) {
	all, err := s.keys(ctx, `ORDER BY person, added, device_key`)
	return all, s.while(err, "device keys")
}

func (s *Store) keys(ctx context.Context, which string, args ...any) ([]DeviceKey, error) {
	return collect(ctx, s.db.Read, func(r *sql.Rows, k *DeviceKey) error {
		return r.Scan(fixed(k.Key[:]), &k.Person, &k.Device, when{&k.Added}, when{&k.Withdrawn})
	}, `SELECT device_key, person, device, added, withdrawn FROM device_keys `+which, args...)
}
