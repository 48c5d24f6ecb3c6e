// Package intake takes jobs of another system over from a CSV file.
//
// An [Intake] looks at every row: whether it is a job at all (package jobfile), whether its method
// is one that is shipped and made for such a position, whether the method has the registers that
// it names, and whether the person is known. [Intake.Preview] says what would become of each row
// and keeps nothing; [Intake.Take] keeps the good rows of the same bytes and says what became of
// each. Both go through the same code. A job of which a visit has begun stays as it is.
package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"meterwright/internal/jobs"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/store"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/rules"
)

// Fate is what becomes of a row.
type Fate string

// The fates of a row. Good is said where there is no store to look into.
const (
	Refused = Fate("refused")
	Begun   = Fate(store.JobBegun)
	Changed = Fate(store.JobChanged)
	New     = Fate(store.JobNew)
	Same    = Fate(store.JobSame)
	Good    = Fate("good")
)

// Fates lists them, those first that a person has to look at.
func Fates() []Fate { return []Fate{Refused, Begun, Changed, New, Same, Good} }

// Row is one row of a file and what becomes of it.
type Row struct {
	Line    int    `json:"line"`
	Job     string `json:"job,omitempty"`
	Address string `json:"address,omitempty"`
	Fate    Fate   `json:"fate"`
	// Column, Problem and Mend say why it is refused.
	Column  string `json:"column,omitempty"`
	Problem string `json:"problem,omitempty"`
	Mend    string `json:"mend,omitempty"`
	// Differs names what the row says otherwise than the job that is kept.
	Differs []string `json:"differs,omitempty"`
}

// Result is what becomes of a file.
type Result struct {
	// Hash is the SHA-256 of its bytes.
	Hash string `json:"sha256"`
	// Kept says that it was taken over; else nothing was kept.
	Kept bool  `json:"kept"`
	Rows []Row `json:"rows"`
}

// Count says how many rows have the fate.
func (r *Result) Count(f Fate) int {
	n := 0
	for i := range r.Rows {
		if r.Rows[i].Fate == f {
			n++
		}
	}
	return n
}

// ErrOtherBytes is returned where a file is not the one that was previewed.
var ErrOtherBytes = errors.New("this is not the file that was previewed: look at it again")

// Intake checks jobs against the shipped methods and one country's rules.
type Intake struct {
	shelf  *written.Ruled
	format rules.MeterPointFormat
}

// For reads the shipped methods, and takes limits and numbers from a country's rules.
func For(pack *rules.Pack) (*Intake, error) {
	shelf, err := written.Under(pack)
	return &Intake{shelf, pack.MeterPoint}, err
}

// Kept is a job as the store keeps it.
func Kept(j *jobs.Job) (store.Job, error) {
	body, err := j.Body()
	if err != nil {
		return store.Job{}, err
	}
	return store.Job{Reference: j.Reference, Body: body, Day: j.Day(), Hour: j.Hour(), Person: j.Person, Address: j.Address, Point: j.MeterPoint,
		Words: strings.Join([]string{strings.ReplaceAll(j.MeterPoint, " ", ""), j.Meter, j.Appointment, j.Person}, "\n")}, nil
}

// Preview says what Take would do. Without a store, people are not looked up. An error that wraps
// a *FileError means that the file as a whole cannot be taken.
func (in *Intake) Preview(ctx context.Context, st *store.Store, file []byte) (*Result, error) {
	if st == nil {
		return in.run(ctx, nil, file, nil)
	}
	return in.run(ctx, st, file, st.PlanJobs)
}

// Take keeps the good rows. With a hash, the file must be the one that was previewed under it.
func (in *Intake) Take(ctx context.Context, st *store.Store, name string, file []byte, hash string) (*Result, error) {
	if hash != "" && hash != hashOf(file) {
		return nil, ErrOtherBytes
	}
	r, err := in.run(ctx, st, file, func(ctx context.Context, rows []store.Job) ([]store.JobPlan, error) {
		return st.ImportJobs(ctx, name+" "+hashOf(file), rows)
	})
	if err == nil {
		r.Kept = true
	}
	return r, err
}

// FileError says why a file as a whole cannot be taken.
type FileError struct{ Err error }

func (e *FileError) Error() string { return e.Err.Error() }
func (e *FileError) Unwrap() error { return e.Err }

func hashOf(file []byte) string {
	h := sha256.Sum256(file)
	return hex.EncodeToString(h[:])
}

func (in *Intake) run(ctx context.Context, st *store.Store, file []byte, do func(context.Context, []store.Job) ([]store.JobPlan, error)) (*Result, error) {
	rows, err := jobfile.ParseCSV(file, in.format)
	if err != nil {
		return nil, &FileError{err}
	}
	c := checker{Intake: in, fields: map[string]answer{}}
	if st != nil {
		if err := c.know(ctx, st); err != nil {
			return nil, err
		}
	}
	out := &Result{Hash: hashOf(file), Rows: make([]Row, len(rows))}
	var good []store.Job
	var at []int
	for i, r := range rows {
		row := &out.Rows[i]
		row.Line, row.Job, row.Fate = r.Line, r.Reference, Good
		fault := r.Fault
		if r.Job != nil {
			row.Job, row.Address = r.Job.Reference, r.Job.Address
			fault = c.check(r.Job)
		}
		if fault != nil {
			row.Fate, row.Column, row.Problem, row.Mend = Refused, fault.Column, fault.Problem, fault.Mend
			continue
		}
		j, err := Kept(r.Job)
		if err != nil {
			return nil, err
		}
		rows[i].Job = nil // The body is all that is needed from here on.
		good, at = append(good, j), append(at, i)
	}
	if do == nil || len(good) == 0 {
		return out, nil
	}
	plan, err := do(ctx, good)
	if err != nil {
		return nil, err
	}
	for k, p := range plan {
		row := &out.Rows[at[k]]
		row.Fate = Fate(p.Fate)
		if row.Fate == Changed || row.Fate == Begun {
			row.Differs = differs(p.Kept, good[k].Body)
		}
	}
	return out, nil
}

