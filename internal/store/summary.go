package store

import (
	"context"
	"database/sql"
	"encoding/json/jsontext"
	"errors"
	"fmt"
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
