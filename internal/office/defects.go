package office

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/internal/summary"
)

// defectRow is one defect of a list.
type defectRow struct {
	summary.Defect
	Address, Job, Link, Visit, CategoryWords string
	// Found says what was found, with the asset.
	Found string
	// Reports are the copies that this defect belongs on.
	Reports []link
}

// defectList is the list of defects with its filter.
type defectList struct {
	frame
	Heads  []head
	Rows   []defectRow
	Fields []field
	CSV    string
	// Scope says over which visits the list goes.
	Scope string
}

func defectColumns() []column[defectRow] {
	text := func(f func(defectRow) string) func(a, b defectRow) int {
		return func(a, b defectRow) int { return cmp.Compare(strings.ToLower(f(a)), strings.ToLower(f(b))) }
	}
	by := func(id, title string, f func(defectRow) string) column[defectRow] {
		return column[defectRow]{ID: id, Title: title, Compare: text(f), Text: f}
	}
	return []column[defectRow]{
		{ID: "found-at", Title: "Found at", Class: "num", Compare: func(a, b defectRow) int { return a.At.Compare(b.At) }, Text: func(d defectRow) string { return d.At.Format(time.RFC3339) }},
		by("premises", "Premises", func(d defectRow) string { return d.Address }),
		by("found", "Found", func(d defectRow) string { return d.Found }),
		by("whose", "Whose", func(d defectRow) string { return d.Owner }),
		by("category", "Scheme and category", func(d defectRow) string { return d.CategoryWords }),
		by("told", "Told", func(d defectRow) string { return d.Told }),
		{ID: "reports", Title: "Reports"},
		{ID: "restricted", Text: func(d defectRow) string { return map[bool]string{true: "restricted"}[d.Restricted] }},
		{ID: "job", Text: func(d defectRow) string { return d.Job }},
		{ID: "visit", Text: func(d defectRow) string { return d.Visit }},
	}
}

func (o *Office) category(scheme, code string) string {
	c, err := o.opts.Pack.Category(scheme, code)
	switch {
	case scheme == "" || code == "":
		return ""
	case err != nil:
		return fmt.Sprintf("scheme %q: category %s", scheme, code)
	}
	return fmt.Sprintf("%s (%s): category %s, %s", c.Title, c.Edition, c.Code, c.Meaning)
}

// scope says over which visits a list goes.
func scope(n int, more bool) string {
	if more {
		return fmt.Sprintf("From the newest %d visits; choose a day to see others.", n)
	}
	return fmt.Sprintf("From %s.", count(n, "visit"))
}

func (o *Office) defectPage(r *request) (defectList, error) {
	p := defectList{frame: o.frame(r, "Defects", "defects"), CSV: r.q.csv()}
	day, err := o.askedDay(r)
	if err != nil {
		return p, err
	}
	all, more, err := o.recent(r.ctx, store.Filter{Day: day}, maxRows)
	if err != nil {
		return p, err
	}
	p.Scope = scope(len(all), more)
	owner, told, class := r.q.get("whose"), r.q.get("told"), r.q.get("category")
	for _, s := range all {
		for _, d := range summary.Read(s).Defects {
			row := defectRow{Defect: d, Address: s.Address, Job: s.Job, Visit: s.Visit, Link: o.opts.Base + "/visit/" + s.Visit, CategoryWords: o.category(d.Scheme, d.Category)}
			row.Found = found(d)
			if owner != "" && d.Owner != owner || told == "yes" && d.Told == "" || told == "no" && d.Told != "" || class != "" && d.Scheme+"/"+d.Category != class ||
				!matches(r.q.get("words"), row.Found, row.Address, row.Job) {
				continue
			}
			for _, c := range []report.Copy{report.Distributor, report.Supplier, report.Consumer} {
				if string(c) == d.Owner || c == report.Consumer && d.Owner == "distributor" && !d.Restricted {
					row.Reports = append(row.Reports, link{row.Link + "/report/" + string(c), copyWords[c]})
				}
			}
			p.Rows = append(p.Rows, row)
		}
	}
	p.Heads = arrange(r.q, shown(defectColumns()), p.Rows)
	var classes [][2]string
	for _, c := range o.opts.Pack.Categories() {
		classes = append(classes, [2]string{c.Scheme + "/" + c.Code, fmt.Sprintf("%s: category %s", c.Title, c.Code)})
	}
	p.Fields = []field{
		{Name: "words", Words: "Words", Value: r.q.get("words")},
		{Name: "on", Words: "Day", Value: day, Kind: "date"},
		{Name: "whose", Words: "Whose", Choices: choices(owner, "Anybody's", [2]string{"distributor", "Distributor's"}, [2]string{"supplier", "Supplier's"}, [2]string{"consumer", "Consumer's"}, [2]string{"employer", "Employer's"})},
		{Name: "category", Words: "Scheme and category", Choices: choices(class, "Any", classes...)},
		{Name: "told", Words: "Told", Choices: choices(told, "Told or not", [2]string{"no", "Not told"}, [2]string{"yes", "Told"})},
	}
	return p, nil
}

// found says what was found, with the asset.
func found(d summary.Defect) string {
	words := upperFirst(d.Words)
	if d.Asset != "" {
		words = upperFirst(d.Asset) + ": " + d.Words
	}
	if d.From == "stop" {
		words = "Stop: " + d.Words
	}
	return words
}

func (o *Office) defects(r *request) error {
	p, err := o.defectPage(r)
	if err != nil {
		return err
	}
	if len(p.Rows) > maxShown {
		p.Rows = p.Rows[:maxShown]
		p.Scope += fmt.Sprintf(" The first %d are shown; the CSV file has all.", maxShown)
	}
	return r.show(p)
}

func (o *Office) defectsCSV(r *request) error {
	p, err := o.defectPage(r)
	if err != nil {
		return err
	}
	return writeCSV(r, "defects", defectColumns(), p.Rows)
}
