package office

import (
	"cmp"
	"time"

	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/method"
	"meterwright/replay"
	"meterwright/site"
)

// defectRow is one defect of a list, with the visit that came to it.
type defectRow struct {
	replay.Defect
	Row visitRow
	// Found says what was found, with the asset; Class is the category in words.
	Found, Whose, Class, Told string
}

func (o *Office) defectColumns() []column[defectRow] {
	at := timed("found-at", func(d defectRow) time.Time { return d.At }, dated)
	found := plainly("found", "", func(d defectRow) string { return d.Found })
	found.Cell = func(d defectRow) cell {
		c := cell{Text: d.Found}
		if d.Restricted {
			c.Tag, c.TagClass = o.lang.Say("office.restricted"), "restricted"
		}
		return c
	}
	told := plainly("told", "", func(d defectRow) string { return d.Told })
	told.Cell = func(d defectRow) cell {
		if d.Told == "" {
			return cell{Text: o.lang.Say("office.defects.not-told"), Strong: true}
		}
		return cell{Text: o.begin(d.Told)}
	}
	whose := plainly("whose", "", func(d defectRow) string { return d.Whose })
	whose.Cell = func(d defectRow) cell { return cell{Text: o.begin(d.Whose)} }
	reports := column[defectRow]{ID: "reports", Cell: func(d defectRow) cell {
		var c cell
		for _, x := range []report.Copy{report.Distributor, report.Supplier, report.Consumer} {
			if string(x) == string(d.Owner) || x == report.Consumer && d.Owner == site.Distributor && !d.Restricted {
				c.Lines = append(c.Lines, link{d.Row.Link + "/report/" + string(x), o.lang.Say("office.copy." + string(x))})
			}
		}
		return c
	}}
	return []column[defectRow]{at, premises(o, func(d defectRow) visitRow { return d.Row }), found, whose, plainly("category", "", func(d defectRow) string { return d.Class }), told, reports,
		onFile("restricted", "restricted", func(d defectRow) bool { return d.Restricted }),
		onlyFile("job", func(d defectRow) string { return d.Row.Job }), onlyFile("visit", func(d defectRow) string { return d.Row.Visit })}
}

func (o *Office) defects(r *request) error {
	day, err := o.askedDay(r)
	if err != nil {
		return err
	}
	p, err := o.listPage(r, "defects", "defects", "/defects", "/defects.csv")
	if err != nil {
		return err
	}
	all, more, err := o.recent(r.ctx, store.Filter{Day: day})
	if err != nil {
		return err
	}
	p.scope(len(all), more)
	p.text(r, "words", "")
	p.text(r, "on", "date")
	var owners [][2]string
	for _, x := range method.Owners() {
		owners = append(owners, [2]string{string(x), o.begin(p.Owner(x))})
	}
	p.choose(r, "whose", "anybody", owners...)
	var classes [][2]string
	for _, c := range o.opts.Pack.Categories() {
		classes = append(classes, [2]string{c.Scheme + "/" + c.Code, p.Say("office.defects.class", "scheme", c.Title, "code", c.Code)})
	}
	p.choose(r, "category", "any-category", classes...)
	p.choose(r, "told", "told-or-not", p.keyed("filter.told", "no", "yes")...)
	owner, told, class := r.q.get("whose"), r.q.get("told"), r.q.get("category")
	rows := filter(o.defectRows(r, all, p.names), func(d defectRow) bool {
		return cmp.Or(owner, string(d.Owner)) == string(d.Owner) && (told == "" || (told == "yes") == (d.Told != "")) && (class == "" || d.Scheme+"/"+d.Category == class) &&
			matches(r.q.get("words"), d.Found, d.Row.Address, d.Row.Job)
	})
	return serve(r, p, "defects", o.defectColumns(), rows, func(d defectRow) bool { return d.Category == "A" })
}

func (o *Office) defectRows(r *request, all []store.Summary, n names) []defectRow {
	var rows []defectRow
	for _, s := range all {
		v := o.bare(r, s, n)
		for _, d := range v.Facts.Defects {
			x := defectRow{Defect: d, Row: v, Found: v.say.Defect(&d), Whose: o.lang.Owner(d.Owner), Class: o.lang.Category(o.opts.Pack.Schemes, d.Scheme, d.Category)}
			if d.From == replay.FromStop {
				x.Found = o.lang.Say("office.defects.stop", "stop", x.Found)
			}
			if d.Told != nil {
				x.Told = o.lang.Telling(d.Told)
			}
			rows = append(rows, x)
		}
	}
	return rows
}
