package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"

	"meterwright/internal/private"
)

// Errors that callers branch on.
var (
	// ErrNotFound: there is no such visit, attachment, job, person or key.
	ErrNotFound = errors.New("not found")
	// ErrErased: the attachment was erased and is not taken or given again.
	ErrErased = errors.New("erased")
	// ErrConflict: the same identifier is in use for something else.
	ErrConflict = errors.New("conflict")
	// ErrLocked: another process has the store open.
	ErrLocked = errors.New("in use by another process")
	// ErrNewer: a newer edition of the program wrote the database.
	ErrNewer = errors.New("made by a newer edition of this program")
	// ErrDamaged: the database is not readable as one.
	ErrDamaged = errors.New("damaged, or not a database of this program")
	// ErrFull: the disk is full. Nothing of the call was kept.
	ErrFull = errors.New("the disk is full and nothing was kept")
)

// Lost is the concern that the store has fewer lines than it gave acceptance numbers for. It
// wraps ErrDamaged.
type Lost struct {
	Given int64 // the greatest number known to have been given out
	Last  int64 // that of the last line there is
}

func (l *Lost) Error() string {
	return fmt.Sprintf("the last lines are missing: acceptance numbers up to %d were given out, and the last line has %d: bring back a later backup, or have the devices hand in all that they hold", l.Given, l.Last)
}

func (l *Lost) Unwrap() error { return ErrDamaged }

// A Database is what a driver gives: handles on tables of the present edition.
type Database struct {
	// Write is used for transactions that write. They must exclude each other from the
	// first statement on, or at the latest from the row lock that the first statement of
	// every such transaction takes.
	Write *sql.DB
	// Read is used for everything else and sees what is committed.
	Read *sql.DB
	// Explain adds to an error of either handle what a person can do about it. It may be
	// nil.
	Explain func(error) error
	// Close closes both handles and gives up the driver's locks.
	Close func() error
	// Given is the greatest acceptance number that Note was told, as it was kept apart from
	// the tables: a database that was lost in part does not know what it had.
	Given int64
	// Note keeps such a number, after the commit and without a sync. It may be nil.
	Note func(int64) error
	// Concerns are what the driver found amiss that does not keep it from working.
	Concerns []error
}

// Options are the parts of a store that its user chooses.
type Options struct {
	// Projector makes the summaries. Nil means that there are none.
	Projector Projector
	// Follow keeps the summaries up to date in the background. Without it they change only
	// in CatchUp and Rebuild.
	Follow bool
	// Now is the clock for times of receipt; nil means time.Now.
	Now func() time.Time
	// Failed is told of errors of the background work, of which nobody else hears, and of the
	// store's concerns. It may be nil.
	Failed func(error)
}

// A Store is an open store. Its methods may be called at the same time. The zero value is of
// no use: a driver's Open makes one.
type Store struct {
	db    Database
	files folder
	opts  Options
	queue queue
	// concerns were found on opening.
	concerns []error

	projecting sync.Mutex // held by whoever moves the mark
	kick       chan struct{}
	stop       context.CancelFunc
	done       sync.WaitGroup
}

// New returns a store on a driver's database, with attachments in files, a folder that the
// store from now on owns and closes. If it fails, it closes nothing.
func New(ctx context.Context, db Database, files *os.Root, opts Options) (*Store, error) {
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Failed == nil {
		opts.Failed = func(error) {}
	}
	s := &Store{db: db, files: folder{root: files}, opts: opts, concerns: db.Concerns, kick: make(chan struct{}, 1)}
	s.queue.turn = make(chan struct{}, 1)
	if err := s.files.prepare(); err != nil {
		return nil, err
	}
	if err := s.sweep(ctx); err != nil {
		return nil, err
	}
	if err := s.checkEdition(ctx); err != nil {
		return nil, err
	}
	if err := s.checkLast(ctx); err != nil {
		return nil, err
	}
	for _, c := range s.concerns {
		opts.Failed(c)
	}
	following, stop := context.WithCancel(context.Background())
	s.stop = stop
	if opts.Follow {
		s.done.Go(func() {
			if _, err := s.RemoveUnnamed(following); err != nil && following.Err() == nil {
				opts.Failed(err)
			}
		})
	}
	if opts.Follow && opts.Projector != nil {
		s.done.Go(func() { s.follow(following) })
		s.noticed()
	}
	return s, nil
}

// Close waits for the background work and closes the database.
func (s *Store) Close() error {
	s.stop()
	s.done.Wait()
	return errors.Join(s.files.root.Close(), s.explain(s.db.Close()))
}

