package office

import (
	"cmp"
	"encoding/csv"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"meterwright/internal/page"
	"meterwright/say"
)

// query is the part of an address that filters and sorts a list.
type query struct {
	path   string
	values url.Values
}

// maxAsked bounds what is taken from one value of an address.
const maxAsked = 200

// get returns one value of the address.
func (q query) get(name string) string {
	v := strings.TrimSpace(q.values.Get(name))
	if len(v) > maxAsked {
		return strings.ToValidUTF8(v[:maxAsked], "")
	}
	return v
}

// with returns the address with one value changed; an empty one is left out.
func (q query) with(name, value string) string {
	v := url.Values{}
	for k := range q.values {
		if s := q.get(k); s != "" {
			v.Set(k, s)
		}
	}
	v.Del(name)
	if value != "" {
		v.Set(name, value)
	}
	if len(v) == 0 {
		return q.path
	}
	return q.path + "?" + v.Encode()
}

// first is the query of the first page of the same list.
func (q query) first() query {
	v := maps.Clone(q.values)
	v.Del("page")
	return query{q.path, v}
}

// csv is the address of the same list as a CSV file.
func (q query) csv(file string) string {
	_, rest, ok := strings.Cut(q.first().with("", ""), "?")
	if ok {
		file += "?" + rest
	}
	return file
}

// asFile says that the list is asked for as a CSV file.
func (q query) asFile() bool { return strings.HasSuffix(q.path, ".csv") }

// cell is one place of a table as a page shows it.
type cell struct {
	Text, Link string
	Strong     bool
	// Tag is a word in a box after the text, in the class TagClass.
	Tag, TagClass string
	// Strip is where a visit stands, phase by phase.
	Strip []phase
	// Lines stand below one another after the text.
	Lines []link
}

// link is an address with its words; without an address they are words alone.
type link struct{ Link, Words string }

// column is one column of a list.
type column[T any] struct {
	ID string
	// Class is for the style sheet: num for figures.
	Class string
	// Compare orders two rows; nil where the column cannot be sorted, or Sorted where the store does it.
	Compare func(a, b T) int
	Sorted  bool
	// Text is the cell in a CSV file, Cell on the page; nil where it is not in it.
	Text func(T) string
	Cell func(T) cell
}

// plainly is a column of plain text, sorted without regard to case.
func plainly[T any](id, class string, text func(T) string) column[T] {
	return column[T]{ID: id, Class: class, Text: text, Cell: func(row T) cell { return cell{Text: text(row)} },
		Compare: func(a, b T) int { return cmp.Compare(strings.ToLower(text(a)), strings.ToLower(text(b))) }}
}

// timed is a column of times, which words puts on the page.
func timed[T any](id string, of func(T) time.Time, words func(time.Time) string) column[T] {
	return column[T]{ID: id, Class: "num", Compare: func(a, b T) int { return of(a).Compare(of(b)) }, Text: func(x T) string { return of(x).Format(time.RFC3339) },
		Cell: func(x T) cell { return cell{Text: words(of(x))} }}
}

// dated writes a time with its day.
func dated(t time.Time) string { return say.Day(t) + " " + say.Clock(t) }

// since writes a time, with its day where that is not today.
func (o *Office) since(t time.Time) string { return stamp(t, o.opts.Now()) }

// onFile is a column of the CSV file alone that holds its own name where something is so.
func onFile[T any](id, name string, is func(T) bool) column[T] {
	return onlyFile(id, func(x T) string { return map[bool]string{true: name}[is(x)] })
}

// onlyFile is a column of the CSV file alone.
func onlyFile[T any](id string, text func(T) string) column[T] { return column[T]{ID: id, Text: text} }

// head is the head of one column as a page shows it.
type head struct {
	Title, Class, Link string
	// Sort is ascending, descending, or none.
	Sort string
}

// row is one row of a table.
type row struct {
	Danger bool
	Cells  []cell
}

// table is a table as a page shows it; Classes are those of its columns.
type table struct {
	Label, Class string
	Heads        []head
	Classes      []string
	Rows         []row
}

// add adds a column with its head and the class of its cells.
func (t *table) add(h head, class string) {
	t.Heads, t.Classes = append(t.Heads, h), append(t.Classes, class)
}

// list is a page with one table, and what needs somebody at its side.
type list struct {
	frame
	Heading string
	// Turn are links beside the heading, Acts those of them that look like buttons.
	Turn, Acts []link
	// Notes stand above the table; Hold says that not everything is listed.
	Notes  []link
	Hold   string
	Fields []field
	// CSV is the same list as a file, Clear without its filter.
	CSV, Clear string
	table
	Empty string
	// Key explains the strips; Bare leaves out the side.
	Key, Bare bool
	Side      side
	// names are those of the people in it.
	names names
}

// listPage begins the page of a list under a key, with what needs somebody at its side.
func (o *Office) listPage(r *request, key, at, path, file string) (*list, error) {
	title := o.lang.Say("office." + key + ".title")
	p := &list{frame: o.frame(r, title, at), Heading: title, table: table{Label: title}, Clear: o.opts.Base + path, CSV: r.q.csv(o.opts.Base + file), Empty: o.lang.Say("office." + key + ".empty")}
	var err error
	if p.names, err = o.names(r.ctx); err != nil || r.q.asFile() {
		return p, err
	}
	var all int
	p.Side.Waiters, all, err = o.waiting(r, p.names, 0, maxCards)
	p.Side.Further = all - len(p.Side.Waiters)
	return p, err
}

