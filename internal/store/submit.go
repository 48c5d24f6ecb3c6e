package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"meterwright/record"
)

// Bounds of one store. They keep what a hostile device can cost to a known amount; lines,
// chains of a visit and lines of a chain are bounded by package record.
const (
	// MaxBatch is the greatest number of lines in one call of Submit.
	MaxBatch = 4096
	// MaxWaiting is the greatest number of lines of one visit that wait for earlier ones.
	MaxWaiting = 1024
	// MaxWaitingBytes is the greatest number of bytes of such lines of one visit.
	MaxWaitingBytes = 8 << 20
	// MaxVersions is the greatest number of versions of one chain.
	MaxVersions = 16
)

// A Status says what became of a line.
type Status string

// The outcomes for a line.
const (
	Accepted Status = "accepted"
	Waiting  Status = "waiting"
	Refused  Status = "refused"
)

// Reasons for a refusal beside those of record.What.
const (
	// TooManyWaiting: the visit has too many lines that wait for earlier ones.
	TooManyWaiting = "too-many-waiting"
	// TooManyVersions: the chain was forked too often.
	TooManyVersions = "too-many-versions"
)

// A Receipt is the answer to one line handed in.
type Receipt struct {
	Status Status
	// Number is the acceptance number, from 1; 0 unless accepted.
	Number int64
	// Again says that the line was here already, accepted or waiting, before it was handed in
	// now.
	Again bool
	// Version is 0 for a line of the version of its chain that was received first.
	Version int
	// Reason is a word that says why the line is refused, a record.What or one of this
	// package; empty otherwise.
	Reason string
	// Err has the evidence for a refusal.
	Err error
	// Visit, Key, Seq and Hash name the line as far as it could be decoded.
	Visit string
	Key   record.Key
	Seq   int64
	Hash  record.Hash
}

// Durable reports whether the store has the line for good.
func (r Receipt) Durable() bool { return r.Status == Accepted || r.Status == Waiting }

// refuse makes the receipt a refusal.
func (r *Receipt) refuse(err error) {
	r.Status, r.Number, r.Err = Refused, 0, err
	if f, ok := errors.AsType[*record.Fault](err); ok {
		r.Reason = string(f.What)
	}
}

// bound makes the receipt a refusal because of one of this package's bounds.
func (r *Receipt) bound(reason string, err error) {
	r.refuse(err)
	r.Reason = reason
}

var (
	errWaiting  = fmt.Errorf("the visit has %d lines or %d bytes that wait for earlier ones: send the earlier lines first", MaxWaiting, MaxWaitingBytes)
	errVersions = fmt.Errorf("the chain has %d versions already: look at the device that makes them", MaxVersions)
)

// Submit takes lines, each without its LF, and answers with one receipt for each, in the same
// order. An error says that none of the lines is promised: hand all of them in again. See the
// package comment for what becomes of a line. The store keeps no reference to lines.
func (s *Store) Submit(ctx context.Context, lines [][]byte) ([]Receipt, error) {
	if len(lines) > MaxBatch {
		return nil, fmt.Errorf("submit: %d lines in one batch are too many: send at most %d", len(lines), MaxBatch)
	}
	return s.submit(ctx, checkAll(lines))
}

// Keep is Submit for lines that this program signed itself: what is right with them by their type is
// not looked at again.
func (s *Store) Keep(ctx context.Context, lines []record.Signed) ([]Receipt, error) {
	items := make([]*item, len(lines))
	for i, l := range lines {
		items[i] = &item{line: l.Line(), event: l.Event(), before: l.Before()}
	}
	return s.submit(ctx, items)
}

func (s *Store) submit(ctx context.Context, items []*item) ([]Receipt, error) {
	if slices.ContainsFunc(items, func(it *item) bool { return it.err == nil }) {
		if err := s.queue.pass(ctx, items, s.commit); err != nil {
			return nil, fmt.Errorf("submit: %w", err)
		}
		s.noticed()
	}
	receipts := make([]Receipt, len(items))
	for i, it := range items {
		receipts[i] = it.receipt
	}
	return receipts, nil
}

// commit places items in one transaction.
func (s *Store) commit(ctx context.Context, items []*item) error {
	var last int64
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		last, err = place(ctx, tx, items, micros(s.opts.Now()))
		return err
	})
	if err == nil && s.db.Note != nil {
		if err := s.db.Note(last); err != nil { // The lines are kept all the same.
			s.opts.Failed(fmt.Errorf("note the last acceptance number: %w", err))
		}
	}
	return err
}

