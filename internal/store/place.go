package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"regexp"
	"strconv"

	"meterwright/record"
)

// A placer puts lines into the tables within one transaction.
type placer struct {
	ctx        context.Context
	tx         *sql.Tx
	now        int64 // microseconds
	lastNumber int64
	lastChain  int64
	insert     *sql.Stmt // the one statement that runs for every line
}

// visitState is what the tables hold of one visit.
type visitState struct {
	visit        string
	nature       record.Nature // empty if nothing is accepted yet
	chains       map[record.Key]*chainState
	waiting      int
	waitingBytes int
}

// chainState is one chain with all its versions.
type chainState struct {
	id       int64
	versions []*versionState
}

// versionState is one version of a chain: its last line, and where it left another.
type versionState struct {
	number, parent  int
	from, next      int64
	head            record.Hash
	ended           bool
	isNew, modified bool
}

func (p *placer) load(visit string) (*visitState, error) {
	v := &visitState{visit: visit, chains: map[record.Key]*chainState{}}
	err := rows(p.ctx, p.tx, func(r *sql.Rows) error {
		var id int64
		var key, head []byte
		n := &versionState{}
		if err := r.Scan(&id, &key, &v.nature, &n.number, &n.next, &head, &n.ended); err != nil {
			return err
		}
		if len(key) != len(record.Key{}) || len(head) != len(n.head) {
			return fmt.Errorf("chain %d has a key of %d bytes and a head of %d: %w", id, len(key), len(head), ErrDamaged)
		}
		n.head = record.Hash(head)
		c := v.chains[record.Key(key)]
		if c == nil {
			c = &chainState{id: id}
			v.chains[record.Key(key)] = c
		}
		c.versions = append(c.versions, n)
		return nil
	}, `SELECT c.chain, c.device_key, c.nature, v.version, v.next_seq, v.head, v.ended
		FROM chains c JOIN versions v ON v.chain = c.chain
		WHERE c.visit = $1 ORDER BY c.chain, v.version`, visit)
	return v, err
}

// place decides about one line. Lines come in order of sequence, so the line before it has
// been placed if it is here at all.
func (p *placer) place(v *visitState, it *item) error {
	e, c := it.event, v.chains[it.event.Key]
	it.receipt.Visit, it.receipt.Key, it.receipt.Seq, it.receipt.Hash = e.Visit, e.Key, e.Seq, e.Hash
	if known, err := p.known(c, it); known || err != nil {
		return err
	}
	before, parent, tip, err := p.before(v, c, e)
	if err != nil {
		return err
	}
	if before == nil {
		return p.wait(v, it)
	}
	if it.before != *before {
		// Not the state that the check assumed, or a line that waited and had no check.
		_, _, it.err = before.Accept(it.line)
	}
	switch {
	case it.err != nil:
		it.receipt.refuse(it.err)
	case c == nil && len(v.chains) >= record.MaxChains:
		it.receipt.refuse(&record.Fault{What: record.TooMany, Field: "key", Want: fmt.Sprintf("at most %d chains", record.MaxChains), Got: strconv.Itoa(len(v.chains) + 1)})
	case c != nil && tip == nil && len(c.versions) >= MaxVersions:
		it.receipt.bound(TooManyVersions, errVersions)
	default:
		if c == nil {
			if c, err = p.newChain(v, e); err != nil {
				return err
			}
		}
		if tip == nil {
			tip = &versionState{number: len(c.versions), parent: parent, from: e.Seq, ended: before.Ended, isNew: true}
			c.versions = append(c.versions, tip)
		}
		if err := p.accept(c, tip, it); err != nil {
			return err
		}
	}
	return p.waitsNoMore(v, it)
}

// known looks whether the line is stored already.
func (p *placer) known(c *chainState, it *item) (bool, error) {
	if c == nil {
		return false, nil
	}
	possible := false
	for _, n := range c.versions {
		possible = possible || it.event.Seq < n.next
	}
	if !possible {
		return false, nil
	}
	err := p.tx.QueryRowContext(p.ctx, `SELECT accepted, version FROM lines WHERE chain = $1 AND seq = $2 AND hash = $3`,
		c.id, it.event.Seq, it.event.Hash[:]).Scan(&it.receipt.Number, &it.receipt.Version)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	it.receipt.Status, it.receipt.Again = Accepted, true
	return true, err
}

