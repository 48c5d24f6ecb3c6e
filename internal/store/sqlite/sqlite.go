// Package sqlite opens a store in one SQLite file.
//
// A commit is durable: the database runs with a write-ahead log and synchronous=FULL, which
// syncs the log at every commit. With NORMAL, the usual advice for this log, a power cut
// loses the last commits, and with them lines that a device was told to be kept and has
// perhaps deleted. Before SQLite 3.51.3 a race when the log is begun anew could corrupt the
// database (https://www.sqlite.org/wal.html, "the WAL-reset bug"); Open refuses older ones.
//
// One process has the store open at a time. It holds an exclusive lock on a second, empty
// database beside the first, taken by SQLite itself, so that it works alike on all systems and
// ends with the process.
package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"github.com/pressly/goose/v3"
	"golang.org/x/mod/semver"
	_ "modernc.org/sqlite" // the driver "sqlite"
	driver "modernc.org/sqlite"

	"meterwright/internal/private"
	"meterwright/internal/store"
)

// Names within a store's folder.
const (
	DatabaseName    = "office.db"
	AttachmentsName = "attachments"
	lockName        = "office.lock"
	givenName       = "office.given"
)

// oldest is the first version of SQLite whose write-ahead log can be trusted.
const oldest = "v3.51.3"

//go:embed migrations/*.sql
var migrations embed.FS

// Open opens the store in a folder, which is made if it is missing, and brings its tables to
// the present edition. Errors wrap store.ErrLocked if another process has it, store.ErrNewer
// if a newer program made it, and store.ErrDamaged if its database cannot be read.
func Open(ctx context.Context, dir string, opts store.Options) (*store.Store, error) {
	s, err := open(ctx, dir, opts)
	if err != nil {
		return nil, fmt.Errorf("open the store in %s: %w", dir, err)
	}
	return s, nil
}

func open(ctx context.Context, dir string, opts store.Options) (s *store.Store, err error) {
	var undo []func() error
	defer func() {
		if err == nil {
			return
		}
		for i := len(undo) - 1; i >= 0; i-- {
			err = errors.Join(err, undo[i]())
		}
	}()
	dir, err = filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	if err := writable(dir); err != nil {
		return nil, err
	}
	lock, err := lockFolder(ctx, filepath.Join(dir, lockName))
	if err != nil {
		return nil, err
	}
	undo = append(undo, lock.Close)

	file := filepath.Join(dir, DatabaseName)
	explain := explainer(file)
	writes, err := sql.Open("sqlite", dsn(file, "_txlock=immediate"))
	if err != nil {
		return nil, explain(err)
	}
	undo = append(undo, writes.Close)
	writes.SetMaxOpenConns(1)
	if err := bring(ctx, writes); err != nil {
		return nil, explain(err)
	}
	reads, err := sql.Open("sqlite", dsn(file, "_query_only=1"))
	if err != nil {
		return nil, explain(err)
	}
	undo = append(undo, reads.Close)
	readers := 2 * runtime.GOMAXPROCS(0)
	reads.SetMaxOpenConns(readers)
	reads.SetMaxIdleConns(readers)

	given, last, err := openGiven(filepath.Join(dir, givenName))
	if err != nil {
		return nil, err
	}
	undo = append(undo, given.Close)
	note := func(n int64) error {
		if n <= last {
			return nil
		}
		last = n
		_, err := given.WriteAt(fmt.Appendf(nil, "%020d\n", n), 0)
		return err
	}
	files, err := os.OpenRoot(filepath.Join(dir, AttachmentsName))
	if err != nil {
		return nil, err
	}
	undo = append(undo, files.Close)
	db := store.Database{Write: writes, Read: reads, Explain: explain, Given: last, Note: note, Concerns: concerns(dir), Close: func() error {
		return errors.Join(reads.Close(), writes.Close(), given.Close(), lock.Close())
	}}
	return store.New(ctx, db, files, opts)
}

// dsn is the address of a database file with the settings of every connection.
func dsn(file string, more ...string) string {
	settings := append([]string{
		"_busy_timeout=10000", // for the moments when a reader begins and the log is begun anew
		"_journal_mode=WAL",
		"_synchronous=FULL",
		"_foreign_keys=1",
		"_pragma=fullfsync(1)", // macOS: through the drive's cache too
		"_defensive=1",
		"_dqs=0",
		"_error_rc=1",
	}, more...)
	return address(file) + "?" + strings.Join(settings, "&")
}

