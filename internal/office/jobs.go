package office

import (
	"cmp"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"path"
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

type jobList struct {
	frame
	Heads  []head
	Rows   []jobRow
	Fields []field
	CSV    string
	// All is how many fit, First the place of the first that is shown, from 1.
	All, First int
	// Before and After lead to the other pages.
	Before, After string
}

// jobPageSize bounds the jobs of one page: each is looked up among the visits.
const jobPageSize = 200

// jobColumns are the columns of the list. The store orders the jobs by them.
func jobColumns() []column[jobRow] {
	return []column[jobRow]{
		{ID: "job", Title: "Job", Text: func(j jobRow) string { return j.Reference }},
		{ID: "premises", Title: "Premises", Text: func(j jobRow) string { return j.Address }},
		{ID: "meter-point", Title: "Meter point", Text: func(j jobRow) string { return j.Point }},
		{ID: "appointment", Title: "Appointment", Text: jobRow.when},
		{ID: "who", Title: "Who", Text: func(j jobRow) string { return j.Who }},
		{ID: "standing", Title: "Standing", Text: func(j jobRow) string { return j.Standing }},
		{ID: "changed", Title: "Changed", Text: func(j jobRow) string { return j.Changed.UTC().Format(time.RFC3339) }},
	}
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
		list = append(list, jobRow{Job: j, Who: n.of(j.Person), Standing: "not begun"})
	}
	for i := range list {
		v, err := o.store.Visits(r.ctx, store.Filter{Job: list[i].Reference, Limit: 1})
		if err != nil {
			return nil, err
		}
		if len(v.Visits) > 0 {
			s := o.row(v.Visits[0], n, o.opts.Now())
			list[i].Standing, list[i].Link = s.Where, s.Link
		}
	}
	return list, nil
}

func (o *Office) jobs(r *request) error {
	p := jobList{frame: o.frame(r, "Jobs", "jobs"), CSV: r.q.first().csv()}
	n, err := o.names(r.ctx)
	if err != nil {
		return err
	}
	f := jobFilter(r.q, n)
	if p.All, err = o.store.CountJobs(r.ctx, f); err != nil {
		return err
	}
	at, err := strconv.Atoi(cmp.Or(r.q.get("page"), "1"))
	if last := (p.All + jobPageSize - 1) / jobPageSize; err != nil || at < 1 || at > max(last, 1) {
		return refuse(http.StatusNotFound, "There is no such page of the list: it has %d.", last)
	}
	f.Skip, f.Limit = (at-1)*jobPageSize, jobPageSize
	if p.Rows, err = o.jobRows(r, f, n); err != nil {
		return err
	}
	p.First = f.Skip + 1
	if at > 1 {
		p.Before = r.q.with("page", strconv.Itoa(at-1))
	}
	if f.Skip+len(p.Rows) < p.All {
		p.After = r.q.with("page", strconv.Itoa(at+1))
	}
	p.Heads = headsOf(r.q.first(), jobColumns(), func(c column[jobRow]) bool { _, ok := jobOrders[c.ID]; return ok })
	p.Fields = []field{
		{Name: "words", Words: "Words", Value: r.q.get("words")},
		{Name: "on", Words: "Day", Value: r.q.get("on"), Kind: "date"},
		{Name: "standing", Words: "Standing", Choices: choices(r.q.get("standing"), "All", [2]string{"waiting", "Not begun"}, [2]string{"begun", "With a visit"})},
	}
	return r.show(p)
}

// csvPortion is how many jobs are held at a time while a file of them is written.
const csvPortion = 5000

func (o *Office) jobsCSV(r *request) error {
	n, err := o.names(r.ctx)
	if err != nil {
		return err
	}
	f := jobFilter(r.q, n)
	f.Limit = csvPortion
	return writePortions(r, "jobs", jobColumns(), func() ([]jobRow, error) {
		rows, err := o.jobRows(r, f, n)
		f.Skip += len(rows)
		return rows, err
	})
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
	Rows    []intake.Row
	Further int
}

// maxRowsNamed bounds the rows that the page names.
const maxRowsNamed = 1000

