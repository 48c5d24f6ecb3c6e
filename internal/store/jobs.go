package store

import (
	"context"
	"database/sql"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/record"
)

// A Job is work to be done, as another system of the employer's gave it. What lists choose and
// order jobs by stands beside the body, since the store does not read it.
type Job struct {
	Reference string         // the other system's, unique
	Body      jsontext.Value // a JSON object
	Day       string         // of the appointment, YYYY-MM-DD; empty where there is none
	Hour      string         // what the appointment says besides
	Person    string         // identifier of who goes; empty where nobody is named
	Address   string
	Point     string // the meter point
	Words     string // what else a search looks at

	// The following are set by the store.

	Batch   string // names the import that wrote Body last
	Added   time.Time
	Changed time.Time // when Body changed last; Added at first
}

// A JobFate is what an import makes of a job.
type JobFate string

// The fates of a job.
const (
	JobNew     JobFate = "new"
	JobChanged JobFate = "changed"
	JobSame    JobFate = "same"
	// JobBegun: a visit of it has begun. It stays as it is.
	JobBegun JobFate = "begun"
)

// A JobPlan is what an import makes of one of its jobs, and the body that is kept so far.
type JobPlan struct {
	Fate JobFate
	Kept jsontext.Value
}

// PlanJobs says what ImportJobs would make of jobs, in their order, and keeps nothing.
func (s *Store) PlanJobs(ctx context.Context, jobs []Job) ([]JobPlan, error) {
	bodies, err := uniformAll(jobs)
	var plan []JobPlan
	for i := 0; err == nil && i < len(jobs); i++ {
		var p JobPlan
		p, err = planJob(ctx, s.db.Read, jobs[i].Reference, bodies[i])
		plan = append(plan, p)
	}
	if err != nil {
		return nil, s.while(err, "plan an import of jobs")
	}
	return plan, nil
}

// ImportJobs takes jobs over, all or none, and says what became of each. A reference that is
// known is brought up to date if its body says something else, unless the summaries know a visit
// of it; spacing, order of fields and the writing of strings count for nothing, digits do. So an
// import can be repeated. An error says which row, from 1.
func (s *Store) ImportJobs(ctx context.Context, batch string, jobs []Job) ([]JobPlan, error) {
	fail := func(err error) ([]JobPlan, error) { return nil, s.while(err, "import jobs %q", batch) }
	if batch == "" {
		return fail(errors.New("the import needs a name"))
	}
	bodies, err := uniformAll(jobs)
	if err != nil {
		return fail(err)
	}
	plan := make([]JobPlan, len(jobs))
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		now := micros(s.opts.Now())
		for i, j := range jobs {
			p, err := planJob(ctx, tx, j.Reference, bodies[i])
			if err == nil && (p.Fate == JobNew || p.Fate == JobChanged) {
				words := strings.ToLower(strings.Join([]string{j.Reference, j.Address, j.Point, j.Words}, "\n"))
				err = exec(ctx, tx, `INSERT INTO jobs (reference, body, batch, added, changed, day, hour, person, address, meter_point, words)
					VALUES ($1, $2, $3, $4, $4, $5, $6, $7, $8, $9, $10)
					ON CONFLICT (reference) DO UPDATE SET body = excluded.body, batch = excluded.batch, changed = excluded.changed, day = excluded.day, hour = excluded.hour,
						person = excluded.person, address = excluded.address, meter_point = excluded.meter_point, words = excluded.words`,
					j.Reference, bodies[i], batch, now, j.Day, j.Hour, j.Person, j.Address, j.Point, words)
			}
			if err != nil {
				return fmt.Errorf("row %d, reference %q: %w", i+1, j.Reference, err)
			}
			plan[i] = p
		}
		return nil
	})
	if err != nil {
		return fail(err)
	}
	return plan, nil
}

// uniformAll returns the bodies of jobs that an import may hold together.
func uniformAll(jobs []Job) ([]string, error) {
	seen := map[string]int{}
	bodies := make([]string, len(jobs))
	for i, j := range jobs {
		if j.Reference == "" {
			return nil, fmt.Errorf("row %d has no reference", i+1)
		}
		if first, twice := seen[j.Reference]; twice {
			return nil, fmt.Errorf("rows %d and %d both have the reference %q: leave one out", first+1, i+1, j.Reference)
		}
		seen[j.Reference] = i
		var err error
		if bodies[i], err = uniform(j.Body); err != nil {
			return nil, fmt.Errorf("row %d, reference %q: %w", i+1, j.Reference, err)
		}
	}
	return bodies, nil
}

func planJob(ctx context.Context, q querier, reference, body string) (JobPlan, error) {
	p := JobPlan{Fate: JobNew}
	err := rows(ctx, q, func(r *sql.Rows) error {
		var kept string
		var begun bool
		err := r.Scan(&kept, &begun)
		switch p.Kept = jsontext.Value(kept); {
		case kept == body:
			p.Fate = JobSame
		case begun:
			p.Fate = JobBegun
		default:
			p.Fate = JobChanged
		}
		return err
	}, `SELECT body, EXISTS (SELECT 1 FROM summaries WHERE job = reference) FROM jobs WHERE reference = $1`, reference)
	return p, err
}

// uniform writes a JSON object in one form, every digit as it was.
func uniform(body jsontext.Value) (string, error) {
	v := slices.Clone(body)
	if v.Kind() != '{' {
		return "", errors.New("the body must be a JSON object")
	}
	err := v.Format(jsontext.ReorderRawObjects(true), jsontext.CanonicalizeRawInts(false), jsontext.CanonicalizeRawFloats(false))
	if err != nil {
		return "", fmt.Errorf("the body must be a JSON object: %w", err)
	}
	return string(v), nil
}