// address writes a file name so that no character of it is taken for a setting.
func address(file string) string {
	slashed := filepath.ToSlash(file)
	if !strings.HasPrefix(slashed, "/") { // a drive letter
		slashed = "/" + slashed
	}
	return (&url.URL{Scheme: "file", Path: slashed}).String()
}

// writable makes the folder and tries to write in it, for an error that says so. What is kept
// there is its owner's alone: SQLite gives the files beside the database the database's mode.
func writable(dir string) error {
	if err := os.MkdirAll(filepath.Join(dir, AttachmentsName), 0o700); err != nil {
		return fmt.Errorf("the folder cannot be made: give another one, or the right to write there: %w", err)
	}
	for _, name := range []string{DatabaseName, lockName} {
		f, err := os.OpenFile(filepath.Join(dir, name), os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return fmt.Errorf("the folder is not writable: give this user the right to write there: %w", err)
		}
		if err := f.Close(); err != nil {
			return err
		}
	}
	// The names of the folder and of what is in it must be as durable as the lines will be.
	return errors.Join(private.Sync(dir), private.Sync(filepath.Dir(dir)))
}

// concerns takes the rights of others from all that the store keeps, and says where they have
// some that were not taken.
func concerns(dir string) []error {
	found := []error{private.Shared(dir)}
	for _, name := range []string{AttachmentsName, DatabaseName, DatabaseName + "-wal", DatabaseName + "-shm", lockName, givenName} {
		found = append(found, private.Close(filepath.Join(dir, name)))
	}
	return slices.DeleteFunc(found, func(err error) bool { return err == nil })
}

// openGiven opens the file in which the greatest acceptance number stands that was given out,
// and reads it. It is no more than a note, never synced: it tells a database that lost its last
// lines, with its log or to an old copy, from one that never had them.
func openGiven(name string) (*os.File, int64, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, 0, err
	}
	var b [20]byte
	if _, err := f.ReadAt(b[:], 0); err != nil && err != io.EOF {
		return nil, 0, errors.Join(err, f.Close())
	}
	last, _ := strconv.ParseInt(string(b[:]), 10, 64) // Nothing, or nonsense, says nothing.
	return f, last, nil
}

