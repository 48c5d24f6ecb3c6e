package store

import (
	"context"
	"database/sql"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"iter"
	"strconv"
	"strings"
	"time"

	"meterwright/record"
)

// A Summary is one visit as lists show it. A Projector fills in what it understands; fields
// that do not apply are empty.
type Summary struct {
	Visit          string // set by the store
	Nature         record.Nature
	Job            string // reference of the job
	Address        string
	Method         string
	State          string    // one word, for filters
	Stop           string    // why work stopped, if it did
	SupplyOffSince time.Time // zero unless the supply is off
	Person         string    // identifier
	Opened         time.Time // device wall clock, with its offset
	Last           time.Time // device wall clock of the last event
	Outcome        string    // of the end, empty before it
	Discrepancies  int
	Details        jsontext.Value // a JSON object; empty means {}
	// Needs says why the visit needs somebody, now or when its time has come. Lists leave it empty:
	// [Store.Waiting] and [Store.Open] have what nobody has taken.
	Needs []Need

	// The following are set by the store from the lines.

	Lines   int64
	Chains  int
	Forks   int   // versions beyond the first, over all chains
	Through int64 // greatest acceptance number among the lines that the summary rests on
}

// UnreadableState is the State of a visit for which the Projector gave an error. Its text is
// then in the details, as "error".
const UnreadableState = "unreadable"

const summaryColumns = `visit, through, nature, job, address, method, state, stop, supply_off_since, person,
	opened, opened_offset, last, last_offset, outcome, discrepancies, lines, chains, forks, details`

func scanSummary(r *sql.Rows, m *Summary) error {
	var openedOffset, lastOffset int
	err := r.Scan(&m.Visit, &m.Through, &m.Nature, &m.Job, &m.Address, &m.Method, &m.State, &m.Stop, when{&m.SupplyOffSince}, &m.Person,
		when{&m.Opened}, &openedOffset, when{&m.Last}, &lastOffset, &m.Outcome, &m.Discrepancies, &m.Lines, &m.Chains, &m.Forks, (*[]byte)(&m.Details))
	m.Opened, m.Last = local(m.Opened, openedOffset), local(m.Last, lastOffset)
	return err
}

// local brings back the offset that a time was given in.
func local(t time.Time, offset int) time.Time {
	if t.IsZero() {
		return t
	}
	return t.In(time.FixedZone("", offset))
}

func offsetOf(t time.Time) int {
	_, offset := t.Zone()
	return offset
}

// save writes a summary with what the visit needs, unless one made from more lines is there.
func (m Summary) save(ctx context.Context, tx *sql.Tx) error {
	day := ""
	if !m.Opened.IsZero() {
		day = m.Opened.Format(time.DateOnly)
	}
	details := string(m.Details)
	if details == "" {
		details = "{}"
	}
	result, err := tx.ExecContext(ctx, `INSERT INTO summaries (visit, through, nature, job, address, method, state, stop, supply_off_since, person,
			opened, opened_offset, day, last, last_offset, outcome, discrepancies, lines, chains, forks, details)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21)
		ON CONFLICT (visit) DO UPDATE SET through = excluded.through, nature = excluded.nature, job = excluded.job, address = excluded.address,
			method = excluded.method, state = excluded.state, stop = excluded.stop, supply_off_since = excluded.supply_off_since,
			person = excluded.person, opened = excluded.opened, opened_offset = excluded.opened_offset, day = excluded.day,
			last = excluded.last, last_offset = excluded.last_offset, outcome = excluded.outcome, discrepancies = excluded.discrepancies,
			lines = excluded.lines, chains = excluded.chains, forks = excluded.forks, details = excluded.details
		WHERE excluded.through >= summaries.through`,
		m.Visit, m.Through, string(m.Nature), m.Job, m.Address, m.Method, m.State, m.Stop, micros(m.SupplyOffSince), m.Person,
		micros(m.Opened), offsetOf(m.Opened), day, micros(m.Last), offsetOf(m.Last), m.Outcome, m.Discrepancies, m.Lines, m.Chains, m.Forks, details)
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n == 0 {
		return err
	}
	return saveNeeds(ctx, tx, m.Visit, m.Needs)
}