// A queue lets callers share transactions: whoever comes to the disk takes along all who wait.
// With several devices at once one sync then answers many of them.
type queue struct {
	turn chan struct{} // holds a token while somebody commits

	mu      sync.Mutex
	waiting []*passenger
}

type passenger struct {
	items []*item
	done  chan error // takes one error without blocking
}

// maxShared is about how many items share a transaction. A further batch waits for the next.
const maxShared = 4 * MaxBatch

func (q *queue) pass(ctx context.Context, items []*item, commit func(context.Context, []*item) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	me := &passenger{items: items, done: make(chan error, 1)}
	q.mu.Lock()
	q.waiting = append(q.waiting, me)
	q.mu.Unlock()
	for {
		select {
		case err := <-me.done:
			return err
		case q.turn <- struct{}{}:
			q.lead(ctx, commit)
			<-q.turn
			select {
			case err := <-me.done:
				return err
			default:
			}
		case <-ctx.Done():
			if q.leave(me) {
				return ctx.Err()
			}
			return <-me.done // under way: it has an outcome
		}
	}
}

// lead commits what waits and tells everybody the outcome.
func (q *queue) lead(ctx context.Context, commit func(context.Context, []*item) error) {
	var all []*item
	q.mu.Lock()
	n := 0
	for n < len(q.waiting) && (n == 0 || len(all)+len(q.waiting[n].items) <= maxShared) {
		all = append(all, q.waiting[n].items...)
		n++
	}
	aboard := slices.Clone(q.waiting[:n])
	q.waiting = slices.Delete(q.waiting, 0, n)
	q.mu.Unlock()
	if n == 0 {
		return
	}
	// One passenger's haste must not cost the others their transaction.
	err := commit(context.WithoutCancel(ctx), all)
	for _, p := range aboard {
		p.done <- err
	}
}

// leave takes a passenger out of the queue; false if it is under way.
func (q *queue) leave(p *passenger) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	i := slices.Index(q.waiting, p)
	if i < 0 {
		return false
	}
	q.waiting = slices.Delete(q.waiting, i, i+1)
	return true
}

// place puts items into the tables, fills in their receipts, and returns the last acceptance
// number.
func place(ctx context.Context, tx *sql.Tx, items []*item, now int64) (int64, error) {
	p := &placer{ctx: ctx, tx: tx, now: now}
	// Always written, though often with the same value. First, it takes the row's lock, so
	// that on any database one transaction at a time hands out numbers. Second, a batch that
	// is known already writes and syncs something too: after a sync that failed, SQLite can
	// find lines again that no sync ever brought to the disk, and a receipt promises that.
	err := tx.QueryRowContext(ctx, `UPDATE office SET last_accepted = last_accepted WHERE id = 1 RETURNING last_accepted, last_chain`).Scan(&p.lastNumber, &p.lastChain)
	if err != nil {
		return 0, fmt.Errorf("take the next acceptance number: %w", err)
	}
	before := p.lastNumber
	p.insert, err = tx.PrepareContext(ctx, `INSERT INTO lines (accepted, chain, seq, hash, version, ended, received, line) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`)
	if err != nil {
		return 0, err
	}
	var order []string
	visits := map[string][]*item{}
	for _, it := range items {
		if it.err != nil {
			continue
		}
		v := it.event.Visit
		if visits[v] == nil {
			order = append(order, v)
		}
		visits[v] = append(visits[v], it)
	}
	for _, v := range order {
		if err := p.visit(v, visits[v]); err != nil {
			return 0, errors.Join(fmt.Errorf("visit %s: %w", v, err), p.insert.Close())
		}
	}
	if err := p.insert.Close(); err != nil || p.lastNumber == before {
		return before, err
	}
	_, err = tx.ExecContext(ctx, `UPDATE office SET last_accepted = $1, last_chain = $2 WHERE id = 1`, p.lastNumber, p.lastChain)
	return p.lastNumber, err
}