// Concerns says what was found amiss on opening that did not keep the store from opening: what
// others can read or change (private.ErrOpen), and [Lost] lines.
func (s *Store) Concerns() []error { return slices.Clone(s.concerns) }

// checkLast compares the last line with the numbers that were given out.
func (s *Store) checkLast(ctx context.Context) error {
	given, err := s.LastNumber(ctx)
	if err != nil {
		return err
	}
	l := &Lost{Given: max(given, s.db.Given)}
	if err := s.db.Read.QueryRowContext(ctx, `SELECT COALESCE(max(accepted), 0) FROM lines`).Scan(&l.Last); err != nil {
		return s.explain(fmt.Errorf("last line: %w", err))
	}
	if l.Last < l.Given {
		s.concerns = append(s.concerns, l)
	}
	return nil
}

func (s *Store) explain(err error) error {
	switch {
	case err == nil || errors.Is(err, ErrFull):
		return err
	case private.NoRoom(err):
		return fmt.Errorf("%w: make room and try again: %w", ErrFull, err)
	case s.db.Explain == nil:
		return err
	}
	return s.db.Explain(err)
}

// while says in what an error came up, and what can be done about it; nil stays nil.
func (s *Store) while(err error, format string, args ...any) error {
	if err == nil {
		return nil
	}
	return s.explain(fmt.Errorf(format+": %w", append(args, err)...))
}

// exec is write for one statement.
func (s *Store) exec(ctx context.Context, statement string, args ...any) error {
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error { return exec(ctx, tx, statement, args...) })
}

func exec(ctx context.Context, tx *sql.Tx, statement string, args ...any) error {
	_, err := tx.ExecContext(ctx, statement, args...)
	return err
}

// write runs do in one transaction that excludes all others that write, and commits it. Once
// begun it is not cut off by the end of ctx: a transaction has an outcome that is known.
func (s *Store) write(ctx context.Context, do func(context.Context, *sql.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx)
	tx, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return s.explain(fmt.Errorf("begin: %w", err))
	}
	if err := do(ctx, tx); err != nil {
		return s.explain(errors.Join(err, tx.Rollback()))
	}
	if err := tx.Commit(); err != nil {
		return s.explain(fmt.Errorf("commit: %w", err))
	}
	return nil
}

// rows runs a query and calls each for every row, which scans it.
func rows(ctx context.Context, q querier, each func(*sql.Rows) error, query string, args ...any) error {
	r, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	for r.Next() {
		if err := each(r); err != nil {
			return errors.Join(err, r.Close())
		}
	}
	return errors.Join(r.Err(), r.Close())
}

// collect runs a query and gathers what scan reads of each row.
func collect[T any](ctx context.Context, q querier, scan func(*sql.Rows, *T) error, query string, args ...any) (all []T, err error) {
	err = rows(ctx, q, func(r *sql.Rows) error {
		var v T
		err := scan(r, &v)
		all = append(all, v)
		return err
	}, query, args...)
	if err != nil {
		return nil, err
	}
	return all, nil
}

// only scans a row of one column.
func only[T any](r *sql.Rows, v *T) error { return r.Scan(v) }

// first is the one row that was looked for, or ErrNotFound.
func first[T any](all []T, err error) (T, error) {
	if err == nil && len(all) == 0 {
		err = ErrNotFound
	}
	if err != nil {
		var none T
		return none, err
	}
	return all[0], nil
}

// fixed takes bytes of the length that it has, such as those of a key or a hash.
type fixed []byte

func (f fixed) Scan(value any) error {
	b, ok := value.([]byte)
	if !ok || len(b) != len(f) {
		return fmt.Errorf("a key or a hash has %d bytes, not %d: %w", len(b), len(f), ErrDamaged)
	}
	copy(f, b)
	return nil
}

// when takes a time as micros keeps it.
type when struct{ *time.Time }

func (w when) Scan(value any) error {
	us, ok := value.(int64)
	if !ok {
		return fmt.Errorf("%T is no time: %w", value, ErrDamaged)
	}
	*w.Time = instant(us)
	return nil
}

// querier is what sql.DB and sql.Tx have in common for reading.
type querier interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
	QueryRowContext(context.Context, string, ...any) *sql.Row
}

// micros is how a time is kept; 0 is no time.
func micros(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMicro()
}

// instant is the time that micros kept, in UTC.
func instant(us int64) time.Time {
	if us == 0 {
		return time.Time{}
	}
	return time.UnixMicro(us).UTC()
}