const jobColumns = `SELECT reference, body, batch, added, changed, day, hour, person, address, meter_point FROM jobs`

func scanJob(r *sql.Rows, j *Job) error {
	return r.Scan(&j.Reference, (*[]byte)(&j.Body), &j.Batch, when{&j.Added}, when{&j.Changed}, &j.Day, &j.Hour, &j.Person, &j.Address, &j.Point)
}

// Job returns one job. The error wraps ErrNotFound if there is none.
func (s *Store) Job(ctx context.Context, reference string) (Job, error) {
	j, err := first(collect(ctx, s.db.Read, scanJob, jobColumns+` WHERE reference = $1`, reference))
	return j, s.while(err, "job %q", reference)
}

// A JobFilter chooses jobs and orders them. Empty fields choose all, by reference.
type JobFilter struct {
	// Day is the day of the appointment, Undated chooses the jobs that have none.
	Day     string
	Undated bool
	// People chooses the jobs of these people, or with Others those of all other people; an
	// empty identifier stands for nobody.
	People []string
	Others bool
	// Begun says whether a visit of the job is known; nil chooses both.
	Begun *bool
	// Words is looked for in the job, without regard to case; jobs of Named fit too.
	Words string
	Named []string
	// By orders the jobs, Down turns the order round.
	By   JobOrder
	Down bool
	// Skip leaves out the first, Limit is the greatest number; 0 means all.
	Skip, Limit int
}

// A JobOrder is what jobs are ordered by.
type JobOrder int

// The orders of jobs. Jobs that are alike in it come by reference.
const (
	ByReference JobOrder = iota
	ByAppointment
	ByPerson
	ByAddress
	ByMeterPoint
	ByChanged
)

var jobOrders = map[JobOrder][]string{ByReference: {}, ByAppointment: {"day", "hour"}, ByPerson: {"person"}, ByAddress: {"address"}, ByMeterPoint: {"meter_point"}, ByChanged: {"changed"}}

// where is the condition of a filter.
func (f JobFilter) where() (text string, args []any) {
	var all []string
	value := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	in := func(list []string) string {
		var marks []string
		for _, v := range list {
			marks = append(marks, value(v))
		}
		return "person IN (" + strings.Join(marks, ", ") + ")"
	}
	if f.Day != "" || f.Undated {
		all = append(all, "day = "+value(f.Day))
	}
	if len(f.People) > 0 {
		not := ""
		if f.Others {
			not = "NOT "
		}
		all = append(all, not+in(f.People))
	}
	if f.Begun != nil {
		not := "NOT "
		if *f.Begun {
			not = ""
		}
		all = append(all, not+"EXISTS (SELECT 1 FROM summaries WHERE job = reference)")
	}
	if f.Words != "" {
		plain := strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(strings.ToLower(f.Words))
		words := "words LIKE " + value("%"+plain+"%") + ` ESCAPE '\'`
		if len(f.Named) > 0 {
			words = "(" + words + " OR " + in(f.Named) + ")"
		}
		all = append(all, words)
	}
	if len(all) == 0 {
		return "", nil
	}
	return " WHERE " + strings.Join(all, " AND "), args
}

// Jobs lists the jobs that a filter chooses, as they are at one time, one by one, so that none of a long
// list need be held.
func (s *Store) Jobs(ctx context.Context, f JobFilter) iter.Seq2[Job, error] {
	query, args := f.where()
	down := ""
	if f.Down {
		down = " DESC"
	}
	var order []string
	for _, c := range append(slices.Clone(jobOrders[f.By]), "reference") {
		order = append(order, c+down)
	}
	query = jobColumns + query + " ORDER BY " + strings.Join(order, ", ")
	if f.Limit > 0 {
		query += fmt.Sprintf(" LIMIT %d OFFSET %d", f.Limit, f.Skip)
	}
	return func(yield func(Job, error) bool) {
		err := rows(ctx, s.db.Read, func(r *sql.Rows) error {
			var j Job
			err := scanJob(r, &j)
			if err == nil && !yield(j, nil) {
				return errEnough
			}
			return err
		}, query, args...)
		if err != nil && !errors.Is(err, errEnough) {
			yield(Job{}, s.while(err, "jobs"))
		}
	}
}

// CountJobs counts the jobs that a filter chooses, Skip and Limit apart.
func (s *Store) CountJobs(ctx context.Context, f JobFilter) (n int, err error) {
	query, args := f.where()
	err = s.db.Read.QueryRowContext(ctx, `SELECT count(*) FROM jobs`+query, args...).Scan(&n)
	return n, s.while(err, "count jobs")
}

// InHand lists the visits in one of the states that a person opened, or of which that device has a
// chain: every visit that can be in their hands.
func (s *Store) InHand(ctx context.Context, person string, key record.Key, states ...string) (visits []string, err error) {
	for _, state := range states {
		more, err := collect(ctx, s.db.Read, only[string],
			`SELECT s.visit FROM summaries s WHERE s.state = $1 AND (s.person = $2 OR EXISTS (SELECT 1 FROM chains c WHERE c.visit = s.visit AND c.device_key = $3)) ORDER BY s.visit`, state, person, key[:])
		if err != nil {
			return nil, s.while(err, "visits in the hands of %s", person)
		}
		visits = append(visits, more...)
	}
	return visits, nil
}

// errEnough ends a listing that nobody reads on.
var errEnough = errors.New("enough")