// visit places the items of one visit, and what waits for them.
func (p *placer) visit(visit string, items []*item) error {
	v, err := p.load(visit)
	if err != nil {
		return err
	}
	all, err := p.merge(v, items)
	if err != nil {
		return err
	}
	for _, group := range all {
		for _, it := range group {
			if err := p.place(v, it); err != nil {
				return fmt.Errorf("line %d of device key %s: %w", it.event.Seq+1, it.event.Key, err)
			}
		}
		if err := p.saveVersions(v.chains[group[0].event.Key]); err != nil {
			return err
		}
	}
	for _, it := range items {
		if it.same != nil {
			it.receipt = it.same.receipt
			it.receipt.Again = it.receipt.Durable()
		}
	}
	return nil
}

// merge joins the items with the lines that wait already, and gives them chain by chain, in
// order of first appearance, each in order of sequence, equal lines once.
func (p *placer) merge(v *visitState, items []*item) ([][]*item, error) {
	var keys []record.Key
	groups := map[record.Key][]*item{}
	byHash := map[record.Hash]*item{}
	add := func(it *item) {
		byHash[it.event.Hash] = it
		if groups[it.event.Key] == nil {
			keys = append(keys, it.event.Key)
		}
		groups[it.event.Key] = append(groups[it.event.Key], it)
	}
	for _, it := range items {
		if it.same = byHash[it.event.Hash]; it.same == nil {
			add(it)
		}
	}
	err := rows(p.ctx, p.tx, func(r *sql.Rows) error {
		var key, hash, line sql.RawBytes
		if err := r.Scan(&key, &hash, &line); err != nil {
			return err
		}
		v.waiting++
		v.waitingBytes += len(line)
		if len(key) != len(record.Key{}) || len(hash) != len(record.Hash{}) {
			return fmt.Errorf("a waiting line has a key of %d bytes and a hash of %d: %w", len(key), len(hash), ErrDamaged)
		}
		if it := byHash[record.Hash(hash)]; it != nil {
			it.wasWaiting = true
			return nil
		}
		if groups[record.Key(key)] == nil {
			return nil // what it waits for is of its own chain, so it is not in this batch
		}
		e, err := record.Decode(line)
		if err != nil {
			return fmt.Errorf("a waiting line: %w", err)
		}
		// The verdict is worked out when the line before it is known.
		add(&item{line: slices.Clone([]byte(line)), event: e, wasWaiting: true})
		return nil
	}, `SELECT device_key, hash, line FROM waiting WHERE visit = $1 ORDER BY device_key, seq, hash`, v.visit)
	if err != nil {
		return nil, err
	}
	all := make([][]*item, len(keys))
	for i, k := range keys {
		slices.SortStableFunc(groups[k], func(a, b *item) int { return cmp.Compare(a.event.Seq, b.event.Seq) })
		all[i] = groups[k]
	}
	return all, nil
}

// An item is one line on its way into the store.
type item struct {
	line       []byte
	event      record.Event
	before     record.Chain // the state of the chain that the verdict err assumes
	err        error        // why the line cannot stand there, or cannot stand anywhere
	wasWaiting bool         // it stands in the table of waiting lines
	same       *item        // an equal line earlier in the batch
	receipt    Receipt
}

// checkAll checks lines on all processors.
func checkAll(lines [][]byte) []*item {
	items := make([]*item, len(lines))
	var next atomic.Int64
	work := func() {
		for i := int(next.Add(1)) - 1; i < len(lines); i = int(next.Add(1)) - 1 {
			items[i] = check(lines[i])
		}
	}
	// Small batches, of a device that sends as it goes, are not worth a second goroutine.
	const worth = 8
	var others sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0)-1, len(lines)/worth) {
		others.Go(work)
	}
	work()
	others.Wait()
	return items
}

// check does all that can be done without knowing what is stored. The line before is known by
// its hash alone, and with it the state of the chain except for one thing: whether the visit
// had ended. It is assumed as the line would have it; [placer.place] compares.
func check(line []byte) *item {
	it := &item{line: line}
	it.event, it.err = record.Decode(line)
	if it.err != nil {
		it.receipt.refuse(it.err)
		return it
	}
	e := it.event
	it.receipt.Visit, it.receipt.Key, it.receipt.Seq, it.receipt.Hash = e.Visit, e.Key, e.Seq, e.Hash
	it.before = record.Chain{Visit: e.Visit, Nature: e.Nature, Key: e.Key, Next: e.Seq, Head: e.Prev, Ended: e.Kind == record.KindSupplement && e.Seq > 0}
	if _, _, it.err = it.before.Accept(line); it.err != nil {
		it.receipt.refuse(it.err)
	}
	return it
}