// serve sorts the rows as the address asks and shows them: as a page, or as the CSV file of that name.
func serve[T any](r *request, p *list, name string, columns []column[T], rows []T, danger func(T) bool) error {
	id, down := strings.CutPrefix(r.q.get("sort"), "-")
	for _, c := range columns {
		if c.Compare != nil && c.ID == id {
			slices.SortStableFunc(rows, func(a, b T) int {
				if down {
					a, b = b, a
				}
				return c.Compare(a, b)
			})
		}
	}
	if r.q.asFile() {
		return writeCSV(r, name, columns, func() (portion []T, err error) {
			portion, rows = rows, nil
			return portion, nil
		})
	}
	if len(rows) > maxShown {
		p.Hold = p.Say("office.list.first", "n", maxShown)
		rows = rows[:maxShown]
	}
	shown := filter(columns, func(c column[T]) bool { return c.Cell != nil })
	q := r.q.first()
	for _, c := range shown {
		h := head{Title: p.Say("office.column." + c.ID), Class: c.Class, Sort: "none"}
		if c.Compare != nil || c.Sorted {
			h.Link = q.with("sort", c.ID)
			switch {
			case c.ID == id && down:
				h.Sort, h.Link = "descending", q.with("sort", "")
			case c.ID == id:
				h.Sort, h.Link = "ascending", q.with("sort", "-"+c.ID)
			}
		}
		p.add(h, c.Class)
	}
	for _, x := range rows {
		line := row{Danger: danger != nil && danger(x)}
		for _, c := range shown {
			line.Cells = append(line.Cells, c.Cell(x))
		}
		p.Rows = append(p.Rows, line)
	}
	return r.show(p)
}

// matches reports whether any of the texts holds the words, without regard to case.
func matches(words string, texts ...string) bool {
	if words == "" {
		return true
	}
	words = strings.ToLower(words)
	return slices.ContainsFunc(texts, func(s string) bool { return strings.Contains(strings.ToLower(s), words) })
}

// filter keeps the rows that fit.
func filter[T any](rows []T, fits func(T) bool) []T {
	var kept []T
	for _, r := range rows {
		if fits(r) {
			kept = append(kept, r)
		}
	}
	return kept
}

// choice is one choice of a filter.
type choice struct {
	Value, Words string
	Chosen       bool
}

// field is one field of a filter form: a select, or a text where there are no choices.
type field struct {
	Name, Words, Value, Kind string
	Choices                  []choice
}

// text is a field for words or, of the kind date, for a day.
func (p *list) text(r *request, name, kind string) {
	p.Fields = append(p.Fields, field{Name: name, Words: p.Say("office.filter." + name), Value: r.q.get(name), Kind: kind})
}

// choose is a field with choices, each a value with its words; the first, without a value, chooses all.
func (p *list) choose(r *request, name, all string, values ...[2]string) {
	f := field{Name: name, Words: p.Say("office.filter." + name), Choices: []choice{{"", p.Say("office.filter." + all), r.q.get(name) == ""}}}
	for _, v := range values {
		f.Choices = append(f.Choices, choice{v[0], v[1], v[0] == r.q.get(name)})
	}
	p.Fields = append(p.Fields, f)
}

// keyed gives values their words, under one key each.
func (p *list) keyed(key string, values ...string) [][2]string {
	var list [][2]string
	for _, v := range values {
		list = append(list, [2]string{v, p.Say("office." + key + "." + v)})
	}
	return list
}

// scope says over which visits a list goes.
func (p *list) scope(n int, more bool) {
	key := say.Either(more, "office.list.newest", "office.list.all")
	p.Notes = append(p.Notes, link{Words: p.Say(key, "n", n)})
}

// plain guards a cell of a CSV file: a programme that opens the file must take it for text and
// not for a formula. A leading apostrophe does that.
func plain(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n|%", rune(s[0])) {
		return "'" + s
	}
	return s
}

// writeCSV sends the rows that next returns, until it returns none, as a CSV file in UTF-8.
func writeCSV[T any](r *request, name string, columns []column[T], next func() ([]T, error)) error {
	rows, err := next()
	if err != nil {
		return err
	}
	r.file("text/csv; charset=utf-8", "attachment", name+".csv")
	w := csv.NewWriter(r.w)
	w.UseCRLF = true
	columns = filter(columns, func(c column[T]) bool { return c.Text != nil })
	line := make([]string, len(columns))
	for i, c := range columns {
		line[i] = c.ID
	}
	if err := w.Write(line); err != nil {
		return nil // The reader has gone away.
	}
	for len(rows) > 0 {
		for _, row := range rows {
			for i, c := range columns {
				line[i] = plain(c.Text(row))
			}
			if err := w.Write(line); err != nil {
				return nil
			}
		}
		if rows, err = next(); err != nil {
			// A file that is cut off must not look whole.
			panic(http.ErrAbortHandler)
		}
	}
	w.Flush()
	return nil
}

// file says that what follows is a file of that name.
func (r *request) file(media, disposition, name string) {
	h := r.w.Header()
	h.Set("Content-Type", media)
	h.Set("Content-Disposition", mime.FormatMediaType(disposition, map[string]string{"filename": name}))
	h.Set("Cache-Control", "no-store")
}

// show writes a page.
func (r *request) show(p interface{ Page() templComponent }) error {
	r.showAs(http.StatusOK, p)
	return nil
}

// showAs shows a page with another status than all is well.
func (r *request) showAs(status int, p interface{ Page() templComponent }) {
	page.Write(r.w, r.r, status, p.Page())
}
