package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"meterwright/record"
)

// A Line is one accepted line.
type Line struct {
	Number   int64 // acceptance number
	Visit    string
	Key      record.Key
	Seq      int64
	Version  int // of its chain; 0 is the one received first
	Hash     record.Hash
	Received time.Time // by the store's clock, UTC, to the microsecond
	Bytes    []byte    // the line without its LF
}

// A Holding is what the store has of one version of one chain, durably. A chain without a
// fork has one.
type Holding struct {
	Key     record.Key
	Version int
	Parent  int         // the version that it left; 0 for version 0
	From    int64       // its first own line; those before are its parent's
	Next    int64       // sequence number of the next line
	Head    record.Hash // hash of the last line
	Ended   bool        // only supplements may follow
	Waiting int         // lines of the chain that wait for earlier ones, told with version 0
}

// Holds tells what the store has of a visit: its chains in the order in which they were
// accepted first, each with its versions in order. A device sends the lines from Next on. A
// visit of which nothing is accepted has no holdings.
func (s *Store) Holds(ctx context.Context, visit string) ([]Holding, error) {
	all, err := collect(ctx, s.db.Read, func(r *sql.Rows, h *Holding) error {
		return r.Scan(fixed(h.Key[:]), &h.Version, &h.Parent, &h.From, &h.Next, fixed(h.Head[:]), &h.Ended, &h.Waiting)
	}, `SELECT c.device_key, v.version, v.parent, v.from_seq, v.next_seq, v.head, v.ended,
			CASE v.version WHEN 0 THEN (SELECT count(*) FROM waiting w WHERE w.visit = c.visit AND w.device_key = c.device_key) ELSE 0 END
		FROM chains c JOIN versions v ON v.chain = c.chain
		WHERE c.visit = $1 ORDER BY c.chain, v.version`, visit)
	return all, s.while(err, "what is held of visit %s", visit)
}

// LastNumber returns the greatest acceptance number given out, 0 if there is none.
func (s *Store) LastNumber(ctx context.Context) (n int64, err error) {
	err = s.db.Read.QueryRowContext(ctx, `SELECT last_accepted FROM office WHERE id = 1`).Scan(&n)
	return n, s.while(err, "last acceptance number")
}

// lineQuery asks for what scanLine reads.
const lineQuery = `SELECT l.accepted, c.visit, c.device_key, l.seq, l.version, l.hash, l.received, l.line FROM lines l JOIN chains c ON c.chain = l.chain`

func scanLine(r *sql.Rows, l *Line) error {
	return r.Scan(&l.Number, &l.Visit, fixed(l.Key[:]), &l.Seq, &l.Version, fixed(l.Hash[:]), when{&l.Received}, &l.Bytes)
}

// Accepted returns up to limit lines with numbers above after, in order of acceptance.
func (s *Store) Accepted(ctx context.Context, after int64, limit int) ([]Line, error) {
	all, err := collect(ctx, s.db.Read, scanLine, lineQuery+` WHERE l.accepted > $1 ORDER BY l.accepted LIMIT $2`, after, limit)
	return all, s.while(err, "lines accepted after %d", after)
}

// linesPage is how many lines are read at once. In between nothing is held open, so that a
// reader who takes a rest keeps no old state of the database alive.
const linesPage = 256

// Lines gives the lines of a visit: chains in the order in which they were accepted first,
// within them by sequence, and where a chain is forked the lines of one place by acceptance
// number. Lines accepted meanwhile may or may not be among them. After an error it stops.
func (s *Store) Lines(ctx context.Context, visit string) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		fail := func(err error) {
			yield(Line{}, s.while(err, "lines of visit %s", visit))
		}
		chains, err := collect(ctx, s.db.Read, only[int64], `SELECT chain FROM chains WHERE visit = $1 ORDER BY chain`, visit)
		if err != nil {
			fail(err)
			return
		}
		for _, chain := range chains {
			seq, accepted := int64(-1), int64(0)
			for more := true; more; {
				page, err := collect(ctx, s.db.Read, scanLine, lineQuery+`
					WHERE l.chain = $1 AND (l.seq > $2 OR l.seq = $2 AND l.accepted > $3)
					ORDER BY l.seq, l.accepted LIMIT $4`, chain, seq, accepted, linesPage)
				if err != nil {
					fail(err)
					return
				}
				for _, l := range page {
					if !yield(l, nil) {
						return
					}
					seq, accepted = l.Seq, l.Number
				}
				more = len(page) == linesPage
			}
		}
	}
}

// Files returns the visit as files that package record reads: for each chain one file of
// whole lines for each of its versions. A chain that was never forked gives one.
func (s *Store) Files(ctx context.Context, visit string) ([][]byte, error) {
	holdings, err := s.Holds(ctx, visit)
	if err != nil {
		return nil, err
	}
	type place struct {
		key     record.Key
		version int
	}
	own := map[place][]Line{}
	for l, err := range s.Lines(ctx, visit) {
		if err != nil {
			return nil, err
		}
		at := place{l.Key, l.Version}
		own[at] = append(own[at], l)
	}
	var files [][]byte
	for _, h := range holdings {
		var file []byte
		for _, l := range wholeVersion(h, holdings, func(version int) []Line { return own[place{h.Key, version}] }) {
			file = append(append(file, l.Bytes...), '\n')
		}
		files = append(files, file)
	}
	return files, nil
}

