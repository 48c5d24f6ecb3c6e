package office

import (
	"bytes"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"meterwright/internal/jobs"
	"meterwright/internal/page"
	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/record"
)

// visitPage is one visit.
type visitPage struct {
	frame
	Row visitRow
	// Waits is what the visit needs and nobody has taken, Taken what somebody took, People who may take.
	Waits    waiter
	Taken    []takenRow
	People   []choice
	Problem  string
	Sections []report.Section
	Copies   []link
	Files    []link
	// Photos is where photographs stand.
	Photos string
}

// reportPage is one copy of a visit.
type reportPage struct {
	frame
	Sheet              *report.Sheet
	Visit, PDF, Photos string
}

// about are the parts that stand before the cautions, or those after them.
func (p reportPage) about(first bool) []report.Section {
	return filter(p.Sheet.Sections, func(s report.Section) bool { return s.First == first })
}

// input reads a visit from the store as a report takes it.
func (o *Office) input(r *request, c report.Copy) (report.Input, error) {
	id := r.r.PathValue("visit")
	raw, err := o.store.Files(r.ctx, id)
	if err != nil {
		return report.Input{}, err
	}
	if len(raw) == 0 {
		return report.Input{}, errMissing
	}
	in, err := report.Read(files(id, raw)...)
	in.Copy, in.Pack, in.Language = c, o.opts.Pack, o.lang
	in.Container = func(a string) ([]byte, error) {
		b, err := o.store.Attachment(r.ctx, record.AttachmentID(a))
		switch {
		case errors.Is(err, store.ErrErased):
			return nil, errors.New("erased")
		case errors.Is(err, store.ErrNotFound):
			return nil, errors.New("not handed in yet")
		}
		return b, err
	}
	if err != nil {
		return in, err
	}
	in.Job, err = o.job(r, in.Case.Opened.Job)
	return in, err
}

// files names the files of a visit.
func files(id string, raw [][]byte) []report.File {
	var list []report.File
	for i, b := range raw {
		list = append(list, report.File{Name: fmt.Sprintf("%s-%d.jsonl", id, i+1), Content: b})
	}
	return list
}

// job reads a job of the store, or nil where there is none or it is of another shape.
func (o *Office) job(r *request, reference string) (*jobs.Job, error) {
	if reference == "" {
		return nil, nil
	}
	j, err := o.store.Job(r.ctx, reference)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out jobs.Job
	if err := json.Unmarshal(j.Body, &out); err != nil {
		return nil, nil // Another system's shape; the report does without.
	}
	return &out, nil
}

func (o *Office) visit(r *request) error {
	id := r.r.PathValue("visit")
	s, err := o.store.Visit(r.ctx, id)
	if err != nil {
		return err
	}
	n, err := o.names(r.ctx)
	if err != nil {
		return err
	}
	now := o.opts.Now()
	row := o.row(r, s, n, now)
	p := visitPage{frame: o.frame(r, row.Address, "visits"), Row: row, Photos: row.Link + "/photograph/"}
	open, err := o.store.Open(r.ctx, id, now)
	if err != nil {
		return err
	}
	p.Waits = o.waiter(row, open, now)
	if p.Taken, _, err = o.takenRows(r, n, id, maxRows); err != nil {
		return err
	}
	if p.People, err = o.takers(r); err != nil {
		return err
	}
	for _, c := range report.Copies() {
		p.Copies = append(p.Copies, link{row.Link + "/report/" + string(c), p.Say("office.copy." + string(c))})
	}
	in, err := o.input(r, report.Full)
	if errors.Is(err, errMissing) {
		return err
	}
	for i, f := range in.Files {
		p.Files = append(p.Files, link{row.Link + "/record/" + strconv.Itoa(i+1), p.Say("office.visit.file", "name", f.Name, "n", len(f.Content))})
	}
	if err != nil {
		p.Problem = p.Say("office.refused.unreadable", "why", err.Error())
		return r.show(p)
	}
	sheet, err := report.Compose(in)
	if err != nil {
		return err
	}
	p.Sections = sheet.Sections
	if !in.Verified.Verdict.Genuine() {
		p.Problem = p.Say("office.visit.verdict", "verdict", p.Say(verdicts[in.Verified.Verdict]))
	}
	return r.show(p)
}