// differs names the parts of two jobs that are not alike.
func differs(a, b jsontext.Value) []string {
	var was, is map[string]jsontext.Value
	if json.Unmarshal(a, &was) != nil || json.Unmarshal(b, &is) != nil {
		return nil
	}
	all := maps.Clone(was)
	maps.Copy(all, is)
	var names []string
	for _, k := range slices.Sorted(maps.Keys(all)) {
		x, y := was[k], is[k]
		// Canonicalize leaves a part that is missing as it is, with an error.
		_, _ = x.Canonicalize(), y.Canonicalize()
		if string(x) != string(y) {
			names = append(names, strings.ReplaceAll(k, "_", " "))
		}
	}
	return names
}

// checker looks at the jobs of one file.
type checker struct {
	*Intake
	// people says who may go; nil where nobody can be asked.
	people map[string]bool
	// fields holds what was found of methods already, since many rows are alike in theirs.
	fields map[string]answer
}

// answer is what resolving a method came to: the fields for readings of registers, or a fault.
type answer struct {
	readings []string
	fault    *jobfile.Fault
}

// know asks the store who may go, and has it know every visit that has begun.
func (c *checker) know(ctx context.Context, st *store.Store) error {
	if err := st.CatchUp(ctx); err != nil {
		return err
	}
	people, err := st.People(ctx)
	if err != nil {
		return err
	}
	c.people = map[string]bool{}
	for _, p := range people {
		c.people[p.ID] = p.Withdrawn.IsZero()
	}
	return nil
}

// check returns what keeps the job from being carried out, or nil.
func (c *checker) check(j *jobs.Job) *jobfile.Fault {
	key := fmt.Sprintf("%q %q %+v", j.Method, j.Overlays, j.ForMethod())
	a, ok := c.fields[key]
	if !ok {
		a = c.resolve(j)
		c.fields[key] = a
	}
	if a.fault != nil {
		return a.fault
	}
	for _, r := range j.Registers {
		if !slices.Contains(a.readings, r.Entry) {
			return &jobfile.Fault{Column: "registers", Problem: fmt.Sprintf("%.40q is no register of this job's method", r.Entry), Mend: "use one of " + strings.Join(a.readings, ", ")}
		}
	}
	if c.people == nil || j.Person == "" {
		return nil
	}
	active, known := c.people[j.Person]
	switch {
	case !known:
		return &jobfile.Fault{Column: "person", Problem: fmt.Sprintf("nobody has the identifier %.40q", j.Person), Mend: "write an identifier that is known here, or leave the cell empty"}
	case !active:
		return &jobfile.Fault{Column: "person", Problem: fmt.Sprintf("%.40q was withdrawn", j.Person), Mend: "name somebody else, or leave the cell empty"}
	}
	return nil
}

// resolve has the method answer for the job's position.
func (c *checker) resolve(j *jobs.Job) answer {
	refuse := func(column, mend, format string, args ...any) answer {
		return answer{fault: &jobfile.Fault{Column: column, Problem: fmt.Sprintf(format, args...), Mend: mend}}
	}
	claims := j.Site.WithDefaults()
	fits := func(d *method.Document) bool {
		return d.For.Phases == claims.Phases && d.For.Metering == string(claims.Metering)
	}
	var suitable []string
	for _, d := range c.shelf.Methods {
		if fits(d) {
			suitable = append(suitable, d.ID)
		}
	}
	position := fmt.Sprintf("%d-phase %s position", claims.Phases, claims.Metering)
	mend := "there is none for a " + position
	if len(suitable) > 0 {
		mend = "for a " + position + " write " + strings.Join(suitable, " or ")
	}
	if j.Method == "" {
		return refuse("method", mend, "the method is missing")
	}
	d, err := c.shelf.Method(j.Method)
	if err != nil {
		return refuse("method", mend, "there is no method %.40q", j.Method)
	}
	if !fits(d) {
		return refuse("method", mend, "%s is for %d-phase %s positions, and the row claims %d-phase %s", d.ID, d.For.Phases, d.For.Metering, claims.Phases, claims.Metering)
	}
	for _, id := range j.Overlays {
		if _, err := c.shelf.Overlay(id); err != nil {
			return refuse("overlays", "", "%s", err)
		}
	}
	r, err := c.shelf.For(j.Method, j.Overlays, j.ForMethod())
	if err != nil {
		column := "method"
		if len(j.Overlays) > 0 {
			column = "overlays"
		}
		first, _, _ := strings.Cut(err.Error(), "\n")
		return refuse(column, "", "%s", first)
	}
	var a answer
	for i := range r.Steps {
		if r.Steps[i].Record == nil {
			continue
		}
		for _, f := range r.Steps[i].Record.Fields {
			if f.Type == "reading" {
				a.readings = append(a.readings, f.ID)
			}
		}
	}
	return a
}
