// Package jobfile reads jobs from files: one job from YAML that a person writes, many from CSV
// that another system writes.
//
// Both are read strictly: an unknown key or column is refused with its place in the file. What a
// CSV file is forgiven is what programmes that write it differ in: a byte-order mark, the ends of
// lines, commas, semicolons or tabs between the cells, and capitals, spaces and hyphens in the
// names of the columns.
package jobfile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"meterwright/internal/jobs"
	"meterwright/internal/yamldoc"
	"meterwright/metering"
	"meterwright/rules"
	"meterwright/site"
)

// Columns are the columns that a CSV file of jobs may have, in the order in which they are
// documented. The first Needed must be there. Cells that hold several things separate them by
// semicolons. The cell registers holds, for each register, the field of the method, its digits
// (5, or 5.1 with one decimal), its direction where it is export, and earlier readings as
// DATE=READING, separated by spaces:
//
//	final-import 5 2026-05-24=04127 2026-08-24=04380; final-export 5 export 2026-05-24=00120
func Columns() []string {
	return []string{"job", "address", "meter_point", "meter", "arrangement", "method",
		"phases", "metering", "terminals", "switched", "rates", "export", "isolator", "units", "sources", "metalwork", "no_socket", "reference",
		"overlays", "fit_isolator", "hazards", "dependants", "registers", "appointment", "person", "employer", "fictional"}
}

// Needed is how many of the columns, from the first, must be there.
const Needed = 6

// Bounds of a CSV file.
const (
	// MaxCSV is its greatest size in bytes.
	MaxCSV = 16 << 20
	// MaxRows is its greatest number of rows.
	MaxRows = 100_000
	// maxStray bounds the rows with stray quotation marks: each is looked for anew.
	maxStray = 50
)

// Fault is why a row cannot be taken.
type Fault struct {
	// Column is where, or empty where the whole row is meant.
	Column        string
	Problem, Mend string
}

// Row is one row of a CSV file: a job, or why it is none.
type Row struct {
	Line int
	// Reference is the job's, as far as it could be read.
	Reference string
	Job       *jobs.Job
	Fault     *Fault
}

// ParseCSV reads a CSV file with a header (RFC 4180). Rows with a fault do not hide the others;
// an error means that the file as a whole cannot be taken.
func ParseCSV(b []byte, format rules.MeterPointFormat) ([]Row, error) {
	if len(b) > MaxCSV {
		return nil, fmt.Errorf("the file has %d bytes: keep it under %d, in several files", len(b), MaxCSV)
	}
	b = bytes.TrimPrefix(b, []byte("\uFEFF"))
	if !utf8.Valid(b) {
		return nil, errors.New("the file is not UTF-8 text: save it as CSV UTF-8")
	}
	if bytes.IndexByte(b, 0) >= 0 {
		return nil, errors.New("the file holds a zero byte and is no text: save it as CSV UTF-8")
	}
	r := &reader{rest: b, line: 1, comma: separator(b)}
	r.begin()
	cells, at, stray, err := r.next()
	if err == io.EOF {
		return nil, errors.New("the file is empty: begin with a line of column names")
	}
	if err != nil || stray != nil {
		return nil, fmt.Errorf("line %d: %w", at, errors.Join(err, stray))
	}
	columns, err := readHeader(cells)
	if err != nil {
		return nil, err
	}
	var rows []Row
	seen := map[string]int{}
	for {
		cells, at, stray, err := r.next()
		if err == io.EOF {
			return rows, nil
		}
		if err != nil {
			return nil, err
		}
		if len(rows) >= MaxRows {
			return nil, fmt.Errorf("more than %d rows: divide the file", MaxRows)
		}
		row := Row{Line: at}
		switch {
		case stray != nil:
			row.Fault = &Fault{Problem: stray.Error(), Mend: "mend the quotation marks: a cell that holds one has two in its place, and stands in quotation marks itself"}
		default:
			row.Job, row.Fault = read(columns, cells, format)
			if i := slices.Index(columns, "job"); i < len(cells) {
				row.Reference = fmt.Sprintf("%.40s", strings.TrimSpace(cells[i]))
			}
		}
		if row.Fault == nil {
			if first, twice := seen[row.Job.Reference]; twice {
				row.Job, row.Fault = nil, &Fault{"job", fmt.Sprintf("the reference %.40q stands in line %d already", row.Job.Reference, first), "leave one of them out"}
			} else {
				seen[row.Job.Reference] = at
			}
		}
		rows = append(rows, row)
	}
}