// before returns the state of the chain at the line before e, nil if that line is not stored.
// Tip is the version that e continues, nil if e begins one, and parent is then the version
// that it leaves.
func (p *placer) before(v *visitState, c *chainState, e record.Event) (before *record.Chain, parent int, tip *versionState, err error) {
	state := &record.Chain{Visit: e.Visit, Nature: cmp.Or(v.nature, e.Nature), Key: e.Key, Next: e.Seq, Head: e.Prev}
	if e.Seq == 0 {
		return state, 0, nil, nil
	}
	if c == nil {
		return nil, 0, nil, nil
	}
	for _, n := range c.versions {
		if n.next == e.Seq && n.head == e.Prev {
			state.Ended = n.ended
			return state, n.number, n, nil
		}
	}
	err = p.tx.QueryRowContext(p.ctx, `SELECT version, ended FROM lines WHERE chain = $1 AND seq = $2 AND hash = $3`,
		c.id, e.Seq-1, e.Prev[:]).Scan(&parent, &state.Ended)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, 0, nil, nil
	}
	return state, parent, nil, err
}

func (p *placer) newChain(v *visitState, e record.Event) (*chainState, error) {
	p.lastChain++
	c := &chainState{id: p.lastChain}
	v.chains[e.Key] = c
	v.nature = e.Nature
	_, err := p.tx.ExecContext(p.ctx, `INSERT INTO chains (chain, visit, device_key, nature) VALUES ($1, $2, $3, $4)`,
		c.id, e.Visit, e.Key[:], string(e.Nature))
	return c, err
}

func (p *placer) accept(c *chainState, n *versionState, it *item) error {
	e := it.event
	n.next, n.head, n.modified = e.Seq+1, e.Hash, true
	n.ended = n.ended || e.Kind == record.KindEnded || e.Kind == record.KindSupplement
	p.lastNumber++
	it.receipt.Status, it.receipt.Number, it.receipt.Version, it.receipt.Again = Accepted, p.lastNumber, n.number, it.wasWaiting
	if !it.wasWaiting {
		if err := p.named(e); err != nil {
			return err
		}
	}
	_, err := p.insert.ExecContext(p.ctx,
		p.lastNumber, c.id, e.Seq, e.Hash[:], n.number, n.ended, p.now, it.line)
	return err
}

// wait keeps a line until the one before it comes.
func (p *placer) wait(v *visitState, it *item) error {
	it.receipt.Status = Waiting
	if it.wasWaiting {
		it.receipt.Again = true
		return nil
	}
	if v.waiting+1 > MaxWaiting || v.waitingBytes+len(it.line) > MaxWaitingBytes {
		it.receipt.bound(TooManyWaiting, errWaiting)
		return nil
	}
	v.waiting++
	v.waitingBytes += len(it.line)
	if err := p.named(it.event); err != nil {
		return err
	}
	_, err := p.tx.ExecContext(p.ctx, `INSERT INTO waiting (visit, device_key, seq, hash, received, line) VALUES ($1, $2, $3, $4, $5, $6)`,
		it.event.Visit, it.event.Key[:], it.event.Seq, it.event.Hash[:], p.now, it.line)
	return err
}

// attachmentName is how a body names an attachment. In RFC 8785 form nothing else reads so: a
// quotation mark within a text is escaped.
var attachmentName = regexp.MustCompile(`"attachment":"(sha256:[0-9a-f]{64})"`)

// named notes which attachments a line names, so that these are kept for good.
func (p *placer) named(e record.Event) error {
	for _, m := range attachmentName.FindAllSubmatch(e.Body, -1) {
		for _, statement := range []string{
			`INSERT INTO named (id) VALUES ($1) ON CONFLICT (id) DO NOTHING`,
			`UPDATE attachments SET named = TRUE WHERE id = $1 AND NOT named`,
		} {
			if _, err := p.tx.ExecContext(p.ctx, statement, string(m[1])); err != nil {
				return fmt.Errorf("note that attachment %s is named: %w", m[1], err)
			}
		}
	}
	return nil
}

// waitsNoMore removes a line that is now decided.
func (p *placer) waitsNoMore(v *visitState, it *item) error {
	if !it.wasWaiting {
		return nil
	}
	v.waiting--
	v.waitingBytes -= len(it.line)
	_, err := p.tx.ExecContext(p.ctx, `DELETE FROM waiting WHERE visit = $1 AND device_key = $2 AND seq = $3 AND hash = $4`,
		it.event.Visit, it.event.Key[:], it.event.Seq, it.event.Hash[:])
	return err
}

func (p *placer) saveVersions(c *chainState) error {
	if c == nil {
		return nil
	}
	for _, n := range c.versions {
		var err error
		switch {
		case n.isNew:
			_, err = p.tx.ExecContext(p.ctx, `INSERT INTO versions (chain, version, parent, from_seq, next_seq, head, ended) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
				c.id, n.number, n.parent, n.from, n.next, n.head[:], n.ended)
		case n.modified:
			_, err = p.tx.ExecContext(p.ctx, `UPDATE versions SET next_seq = $1, head = $2, ended = $3 WHERE chain = $4 AND version = $5`,
				n.next, n.head[:], n.ended, c.id, n.number)
		}
		if err != nil {
			return err
		}
		n.isNew, n.modified = false, false
	}
	return nil
}
