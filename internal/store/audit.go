package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"

	"meterwright/record"
)

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