// reader reads row by row, and goes on with the next line after a row whose quotation marks make
// no sense.
type reader struct {
	rest  []byte // from the row on at which csv began
	line  int    // of that row
	stray int
	comma rune
	csv   *csv.Reader
}

func (r *reader) begin() {
	r.csv = csv.NewReader(bytes.NewReader(r.rest))
	r.csv.FieldsPerRecord, r.csv.ReuseRecord, r.csv.Comma = -1, true, r.comma
}

// next returns the next row with its line, or what is wrong with its quotation marks.
func (r *reader) next() (cells []string, line int, stray, err error) {
	cells, err = r.csv.Read()
	var parse *csv.ParseError
	if !errors.As(err, &parse) {
		if err == nil {
			line, _ = r.csv.FieldPos(0)
			line += r.line - 1
		}
		return cells, line, nil, err
	}
	line = r.line + parse.StartLine - 1
	if r.stray++; r.stray > maxStray {
		return nil, line, nil, fmt.Errorf("line %d: more than %d rows have stray quotation marks: write the file as CSV (RFC 4180)", line, maxStray)
	}
	for range parse.StartLine {
		_, r.rest, _ = bytes.Cut(r.rest, []byte("\n"))
	}
	r.line = line + 1
	r.begin()
	return nil, line, parse.Err, nil
}

// separator is what stands between the names of the columns most often.
func separator(b []byte) rune {
	header, _, _ := bytes.Cut(b, []byte("\n"))
	best := ','
	for _, c := range ";\t" {
		if bytes.Count(header, []byte(string(c))) > bytes.Count(header, []byte(string(best))) {
			best = c
		}
	}
	return best
}

// columnOf turns a pointer into a job into the column that it came from.
func columnOf(pointer string) string {
	parts := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	if parts[0] == "site" && len(parts) > 1 {
		return parts[1]
	}
	return parts[0]
}

func readHeader(cells []string) ([]string, error) {
	known := Columns()
	var names []string
	for i, c := range cells {
		name := strings.Join(strings.FieldsFunc(strings.ToLower(c), func(r rune) bool { return strings.ContainsRune(" \t\u00a0_-.", r) }), "_")
		if !slices.Contains(known, name) {
			return nil, fmt.Errorf("line 1: column %d: %.40q is no column: use %s", i+1, c, strings.Join(known, ", "))
		}
		if slices.Contains(names, name) {
			return nil, fmt.Errorf("line 1: column %d: %q stands twice", i+1, name)
		}
		names = append(names, name)
	}
	for _, must := range known[:Needed] {
		if !slices.Contains(names, must) {
			return nil, fmt.Errorf("line 1: the column %q is missing", must)
		}
	}
	return names, nil
}

func read(columns, cells []string, format rules.MeterPointFormat) (*jobs.Job, *Fault) {
	if len(cells) != len(columns) {
		return nil, &Fault{Problem: fmt.Sprintf("%d cells, and the header has %d", len(cells), len(columns)), Mend: "put a cell that holds the separator in quotation marks"}
	}
	j := &jobs.Job{}
	for i, name := range columns {
		if cell := strings.TrimSpace(strings.Clone(cells[i])); cell != "" {
			if problem, mend := set(j, name, cell); problem != "" {
				return nil, &Fault{name, problem, mend}
			}
		}
	}
	if f := j.Check(format); f != nil {
		return nil, &Fault{columnOf(f.At), f.Problem, f.Mend}
	}
	return j, nil
}

