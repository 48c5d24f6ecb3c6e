package office

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/internal/jobs/intake"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/store"
)

// jobRow is one job with what became of it.
type jobRow struct {
	store.Job
	Who string
	// Standing says how far its newest visit is, Link leads there.
	Standing, Link string
}

// when is the appointment.
func (j jobRow) when() string { return strings.TrimSpace(j.Day + " " + j.Hour) }

// jobPageSize bounds the jobs of one page: each is looked up among the visits.
const jobPageSize = 200

// jobColumns are the columns of the list. The store orders the jobs by them.
func (o *Office) jobColumns() []column[jobRow] {
	standing := plainly("standing", "", func(j jobRow) string { return j.Standing })
	standing.Cell = func(j jobRow) cell { return cell{Text: j.Standing, Link: j.Link} }
	list := []column[jobRow]{plainly("job", "num", func(j jobRow) string { return j.Reference }), plainly("premises", "", func(j jobRow) string { return j.Address }),
		plainly("meter-point", "num", func(j jobRow) string { return j.Point }), plainly("appointment", "", jobRow.when), plainly("who", "", func(j jobRow) string { return j.Who }), standing,
		timed("changed", func(j jobRow) time.Time { return j.Changed.UTC() }, func(t time.Time) string { return o.since(t.Local()) })}
	for i := range list {
		_, list[i].Sorted = jobOrders[list[i].ID]
		list[i].Compare = nil
	}
	return list
}

var jobOrders = map[string]store.JobOrder{"job": store.ByReference, "premises": store.ByAddress, "meter-point": store.ByMeterPoint,
	"appointment": store.ByAppointment, "who": store.ByPerson, "changed": store.ByChanged}

// jobFilter is what the address asks for.
func jobFilter(q query, n names) store.JobFilter {
	f := store.JobFilter{Words: q.get("words"), Day: q.get("on")}
	if f.Words != "" {
		for id := range n {
			if matches(f.Words, n.of(id)) {
				f.Named = append(f.Named, id)
			}
		}
		slices.Sort(f.Named)
	}
	if standing := q.get("standing"); standing == "waiting" || standing == "begun" {
		f.Begun = new(standing == "begun")
	}
	by, down := strings.CutPrefix(q.get("sort"), "-")
	f.By, f.Down = jobOrders[by], down
	return f
}

// jobRows returns the jobs of a filter with what became of them.
func (o *Office) jobRows(r *request, f store.JobFilter, n names) ([]jobRow, error) {
	var list []jobRow
	for j, err := range o.store.Jobs(r.ctx, f) {
		if err != nil {
			return nil, err
		}
		list = append(list, jobRow{Job: j, Who: n.of(j.Person), Standing: o.lang.Say("office.jobs.not-begun")})
	}
	for i := range list {
		v, err := o.store.Visits(r.ctx, store.Filter{Job: list[i].Reference, Limit: 1})
		if err != nil {
			return nil, err
		}
		if len(v.Visits) > 0 {
			s := o.row(r, v.Visits[0], n, o.opts.Now())
			list[i].Standing, list[i].Link = s.Where, s.Link
		}
	}
	return list, nil
}

// csvPortion is how many jobs are held at a time while a file of them is written.
const csvPortion = 5000

func (o *Office) jobs(r *request) error {
	p, err := o.listPage(r, "jobs", "jobs", "/jobs", "/jobs.csv")
	if err != nil {
		return err
	}
	f := jobFilter(r.q, p.names)
	if r.q.asFile() {
		f.Limit = csvPortion
		return writeCSV(r, "jobs", o.jobColumns(), func() ([]jobRow, error) {
			rows, err := o.jobRows(r, f, p.names)
			f.Skip += len(rows)
			return rows, err
		})
	}
	all, err := o.store.CountJobs(r.ctx, f)
	if err != nil {
		return err
	}
	if f.Skip, err = o.turn(r, p, all, jobPageSize); err != nil {
		return err
	}
	f.Limit = jobPageSize
	rows, err := o.jobRows(r, f, p.names)
	if err != nil {
		return err
	}
	p.text(r, "words", "")
	p.text(r, "on", "date")
	p.choose(r, "standing", "any", p.keyed("filter.standing", "waiting", "begun")...)
	p.Acts = []link{{o.opts.Base + "/jobs/import", p.Say("office.import.title")}}
	return serve(r, p, "jobs", o.jobColumns(), rows, nil)
}

// importPage is the form for a file of jobs, and what would become of one, or became of it.
type importPage struct {
	frame
	Columns []string
	Example string
	Most    int64
	Problem string
	// Name, Content and Result are of the file that was looked at. Content goes back with the
	// confirmation.
	Name, Content string
	Result        *intake.Result
	// Rows are those that a person has to look at first, Further counts the others.
	Rows    table
	Further int
}

// maxRowsNamed bounds the rows that the page names.
const maxRowsNamed = 1000

// importPage makes the form. The example is one that this office would take: it names a person
// who is known here, or nobody.
func (o *Office) importPage(r *request) (importPage, error) {
	p := importPage{frame: o.frame(r, o.lang.Say("office.import.title"), "jobs"), Columns: jobfile.Columns(), Most: jobfile.MaxCSV}
	people, err := o.takers(r)
	if err != nil {
		return p, err
	}
	who := ""
	if len(people) > 0 {
		who = people[0].Value
	}
	tomorrow := o.opts.Now().AddDate(0, 0, 1)
	p.Example = fmt.Sprintf("job,address,meter_point,meter,arrangement,method,registers,appointment,person,fictional\n"+
		"NM-2001,%q,99 0000 0000 015,Z11 40817,TN-C-S,gb-single-phase-exchange,final-import 5 %s=04127,%s 09:00,%s,yes\n",
		p.Say("office.import.example-address"), tomorrow.AddDate(0, -6, 0).Format(time.DateOnly), tomorrow.Format(time.DateOnly), who)
	return p, nil
}

