package office

import (
	"encoding/csv"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"meterwright/internal/page"
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
func (q query) csv() string {
	_, rest, ok := strings.Cut(q.with("", ""), "?")
	p := strings.TrimSuffix(q.path, "/") + ".csv"
	if strings.HasSuffix(q.path, "/") {
		p = q.path + "day.csv"
	}
	if ok {
		p += "?" + rest
	}
	return p
}

// column is one column of a list that can be sorted.
type column[T any] struct {
	ID, Title string
	// Class is for the style sheet: num for figures.
	Class string
	// Compare orders two rows; nil where the column cannot be sorted.
	Compare func(a, b T) int
	// Text is the cell in a CSV file.
	Text func(T) string
}

// head is the head of one column as a page shows it.
type head struct {
	Title, Class, Link string
	// Sort is ascending, descending, or none.
	Sort string
}

// arrange sorts the rows as the address asks and returns the heads. Equal rows keep their order.
func arrange[T any](q query, columns []column[T], rows []T) []head {
	id, down := strings.CutPrefix(q.get("sort"), "-")
	for _, c := range columns {
		if c.Compare == nil || c.ID != id {
			continue
		}
		slices.SortStableFunc(rows, func(a, b T) int {
			if down {
				return c.Compare(b, a)
			}
			return c.Compare(a, b)
		})
	}
	return headsOf(q, columns, func(c column[T]) bool { return c.Compare != nil })
}

// headsOf returns the heads of a list, with links on the columns that it can be sorted by.
func headsOf[T any](q query, columns []column[T], sorts func(column[T]) bool) []head {
	id, down := strings.CutPrefix(q.get("sort"), "-")
	var heads []head
	for _, c := range columns {
		h := head{Title: c.Title, Class: c.Class, Sort: "none"}
		if sorts(c) {
			h.Link = q.with("sort", c.ID)
			switch {
			case c.ID == id && down:
				h.Sort, h.Link = "descending", q.with("sort", "")
			case c.ID == id:
				h.Sort, h.Link = "ascending", q.with("sort", "-"+c.ID)
			}
		}
		heads = append(heads, h)
	}
	return heads
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

func choices(chosen string, any string, values ...[2]string) []choice {
	list := []choice{{"", any, chosen == ""}}
	for _, v := range values {
		list = append(list, choice{v[0], v[1], v[0] == chosen})
	}
	return list
}

// field is one field of a filter form: a select, or a text where there are no choices.
type field struct {
	Name, Words, Value, Kind string
	Choices                  []choice
}

// plain guards a cell of a CSV file: a programme that opens the file must take it for text and
// not for a formula. A leading apostrophe does that.
func plain(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n|%", rune(s[0])) {
		return "'" + s
	}
	return s
}

// writeCSV sends rows as a CSV file in UTF-8.
func writeCSV[T any](r *request, name string, columns []column[T], rows []T) error {
	return writePortions(r, name, columns, func() (portion []T, err error) {
		portion, rows = rows, nil
		return portion, nil
	})
}

// writePortions sends the rows that next returns, until it returns none, as a CSV file in UTF-8.
func writePortions[T any](r *request, name string, columns []column[T], next func() ([]T, error)) error {
	rows, err := next()
	if err != nil {
		return err
	}
	h := r.w.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name+".csv"))
	h.Set("Cache-Control", "no-store")
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

// show writes a page.
func (r *request) show(p interface{ Page() templComponent }) error {
	page.Write(r.w, r.r, http.StatusOK, p.Page())
	return nil
}