// Visit returns the summary of one visit. The error wraps ErrNotFound if there is none (yet).
func (s *Store) Visit(ctx context.Context, visit string) (Summary, error) {
	m, err := first(s.summaries(ctx, ` WHERE visit = $1`, visit))
	return m, s.while(err, "summary of visit %q", visit)
}

// A Filter chooses visits. Empty fields choose all.
type Filter struct {
	Nature record.Nature
	Day    string // on which the visit was opened, by the device's clock, YYYY-MM-DD
	Person string
	State  string
	Job    string
	// After continues a listing: the Next of the page before.
	After string
	// Limit is the greatest number of visits, from 1 to MaxPage; 0 means MaxPage.
	Limit int
}

// MaxPage is the greatest number of visits in one page.
const MaxPage = 200

// A Page is a part of a listing.
type Page struct {
	Visits []Summary
	// Next goes into Filter.After for the following page; empty on the last one.
	Next string
}

// Visits lists visits, those opened last first. A page costs the same wherever it stands in
// the listing. A visit that changes meanwhile is listed once, as long as its opening stays.
func (s *Store) Visits(ctx context.Context, f Filter) (Page, error) {
	query := ""
	var args []any
	join := " WHERE "
	// Each condition has its placeholders as %, numbered in order.
	and := func(condition string, values ...any) {
		query += join
		join = " AND "
		for _, v := range values {
			before, after, _ := strings.Cut(condition, "%")
			args = append(args, v)
			query += before + "$" + strconv.Itoa(len(args))
			condition = after
		}
		query += condition
	}
	equal := func(column, value string) {
		if value != "" {
			and(column+" = %", value)
		}
	}
	equal("nature", string(f.Nature))
	equal("day", f.Day)
	equal("person", f.Person)
	equal("state", f.State)
	equal("job", f.Job)
	if f.After != "" {
		opened, visit, err := parseCursor(f.After)
		if err != nil {
			return Page{}, fmt.Errorf("list visits: %w", err)
		}
		and("(opened, visit) < (%, %)", opened, visit)
	}
	limit := f.Limit
	if limit < 1 || limit > MaxPage {
		limit = MaxPage
	}
	args = append(args, limit+1)
	all, err := s.summaries(ctx, query+" ORDER BY opened DESC, visit DESC LIMIT $"+strconv.Itoa(len(args)), args...)
	if err != nil {
		return Page{}, s.while(err, "list visits")
	}
	page := Page{Visits: all}
	if len(all) > limit {
		page.Visits = all[:limit]
		last := all[limit-1]
		page.Next = strconv.FormatInt(micros(last.Opened), 10) + "." + last.Visit
	}
	return page, nil
}

func parseCursor(s string) (int64, string, error) {
	number, visit, ok := strings.Cut(s, ".")
	opened, err := strconv.ParseInt(number, 10, 64)
	if !ok || err != nil {
		return 0, "", errors.New("the mark of the following page is not one that a listing gave: begin from the first page")
	}
	return opened, visit, nil
}

func (s *Store) summaries(ctx context.Context, which string, args ...any) ([]Summary, error) {
	return collect(ctx, s.db.Read, scanSummary, `SELECT `+summaryColumns+` FROM summaries`+which, args...)
}

// A Projector makes the summary of a visit from its events and from nothing else: the same
// events give the same summary.
type Projector interface {
	// Edition names the projector's rules. When it changes, all summaries are made anew.
	Edition() string
	// Project makes the summary of one visit. The events come as [Store.Lines] orders them;
	// where a chain is forked, those of all versions. An error from events must be
	// returned, and ends the work without a summary. Any other error makes the summary
	// UnreadableState.
	Project(visit string, events iter.Seq2[record.Event, error]) (Summary, error)
}

// Portions of work for one transaction.
const (
	portionLines  = 4096
	portionVisits = 256
)