// set puts one cell that is not empty into the job, or says what is wrong with it.
func set(j *jobs.Job, name, cell string) (problem, mend string) {
	s := &j.Site
	texts := map[string]*string{"job": &j.Reference, "address": &j.Address, "meter_point": &j.MeterPoint, "meter": &j.Meter,
		"method": &j.Method, "appointment": &j.Appointment, "person": &j.Person, "employer": &j.Employer}
	lists := map[string]*[]string{"terminals": &s.Terminals, "units": &s.Units, "metalwork": &s.Metalwork,
		"overlays": &j.Overlays, "hazards": &j.Hazards, "dependants": &j.Dependants}
	flags := map[string]*bool{"switched": &s.Switched, "export": &s.Export, "isolator": &s.Isolator, "no_socket": &s.NoSocket,
		"reference": &s.Reference, "fit_isolator": &j.Work.FitIsolator, "fictional": &j.Fictional}
	numbers := map[string]*int{"phases": &s.Phases, "rates": &s.Rates}
	switch {
	case texts[name] != nil:
		*texts[name] = cell
	case lists[name] != nil:
		*lists[name] = list(cell)
	case flags[name] != nil:
		switch strings.ToLower(cell) {
		case "yes", "true":
			*flags[name] = true
		case "no", "false":
		default:
			return fmt.Sprintf("%.40q is neither yes nor no", cell), "write yes or no"
		}
	case numbers[name] != nil:
		n, err := strconv.Atoi(cell)
		if err != nil {
			return fmt.Sprintf("%.40q is not a whole number", cell), "write digits only"
		}
		*numbers[name] = n
	case name == "arrangement":
		s.Arrangement = site.Arrangement(cell)
	case name == "metering":
		s.Metering = site.Metering(cell)
	case name == "sources":
		for _, w := range list(cell) {
			s.Sources = append(s.Sources, site.Source(w))
		}
	case name == "registers":
		return registers(j, cell)
	}
	return "", ""
}

func registers(j *jobs.Job, cell string) (problem, mend string) {
	for _, text := range list(cell) {
		words := strings.Fields(text)
		if len(words) < 2 {
			return fmt.Sprintf("%.40q is no register", text), "write FIELD DIGITS DATE=READING…, as in final-import 5 2026-05-24=04127"
		}
		r := jobs.Register{Entry: words[0]}
		whole, places, _ := strings.Cut(words[1], ".")
		var err1, err2 error
		r.Digits, err1 = strconv.Atoi(whole)
		if places != "" {
			r.Decimals, err2 = strconv.Atoi(places)
		}
		if err1 != nil || err2 != nil {
			return fmt.Sprintf("%.40q is no count of digits", words[1]), "write 5, or 5.1 for five digits and one decimal"
		}
		for _, w := range words[2:] {
			if w == string(metering.Import) || w == string(metering.Export) {
				r.Direction = w
				continue
			}
			on, reading, ok := strings.Cut(w, "=")
			if !ok {
				return fmt.Sprintf("%.40q is no earlier reading", w), "write DATE=READING"
			}
			r.Earlier = append(r.Earlier, jobs.Reading{On: on, Reading: reading})
		}
		j.Registers = append(j.Registers, r)
	}
	return "", ""
}

func list(cell string) []string {
	var words []string
	for w := range strings.SplitSeq(cell, ";") {
		if w = strings.TrimSpace(w); w != "" {
			words = append(words, w)
		}
	}
	return words
}

// ParseYAML reads a job file. The error is a yamldoc.Problems.
func ParseYAML(file string, b []byte, format rules.MeterPointFormat) (*jobs.Job, error) {
	d, err := yamldoc.Parse(file, b)
	if err != nil {
		return nil, err
	}
	var j jobs.Job
	if err := d.Decode(&j); err != nil {
		return nil, err
	}
	if f := j.Check(format); f != nil {
		return nil, d.Errorf(f.At, f.Mend, "%s", f.Problem)
	}
	return &j, nil
}