func (o *Office) importForm(r *request) error {
	p, err := o.importPage(r)
	if err != nil {
		return err
	}
	return r.show(p)
}

// previewImport shows what a file would do, and keeps nothing.
func (o *Office) previewImport(r *request) error {
	p, err := o.importPage(r)
	if err != nil {
		return err
	}
	up, err := o.uploads(r, jobfile.MaxCSV, 1)
	if err != nil {
		return o.problem(r, &p, err)
	}
	in, err := intake.For(o.opts.Pack)
	if err != nil {
		return err
	}
	p.Name, p.Content = up[0].Name, base64.RawURLEncoding.EncodeToString(up[0].Content)
	p.Result, err = in.Preview(r.ctx, o.store, up[0].Content)
	return o.showImport(r, &p, err)
}

// takeJobs does what a preview showed. The form holds the file that was looked at, and its hash.
func (o *Office) takeJobs(r *request) error {
	p, err := o.importPage(r)
	if err != nil {
		return err
	}
	r.r.Body = http.MaxBytesReader(r.w, r.r.Body, jobfile.MaxCSV/3*4+4<<10)
	if err := r.r.ParseForm(); err != nil {
		return o.problem(r, &p, o.tooMuch(err, jobfile.MaxCSV))
	}
	file, err := base64.RawURLEncoding.DecodeString(r.r.PostForm.Get("content"))
	hash := r.r.PostForm.Get("hash")
	if err != nil || hash == "" {
		return o.problem(r, &p, o.refuse(http.StatusBadRequest, "not-looked-at"))
	}
	in, err := intake.For(o.opts.Pack)
	if err != nil {
		return err
	}
	p.Name = fileName(r.r.PostForm.Get("name"))
	p.Result, err = in.Take(r.ctx, o.store, p.Name, file, hash)
	return o.showImport(r, &p, err)
}

// showImport shows what became of a file, or why it cannot be taken as a whole.
func (o *Office) showImport(r *request, p *importPage, err error) error {
	var whole *intake.FileError
	switch {
	case errors.As(err, &whole):
		err = o.refuse(http.StatusUnprocessableEntity, "file", "name", p.Name, "why", whole.Error())
	case errors.Is(err, intake.ErrOtherBytes):
		err = o.refuse(http.StatusConflict, "file", "name", p.Name, "why", err.Error())
	}
	if err != nil {
		return o.problem(r, p, err)
	}
	p.Rows.Label = p.Say("office.import.rows")
	for _, c := range [][2]string{{"line", "sum"}, {"job", "num"}, {"premises", ""}, {"outcome", ""}, {"column", "num"}, {"reason", ""}} {
		p.Rows.add(head{Title: p.Say("office.column." + c[0])}, c[1])
	}
	p.Rows.Heads[0].Class = "sum"
	for _, f := range intake.Fates() {
		for _, x := range p.Result.Rows {
			if x.Fate == f && len(p.Rows.Rows) < maxRowsNamed {
				p.Rows.Rows = append(p.Rows.Rows, row{Cells: []cell{{Text: strconv.Itoa(x.Line)}, {Text: x.Job}, {Text: x.Address},
					{Text: p.Say("office.import.fate." + p.fate(x.Fate))}, {Text: x.Column}, {Text: p.reason(&x)}}})
			}
		}
	}
	p.Further = len(p.Result.Rows) - len(p.Rows.Rows)
	return r.show(p)
}

// takes says whether a confirmation would keep anything.
func (p importPage) takes() bool {
	return p.Result.Count(intake.New)+p.Result.Count(intake.Changed) > 0
}

// sums says how many rows go each way.
func (p importPage) sums() string {
	var parts []string
	for _, f := range []intake.Fate{intake.New, intake.Changed, intake.Same, intake.Begun, intake.Refused} {
		parts = append(parts, p.Say("office.import.sum."+p.fate(f), "n", p.Result.Count(f)))
	}
	return strings.Join(parts, ", ")
}

// fate is the key for what becomes of a row, or became of it.
func (p importPage) fate(f intake.Fate) string {
	if p.Result.Kept && (f == intake.New || f == intake.Changed) {
		return string(f) + ".kept"
	}
	return string(f)
}

// reason says why a row is refused and how to mend it, or what it says otherwise.
func (p importPage) reason(row *intake.Row) string {
	switch {
	case row.Problem != "" && row.Mend != "":
		return p.Say("office.import.problem-mend", "problem", row.Problem, "mend", row.Mend)
	case row.Problem != "":
		return p.Say("office.begin", "words", row.Problem)
	case len(row.Differs) > 0:
		return p.Say("office.import.differs", "parts", row.Differs)
	}
	return ""
}

// problem shows the form again with what was wrong.
func (o *Office) problem(r *request, p *importPage, err error) error {
	var why *refused
	if !errors.As(err, &why) {
		return err
	}
	p.Problem = why.words
	r.showAs(why.status, p)
	return nil
}