// mark returns the acceptance number up to which all lines are in the summaries, and the edition of
// the projector that made them.
func (s *Store) mark(ctx context.Context) (mark int64, edition string, err error) {
	err = s.db.Read.QueryRowContext(ctx, `SELECT mark, edition FROM projections WHERE id = 1`).Scan(&mark, &edition)
	return mark, edition, s.while(err, "mark of the summaries")
}

// checkEdition sets the mark back to the beginning if another projector made the summaries.
// They stay until theirs is made anew.
func (s *Store) checkEdition(ctx context.Context) error {
	if s.opts.Projector == nil {
		return nil
	}
	_, edition, err := s.mark(ctx)
	if err != nil || edition == s.opts.Projector.Edition() {
		return err
	}
	return s.exec(ctx, `UPDATE projections SET edition = $1, mark = 0 WHERE id = 1`, s.opts.Projector.Edition())
}

// noticed wakes the background work.
func (s *Store) noticed() {
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// follow brings the summaries up to date whenever lines are accepted.
func (s *Store) follow(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.kick:
		}
		if err := s.CatchUp(ctx); err != nil && ctx.Err() == nil {
			s.opts.Failed(fmt.Errorf("summaries fell behind: they go on with the next lines: %w", err))
		}
	}
}

// CatchUp brings the summaries up to date with all lines accepted before the call.
func (s *Store) CatchUp(ctx context.Context) error {
	if s.opts.Projector == nil {
		return nil
	}
	target, err := s.LastNumber(ctx)
	if err != nil {
		return err
	}
	s.projecting.Lock()
	defer s.projecting.Unlock()
	for {
		mark, _, err := s.mark(ctx)
		if err != nil {
			return err
		}
		if mark >= target {
			return nil
		}
		visits, through, err := s.touched(ctx, mark)
		if err != nil {
			return err
		}
		if err := s.project(ctx, visits, false, func(ctx context.Context, tx *sql.Tx) error {
			return exec(ctx, tx, `UPDATE projections SET mark = $1 WHERE id = 1 AND mark < $1`, through)
		}); err != nil {
			return err
		}
	}
}

// touched returns the visits of the lines that follow the mark, a portion, and the number of
// the last of these lines.
func (s *Store) touched(ctx context.Context, mark int64) (visits []string, through int64, err error) {
	known := map[string]bool{}
	through = mark
	err = rows(ctx, s.db.Read, func(r *sql.Rows) error {
		var visit string
		var number int64
		if err := r.Scan(&number, &visit); err != nil {
			return err
		}
		if !known[visit] && len(visits) == portionVisits {
			return errPortion
		}
		if !known[visit] {
			known[visit] = true
			visits = append(visits, visit)
		}
		through = number
		return nil
	}, `SELECT l.accepted, c.visit FROM lines l JOIN chains c ON c.chain = l.chain
		WHERE l.accepted > $1 ORDER BY l.accepted LIMIT $2`, mark, portionLines)
	if err != nil && !errors.Is(err, errPortion) {
		return nil, 0, s.while(err, "lines that are not in the summaries")
	}
	return visits, through, nil
}

var errPortion = errors.New("the portion is full")

// project makes the summaries of visits and saves them in one transaction with what else then
// does. With anew they take the place of whatever is there.
func (s *Store) project(ctx context.Context, visits []string, anew bool, then func(context.Context, *sql.Tx) error) error {
	made := make([]Summary, len(visits))
	for i, v := range visits {
		var err error
		if made[i], err = s.summarise(ctx, v); err != nil {
			return err
		}
	}
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		for _, m := range made {
			if anew {
				if err := exec(ctx, tx, `DELETE FROM summaries WHERE visit = $1`, m.Visit); err != nil {
					return err
				}
			}
			if err := m.save(ctx, tx); err != nil {
				return fmt.Errorf("save the summary of visit %s: %w", m.Visit, err)
			}
		}
		return then(ctx, tx)
	})
}