// importPage makes the form. The example is one that this office would take: it names a person
// who is known here, or nobody.
func (o *Office) importPage(r *request) (importPage, error) {
	p := importPage{frame: o.frame(r, "Import jobs", "jobs"), Columns: jobfile.Columns(), Most: jobfile.MaxCSV}
	people, err := o.store.People(r.ctx)
	if err != nil {
		return p, err
	}
	who := ""
	for _, x := range people {
		if x.Withdrawn.IsZero() {
			who = x.ID
			break
		}
	}
	tomorrow := o.opts.Now().AddDate(0, 0, 1)
	p.Example = fmt.Sprintf("job,address,meter_point,meter,arrangement,method,registers,appointment,person,fictional\n"+
		"NM-2001,\"4 Example Row, Northmere\",99 0000 0000 015,Z11 40817,TN-C-S,gb-single-phase-exchange,final-import 5 %s=04127,%s 09:00,%s,yes\n",
		tomorrow.AddDate(0, -6, 0).Format(time.DateOnly), tomorrow.Format(time.DateOnly), who)
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
	up, err := uploads(r, jobfile.MaxCSV, 1)
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
		return o.problem(r, &p, tooMuch(err, jobfile.MaxCSV))
	}
	file, err := base64.RawURLEncoding.DecodeString(r.r.PostForm.Get("content"))
	hash := r.r.PostForm.Get("hash")
	if err != nil || hash == "" {
		return o.problem(r, &p, refuse(http.StatusBadRequest, "The form does not hold the file that was looked at: choose it again."))
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
		err = refuse(http.StatusUnprocessableEntity, "%s: %s.", p.Name, whole)
	case errors.Is(err, intake.ErrOtherBytes):
		err = refuse(http.StatusConflict, "%s: %s.", p.Name, err)
	}
	if err != nil {
		return o.problem(r, p, err)
	}
	for _, f := range intake.Fates() {
		for _, row := range p.Result.Rows {
			if row.Fate == f && len(p.Rows) < maxRowsNamed {
				p.Rows = append(p.Rows, row)
			}
		}
	}
	p.Further = len(p.Result.Rows) - len(p.Rows)
	return r.show(p)
}

// takes says whether a confirmation would keep anything.
func (p importPage) takes() bool {
	return p.Result.Count(intake.New)+p.Result.Count(intake.Changed) > 0
}

// fateWords say what becomes of a row, and of several rows, before and after.
var fateWords = []struct {
	fate      intake.Fate
	one, many [2]string
}{
	{intake.New, [2]string{"would be added", "added"}, [2]string{"to add", "added"}},
	{intake.Changed, [2]string{"would be changed", "changed"}, [2]string{"to change", "changed"}},
	{intake.Same, [2]string{"is as it was", "is as it was"}, [2]string{"as they were", "as they were"}},
	{intake.Begun, [2]string{"left alone: its visit has begun", "left alone: its visit has begun"}, [2]string{"left alone since a visit has begun", "left alone since a visit has begun"}},
	{intake.Refused, [2]string{"refused", "refused"}, [2]string{"refused", "refused"}},
}

func (p importPage) tense() int {
	if p.Result.Kept {
		return 1
	}
	return 0
}

// fate says what becomes of a row.
func (p importPage) fate(f intake.Fate) string {
	for _, w := range fateWords {
		if w.fate == f {
			return w.one[p.tense()]
		}
	}
	return string(f)
}

// sums says how many rows go each way.
func (p importPage) sums() string {
	var parts []string
	for _, w := range fateWords {
		parts = append(parts, fmt.Sprintf("%d %s", p.Result.Count(w.fate), w.many[p.tense()]))
	}
	return strings.Join(parts, ", ")
}

// reason says why a row is refused and how to mend it, or what it says otherwise.
func reason(row *intake.Row) string {
	switch {
	case row.Problem != "" && row.Mend != "":
		return upperFirst(row.Problem) + ": " + row.Mend
	case row.Problem != "":
		return upperFirst(row.Problem)
	case len(row.Differs) > 0:
		return "Differs in " + strings.Join(row.Differs, ", ")
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
		name = fileName(name)
	}
	return upload{Name: name, Content: b, Field: part.FormName()}, err
}

// fileName is a file's name as it is shown: it is a person's to choose, and only its last part
// counts.
func fileName(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	if len(name) > 80 {
		name = strings.ToValidUTF8(name[:80], "") + "…"
	}
	return name
}

func tooMuch(err error, most int64) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return refuse(http.StatusRequestEntityTooLarge, "The file is larger than %s: send it in several parts.", size(most))
	}
	return refuse(http.StatusBadRequest, "The file did not come in whole: send it again.")
}

func size(n int64) string { return fmt.Sprintf("%d MB", n>>20) }
