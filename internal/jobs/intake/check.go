package intake

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"meterwright/internal/jobs"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/store"
	"meterwright/method"
)

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
	r, err := c.shelf.Resolve(j.Method, j.Overlays, j.ForMethod(), c.limits)
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
