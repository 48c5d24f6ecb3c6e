package office

import (
	"cmp"
	"crypto/sha256"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"path"
	"strings"
	"time"

	"meterwright/internal/jobs"
	"meterwright/internal/store"
)

// jobRow is one job with what became of it.
type jobRow struct {
	Reference string
	Changed   time.Time
	Job       jobs.Job
	Who       string
	// Standing says how far its newest visit is, Link leads there.
	Standing, Link string
}

type jobList struct {
	frame
	Heads  []head
	Rows   []jobRow
	Fields []field
	CSV    string
	// More leads to the jobs after these.
	More string
}

// jobPageSize bounds the jobs of one page: each is looked up among the visits.
const jobPageSize = 200

func jobColumns() []column[jobRow] {
	by := func(id, title string, f func(jobRow) string) column[jobRow] {
		return column[jobRow]{ID: id, Title: title, Compare: func(a, b jobRow) int { return cmp.Compare(strings.ToLower(f(a)), strings.ToLower(f(b))) }, Text: f}
	}
	return []column[jobRow]{
		by("job", "Job", func(j jobRow) string { return j.Reference }),
		by("premises", "Premises", func(j jobRow) string { return j.Job.Address }),
		by("meter-point", "Meter point", func(j jobRow) string { return j.Job.MeterPoint }),
		by("appointment", "Appointment", func(j jobRow) string { return j.Job.Appointment }),
		by("who", "Who", func(j jobRow) string { return j.Who }),
		by("standing", "Standing", func(j jobRow) string { return j.Standing }),
		{ID: "changed", Title: "Changed", Compare: func(a, b jobRow) int { return a.Changed.Compare(b.Changed) }, Text: func(j jobRow) string { return j.Changed.UTC().Format(time.RFC3339) }},
	}
}

func (o *Office) jobPage(r *request) (jobList, error) {
	p := jobList{frame: o.frame(r, "Jobs", "jobs"), CSV: r.q.csv()}
	n, err := o.names(r.ctx)
	if err != nil {
		return p, err
	}
	list, err := o.store.Jobs(r.ctx, r.q.get("after"), jobPageSize)
	if err != nil {
		return p, err
	}
	if len(list) == jobPageSize {
		p.More = r.q.with("after", list[len(list)-1].Reference)
	}
	standing := r.q.get("standing")
	for _, j := range list {
		row := jobRow{Reference: j.Reference, Changed: j.Changed, Standing: "not begun"}
		// A body of another shape leaves the row with its reference alone.
		_ = json.Unmarshal(j.Body, &row.Job)
		row.Who = n.of(row.Job.Person)
		if !matches(r.q.get("words"), j.Reference, row.Job.Address, row.Job.MeterPoint, row.Who) {
			continue
		}
		v, err := o.store.Visits(r.ctx, store.Filter{Job: j.Reference, Limit: 1})
		if err != nil {
			return p, err
		}
		if len(v.Visits) > 0 {
			s := o.row(v.Visits[0], n, o.opts.Now())
			row.Standing, row.Link = s.Where, s.Link
		}
		if standing == "waiting" && row.Link != "" || standing == "begun" && row.Link == "" {
			continue
		}
		p.Rows = append(p.Rows, row)
	}
	p.Heads = arrange(r.q, jobColumns(), p.Rows)
	p.Fields = []field{
		{Name: "words", Words: "Words", Value: r.q.get("words")},
		{Name: "standing", Words: "Standing", Choices: choices(standing, "All", [2]string{"waiting", "Not begun"}, [2]string{"begun", "With a visit"})},
	}
	return p, nil
}

func (o *Office) jobs(r *request) error {
	p, err := o.jobPage(r)
	if err != nil {
		return err
	}
	return r.show(p)
}

func (o *Office) jobsCSV(r *request) error {
	p, err := o.jobPage(r)
	if err != nil {
		return err
	}
	return writeCSV(r, "jobs", jobColumns(), p.Rows)
}

// importPage is the form for a file of jobs, and what became of one.
type importPage struct {
	frame
	Columns []string
	Example string
	Most    int64
	Problem string
	Done    bool
	Good    int
	Left    int
	Count   store.ImportCount
	Faults  []jobs.RowFault
}