// takers lists who may take what a visit needs.
func (o *Office) takers(r *request) ([]choice, error) {
	people, err := o.store.People(r.ctx)
	if err != nil {
		return nil, err
	}
	var list []choice
	for _, x := range people {
		if x.Withdrawn.IsZero() {
			list = append(list, choice{Value: x.ID, Words: x.Name})
		}
	}
	return list, nil
}

// copyInput reads the visit for the copy that the address names.
func (o *Office) copyInput(r *request) (report.Input, error) {
	c, err := report.ParseCopy(r.r.PathValue("copy"))
	if err != nil {
		return report.Input{}, errMissing
	}
	in, err := o.input(r, c)
	if err != nil && !errors.Is(err, errMissing) && r.ctx.Err() == nil {
		return in, o.refuse(http.StatusUnprocessableEntity, "unreadable", "why", err.Error())
	}
	return in, err
}

func (o *Office) report(r *request) error {
	in, err := o.copyInput(r)
	if err != nil {
		return err
	}
	sheet, err := report.Compose(in)
	if err != nil {
		return err
	}
	at := o.opts.Base + "/visit/" + r.r.PathValue("visit")
	return r.show(reportPage{frame: o.frame(r, sheet.Title, "visits"), Sheet: sheet, Visit: at, PDF: at + "/pdf/" + string(in.Copy), Photos: at + "/photograph/"})
}

func (o *Office) pdf(r *request) error {
	in, err := o.copyInput(r)
	if err != nil {
		return err
	}
	sheet, err := report.Compose(in)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.Write(&b, in); err != nil {
		return err
	}
	r.file("application/pdf", "inline", sheet.Name())
	_, _ = r.w.Write(b.Bytes())
	return nil
}

func (o *Office) recordFile(r *request) error {
	id := r.r.PathValue("visit")
	raw, err := o.store.Files(r.ctx, id)
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(r.r.PathValue("file"))
	if err != nil || n < 1 || n > len(raw) {
		return errMissing
	}
	r.file("application/jsonl", "attachment", files(id, raw)[n-1].Name)
	_, _ = r.w.Write(raw[n-1])
	return nil
}

// photograph gives one picture. It is guarded so that a browser takes it for a picture and
// nothing else, whatever is in it.
func (o *Office) photograph(r *request) error {
	digits := r.r.PathValue("id")
	b, err := o.store.Attachment(r.ctx, record.AttachmentID("sha256:"+digits))
	if err != nil {
		return err
	}
	a, err := record.ParseContainer(b)
	if err != nil {
		return err
	}
	if a.Media != record.MediaJPEG && a.Media != record.MediaPNG {
		return errMissing
	}
	h := r.w.Header()
	h.Set("Content-Type", a.Media)
	h.Set("Content-Security-Policy", page.Policy+"; sandbox")
	h.Set("Cache-Control", "no-store")
	_, _ = r.w.Write(a.Content)
	return nil
}

func photoName(p report.Photo) string { return strings.TrimPrefix(p.ID, "sha256:") }

// sheetTable is a table of a report as a page shows it.
func sheetTable(x *report.Table, title string) *table {
	t := &table{Label: title}
	for i, h := range x.Heads {
		t.add(head{Title: h}, map[bool]string{true: "num"}[slices.Contains(x.Mono, i)])
	}
	for i, cells := range x.Rows {
		line := row{Danger: x.Flag[i]}
		for _, text := range cells {
			line.Cells = append(line.Cells, cell{Text: text})
		}
		t.Rows = append(t.Rows, line)
	}
	return t
}

// bracket says in words what the bracket shows in the drawing.
func (f frame) bracket(r *report.ReadingRow) string {
	for _, l := range r.Lines {
		if l.Own {
			return f.Say("bracket." + string(l.State))
		}
	}
	return f.Say("bracket.none")
}