// summarise makes one summary.
func (s *Store) summarise(ctx context.Context, visit string) (Summary, error) {
	r := reading{s: s, ctx: ctx, visit: visit}
	m, err := s.opts.Projector.Project(visit, r.events)
	if !r.began {
		r.events(func(record.Event, error) bool { return false })
	}
	if r.broken != nil {
		return Summary{}, fmt.Errorf("summary of visit %s: %w", visit, r.broken)
	}
	if err != nil {
		text, _ := jsontext.AppendQuote(nil, err.Error())
		m = Summary{State: UnreadableState, Needs: []Need{{Key: UnreadableState, Since: r.last.Wall, Danger: true}}, Opened: r.first.Wall, Last: r.last.Wall, Person: r.first.Person, Details: jsontext.Value(`{"error":` + string(text) + `}`)}
	}
	m.Visit, m.Nature, m.Lines, m.Through, m.Chains, m.Forks = visit, r.first.Nature, r.lines, r.through, len(r.versions), 0
	for _, highest := range r.versions {
		m.Forks += highest
	}
	return m, nil
}

// A reading gives a visit's events to the projector and notes what the store wants to know of
// them. It goes on to the last line even if the projector stops before, so that the summary
// rests on all of them.
type reading struct {
	s     *Store
	ctx   context.Context
	visit string

	began    bool
	broken   error // an error of reading, not of the projector
	lines    int64
	through  int64
	first    record.Event
	last     record.Event
	versions map[record.Key]int
}

func (r *reading) events(yield func(record.Event, error) bool) {
	r.began, r.broken, r.lines, r.through, r.versions = true, nil, 0, 0, map[record.Key]int{}
	wanted := true
	for l, err := range r.s.Lines(r.ctx, r.visit) {
		var e record.Event
		if err == nil {
			if e, err = record.Decode(l.Bytes); err != nil {
				err = fmt.Errorf("line with acceptance number %d: %w: %w", l.Number, ErrDamaged, err)
			}
		}
		if err != nil {
			r.broken = err
			if wanted {
				yield(record.Event{}, err)
			}
			return
		}
		if r.lines++; r.lines == 1 {
			r.first = e
		}
		r.last = e
		r.through = max(r.through, l.Number)
		r.versions[l.Key] = max(r.versions[l.Key], l.Version)
		wanted = wanted && yield(e, nil)
	}
}

// A RebuildProgress tells how far Rebuild has come.
type RebuildProgress struct{ Done, Visits int64 }

// Rebuild makes all summaries anew from the lines, and removes those without a visit. Until
// each is made, the old one stands. Progress, if not nil, is called after every portion. The
// background work waits meanwhile. Rebuild may be broken off and begun again.
func (s *Store) Rebuild(ctx context.Context, progress func(RebuildProgress)) error {
	if s.opts.Projector == nil {
		return errors.New("rebuild: no projector was given")
	}
	s.projecting.Lock()
	defer s.projecting.Unlock()
	var p RebuildProgress
	err := s.db.Read.QueryRowContext(ctx, `SELECT count(DISTINCT visit) FROM chains`).Scan(&p.Visits)
	after := ""
	for err == nil {
		var visits []string
		visits, err = collect(ctx, s.db.Read, only[string], `SELECT DISTINCT visit FROM chains WHERE visit > $1 ORDER BY visit LIMIT $2`, after, portionVisits)
		if err != nil || len(visits) == 0 {
			break
		}
		// The summaries rest at least on the lines up to here. If a server beside this one has
		// gone further meanwhile, the mark goes back to it.
		sure, lastErr := s.LastNumber(ctx)
		if err = lastErr; err != nil {
			break
		}
		err = s.project(ctx, visits, true, func(ctx context.Context, tx *sql.Tx) error {
			return exec(ctx, tx, `UPDATE projections SET mark = $1 WHERE id = 1 AND mark > $1`, sure)
		})
		after = visits[len(visits)-1]
		p.Done += int64(len(visits))
		if err == nil && progress != nil {
			progress(p)
		}
	}
	if err == nil {
		err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
			for _, table := range []string{"summaries", "needs"} {
				if err := exec(ctx, tx, `DELETE FROM `+table+` WHERE visit NOT IN (SELECT visit FROM chains)`); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return s.while(err, "rebuild")
}