// wholeVersion returns the lines of a version from the first of its chain on.
func wholeVersion(h Holding, all []Holding, own func(version int) []Line) []Line {
	parts := [][]Line{own(h.Version)}
	for h.From > 0 {
		from := h.From
		i := slices.IndexFunc(all, func(o Holding) bool { return o.Key == h.Key && o.Version == h.Parent })
		if i < 0 || all[i].Version >= h.Version {
			break
		}
		h = all[i]
		lines := own(h.Version)
		upTo := slices.IndexFunc(lines, func(l Line) bool { return l.Seq >= from })
		if upTo >= 0 {
			lines = lines[:upTo]
		}
		parts = append(parts, lines)
	}
	slices.Reverse(parts)
	return slices.Concat(parts...)
}

// An AuditReport says what Audit looked at.
type AuditReport struct {
	Lines, Chains, Forks, Waiting int64
	// Unnamed counts the attachments that no line names, files that nothing leads to among
	// them: see KeepUnnamed.
	Unnamed int64
}

// Audit reads everything and checks that it hangs together: acceptance numbers without gaps,
// every line genuine and in its place in its version, heads as the lines have them, and no
// line waiting for one that is there. It returns the first fault, which wraps ErrDamaged.
// Lines accepted meanwhile are left out. Attachments are counted and not read. Where the last
// lines are missing the error is [Lost].
func (s *Store) Audit(ctx context.Context) (AuditReport, error) {
	var report AuditReport
	last, err := s.LastNumber(ctx)
	if err != nil {
		return report, err
	}
	for _, c := range s.concerns {
		if lost, ok := errors.AsType[*Lost](c); ok {
			return report, lost
		}
	}
	for report.Lines < last {
		page, err := s.Accepted(ctx, report.Lines, linesPage)
		if err != nil {
			return report, err
		}
		for _, l := range page {
			if report.Lines++; l.Number != report.Lines {
				return report, damaged("acceptance number %d is missing: the next one is %d", report.Lines, l.Number)
			}
		}
		if len(page) == 0 {
			return report, damaged("acceptance number %d is missing: %d were given out", report.Lines+1, last)
		}
	}
	visit := ""
	for {
		err := s.db.Read.QueryRowContext(ctx, `SELECT visit FROM chains WHERE visit > $1 ORDER BY visit LIMIT 1`, visit).Scan(&visit)
		if errors.Is(err, sql.ErrNoRows) {
			break
		}
		if err != nil {
			return report, s.explain(err)
		}
		if err := s.auditVisit(ctx, visit, &report); err != nil {
			return report, fmt.Errorf("visit %s: %w", visit, err)
		}
	}
	var tooLate int64
	err = s.db.Read.QueryRowContext(ctx, `SELECT count(*), COALESCE(sum(CASE WHEN w.seq = 0 OR EXISTS (SELECT 1 FROM chains c JOIN lines l ON l.chain = c.chain
			WHERE c.visit = w.visit AND c.device_key = w.device_key AND l.seq = w.seq AND l.hash = w.hash) THEN 1 ELSE 0 END), 0) FROM waiting w`).
		Scan(&report.Waiting, &tooLate)
	if err != nil {
		return report, s.explain(err)
	}
	if tooLate > 0 {
		return report, damaged("%d lines wait that need not", tooLate)
	}
	unnamed, err := s.unnamed(ctx, s.opts.Now())
	report.Unnamed = int64(len(unnamed))
	return report, s.explain(err)
}

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
}

// auditVisit checks one visit. The holdings are read first: lines beyond them are new.
func (s *Store) auditVisit(ctx context.Context, visit string, report *AuditReport) error {
	holdings, err := s.Holds(ctx, visit)
	if err != nil {
		return err
	}
	type place struct {
		key     record.Key
		version int
	}
	held := map[place]Holding{}
	states := map[place]record.Chain{}
	at := map[record.Hash]record.Chain{} // the state after each line that another version leaves
	leaves := map[record.Hash]bool{}
	for _, h := range holdings {
		held[place{h.Key, h.Version}] = h
		report.Forks += int64(min(h.Version, 1))
		if h.Version == 0 {
			report.Chains++
		}
	}
	for l, err := range s.Lines(ctx, visit) {
		if err != nil {
			return err
		}
		if l.Version > 0 && held[place{l.Key, l.Version}].From == l.Seq {
			if e, err := record.Decode(l.Bytes); err == nil {
				leaves[e.Prev] = true
			}
		}
	}
	for l, err := range s.Lines(ctx, visit) {
		if err != nil {
			return err
		}
		p := place{l.Key, l.Version}
		h, ok := held[p]
		if !ok || l.Seq >= h.Next {
			continue
		}
		fail := func(err error) error {
			return damaged("acceptance number %d, line %d of device key %s: %v", l.Number, l.Seq+1, l.Key, err)
		}
		if sha256.Sum256(l.Bytes) != l.Hash {
			return fail(errors.New("its bytes do not have its hash"))
		}
		state, begun := states[p]
		if !begun && l.Seq > 0 {
			e, err := record.Decode(l.Bytes)
			if err != nil {
				return fail(err)
			}
			if state, ok = at[e.Prev]; !ok || l.Version == 0 {
				return fail(errors.New("the line before it is missing"))
			}
		}
		next, e, err := state.Accept(l.Bytes)
		if err != nil {
			return fail(err)
		}
		if e.Visit != visit || e.Key != l.Key || e.Seq != l.Seq {
			return fail(errors.New("it stands in the wrong place"))
		}
		states[p] = next
		if leaves[l.Hash] {
			at[l.Hash] = next
		}
	}
	for p, h := range held {
		got := states[p]
		if got.Next != h.Next || !bytes.Equal(got.Head[:], h.Head[:]) || got.Ended != h.Ended {
			return damaged("version %d of device key %s has %d lines up to %s, but %d up to %s are noted", p.version, p.key, got.Next, got.Head, h.Next, h.Head)
		}
	}
	return nil
}