// lockFolder takes the lock and returns what holds it.
func lockFolder(ctx context.Context, file string) (*sql.DB, error) {
	db, err := sql.Open("sqlite", address(file)+"?_busy_timeout=0&_journal_mode=MEMORY&_pragma=locking_mode(EXCLUSIVE)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	// In this mode the lock stays after the transaction, until the connection is closed.
	if _, err := db.ExecContext(ctx, "BEGIN EXCLUSIVE; COMMIT"); err != nil {
		if codeOf(err) == busy {
			err = fmt.Errorf("%w: one process at a time writes a store: stop the other one, or use what it serves", store.ErrLocked)
		} else {
			err = fmt.Errorf("take the lock %s: %w", file, err)
		}
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// bring checks the database and brings its tables to the present edition.
func bring(ctx context.Context, db *sql.DB) error {
	var version, mode string
	var synchronous int
	if err := db.QueryRowContext(ctx, `SELECT sqlite_version()`).Scan(&version); err != nil {
		return err
	}
	if err := recentEnough(version); err != nil {
		return err
	}
	if err := db.QueryRowContext(ctx, `PRAGMA journal_mode`).Scan(&mode); err != nil {
		return err
	}
	if err := db.QueryRowContext(ctx, `PRAGMA synchronous`).Scan(&synchronous); err != nil {
		return err
	}
	if mode != "wal" || synchronous != 2 {
		return fmt.Errorf("the database runs with journal_mode %q and synchronous %d, not \"wal\" and 2: put the folder on a local disk", mode, synchronous)
	}
	if err := ours(ctx, db); err != nil {
		return err
	}
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, sub, goose.WithTableName("editions"), goose.WithDisableGlobalRegistry(true), goose.WithLogger(goose.NopLogger()))
	if err != nil {
		return err
	}
	present, known, err := p.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("edition of the tables: %w", err)
	}
	if present > known {
		return fmt.Errorf("%w: its tables are of edition %d, this program knows up to %d: use the newer program, or a backup from before", store.ErrNewer, present, known)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("bring the tables from edition %d to %d: %w", present, known, err)
	}
	return nil
}

// applicationID marks the file as ours: "mwof" in ASCII.
const applicationID = 0x6d776f66

// ours refuses a database that some other program made, and marks a new one.
func ours(ctx context.Context, db *sql.DB) error {
	var id int64
	var tables int
	if err := db.QueryRowContext(ctx, `PRAGMA application_id`).Scan(&id); err != nil {
		return err
	}
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema`).Scan(&tables); err != nil {
		return err
	}
	switch {
	case id == 0 && tables == 0:
	case id != applicationID:
		return fmt.Errorf("%w: it has %d tables and the mark %#x of another program: give another folder", store.ErrDamaged, tables, id)
	case tables == 0:
		return nil
	default:
		// The library for migrations takes a table that it cannot read for one that is not
		// there, tries for seconds to make it, and says nothing of damage.
		var edition sql.NullInt64
		return db.QueryRowContext(ctx, `SELECT max(version_id) FROM editions`).Scan(&edition)
	}
	_, err := db.ExecContext(ctx, `PRAGMA application_id = `+strconv.Itoa(applicationID))
	return err
}

func recentEnough(version string) error {
	switch {
	case !semver.IsValid("v" + version):
		return fmt.Errorf("SQLite calls itself %q, which is no version number", version)
	case semver.Compare("v"+version, oldest) < 0:
		return fmt.Errorf("SQLite %s is too old: its write-ahead log can be corrupted; build with %s or newer", version, oldest[1:])
	}
	return nil
}

// Primary result codes of SQLite (https://www.sqlite.org/rescode.html).
const (
	busy     = 5
	readOnly = 8
	ioError  = 10
	corrupt  = 11
	full     = 13
	cantOpen = 14
	protocol = 15
	notADB   = 26
)

// codeOf returns the primary result code of an error, 0 if it is none of SQLite's.
func codeOf(err error) int {
	if e, ok := errors.AsType[*driver.Error](err); ok {
		return e.Code() & 0xff
	}
	return 0
}

// explained is an error with advice.
type explained struct {
	advice string
	kind   error // an error of package store that callers branch on, or nil
	err    error
}

func (e *explained) Error() string { return e.advice + ": " + e.err.Error() }

func (e *explained) Unwrap() []error {
	if e.kind == nil {
		return []error{e.err}
	}
	return []error{e.kind, e.err}
}

// explainer says what can be done about errors of the database file.
func explainer(file string) func(error) error {
	return func(err error) error {
		if _, done := errors.AsType[*explained](err); done {
			return err
		}
		code := codeOf(err)
		if (code == ioError || code == cantOpen) && noRoom(filepath.Dir(file)) {
			code = full // SQLite has no word for a used-up quota, or for no room for a new file.
		}
		switch code {
		case corrupt, notADB:
			return &explained{file + " is damaged or no database: stop the program, keep the file and those beside it aside, and bring back a backup; devices then hand in again what is missing", store.ErrDamaged, err}
		case full:
			return &explained{"the disk of " + file + " is full and nothing was kept: make room and try again", store.ErrFull, err}
		case ioError:
			return &explained{"the disk of " + file + " failed and nothing was kept: look at the disk and try again", nil, err}
		case readOnly, cantOpen:
			return &explained{file + " cannot be opened for writing: give this user the right to write it and its folder", nil, err}
		case protocol:
			return &explained{"a lock on " + file + " was not given back: start the program again, and keep the folder on a local disk", nil, err}
		case busy:
			return &explained{file + " stayed locked: close the other program that has it open", nil, err}
		}
		return err
	}
}

// noRoom tries whether a little more can be written in a folder.
func noRoom(dir string) bool {
	f, err := os.CreateTemp(dir, ".room-*")
	if err != nil {
		return private.NoRoom(err)
	}
	_, err = f.WriteAt(make([]byte, 64<<10), 0)
	return private.NoRoom(errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name())))
}