const example = `job,address,meter_point,meter,arrangement,registers,appointment,person,fictional
NM-2001,"4 Example Row, Northmere",99 0000 0000 015,Z11 40817,TN-C-S,final-import 5 2026-05-24=04127,09:00,nq-104,yes
`

func (o *Office) importPage(r *request) importPage {
	return importPage{frame: o.frame(r, "Import jobs", "jobs"), Columns: jobs.Columns(), Example: example, Most: jobs.MaxCSV}
}

func (o *Office) importForm(r *request) error { return r.show(o.importPage(r)) }

// maxFaults bounds the rows that the page names.
const maxFaults = 500

func (o *Office) importJobs(r *request) error {
	p := o.importPage(r)
	up, err := uploads(r, jobs.MaxCSV, 1)
	if err != nil {
		return o.problem(r, &p, err)
	}
	table, err := jobs.ParseCSV(up[0].Content, o.opts.Pack.MeterPoint, nil)
	if err != nil {
		return o.problem(r, &p, refuse(http.StatusUnprocessableEntity, "%s: %s.", up[0].Name, err))
	}
	var rows []store.Job
	for _, j := range table.Jobs {
		body, err := j.Body()
		if err != nil {
			return err
		}
		rows = append(rows, store.Job{Reference: j.Reference, Body: body})
	}
	if len(rows) > 0 {
		batch := fmt.Sprintf("%s %x", up[0].Name, sha256.Sum256(up[0].Content))
		if p.Count, err = o.store.ImportJobs(r.ctx, batch, rows); err != nil {
			return err
		}
	}
	p.Done, p.Good, p.Left = true, len(rows), len(table.Faults)
	p.Faults = table.Faults[:min(len(table.Faults), maxFaults)]
	return r.show(p)
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

// upload is one file that was sent.
type upload struct {
	Name    string
	Content []byte
	// Field is another field of the form.
	Field string
}

// uploads reads the files of a form into memory, up to a bound in all, so that nothing half
// lies anywhere. Other fields come back with their name and no file name.
func uploads(r *request, most int64, count int) ([]upload, error) {
	// A form has some bytes around its files.
	r.r.Body = http.MaxBytesReader(r.w, r.r.Body, most+64<<10)
	m, err := r.r.MultipartReader()
	if err != nil {
		return nil, refuse(http.StatusBadRequest, "That was no form with a file: choose a file and send it again.")
	}
	var list []upload
	n := 0
	for {
		part, err := m.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, tooMuch(err, most)
		}
		up, err := readPart(part)
		if err != nil {
			return nil, tooMuch(err, most)
		}
		if up.Name == "" && part.FormName() == "file" {
			continue // A file field that was left empty.
		}
		if up.Name != "" {
			if n++; n > count {
				return nil, refuse(http.StatusBadRequest, "More files than the %d that one form may have: send them in several goes.", count)
			}
			// Files stand before the other fields.
			list = append([]upload{up}, list...)
			continue
		}
		if len(list) > count+8 {
			return nil, refuse(http.StatusBadRequest, "The form has more fields than it should.")
		}
		list = append(list, up)
	}
	if n == 0 {
		return nil, refuse(http.StatusBadRequest, "No file was chosen: choose one and send it again.")
	}
	return list, nil
}

func readPart(part *multipart.Part) (upload, error) {
	b, err := io.ReadAll(part)
	name := part.FileName()
	if name != "" {
		// The name is a person's to choose; only its last part is shown.
		name = path.Base(strings.ReplaceAll(name, `\`, "/"))
		if len(name) > 80 {
			name = strings.ToValidUTF8(name[:80], "") + "…"
		}
	}
	return upload{Name: name, Content: b, Field: part.FormName()}, err
}

func tooMuch(err error, most int64) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return refuse(http.StatusRequestEntityTooLarge, "The file is larger than %s: send it in several parts.", size(most))
	}
	return refuse(http.StatusBadRequest, "The file did not come in whole: send it again.")
}

func size(n int64) string { return fmt.Sprintf("%d MB", n>>20) }
