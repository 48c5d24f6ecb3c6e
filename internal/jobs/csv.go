package jobs

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

	"meterwright/rules"
	"meterwright/site"
)

// Columns are the columns that a CSV file of jobs may have, in the order in which they are
// documented. The first five must be there. Cells that hold several things separate them by
// semicolons. The cell registers holds, for each register, the field of the method, its digits
// (5, or 5.1 with one decimal) and earlier readings as DATE=READING, separated by spaces:
//
//	final-import 5 2026-05-24=04127 2026-08-24=04380; final-export 5 2026-05-24=00120
func Columns() []string {
	return []string{"job", "address", "meter_point", "meter", "arrangement",
		"phases", "metering", "terminals", "switched", "rates", "export", "isolator", "units", "sources", "metalwork", "no_socket", "reference",
		"method", "overlays", "fit_isolator", "hazards", "dependants", "registers", "appointment", "person", "employer", "fictional"}
}

const needed = 5

// Bounds of a CSV file.
const (
	// MaxCSV is its greatest size in bytes.
	MaxCSV = 64 << 20
	// MaxRows is its greatest number of rows.
	MaxRows = 200_000
)

// RowFault is why a row was left out.
type RowFault struct {
	Line   int    `json:"line"`
	Column string `json:"column,omitempty"`
	Reason string `json:"reason"`
}

// Error gives the line, the column and the reason.
func (f RowFault) Error() string {
	if f.Column == "" {
		return fmt.Sprintf("line %d: %s", f.Line, f.Reason)
	}
	return fmt.Sprintf("line %d: %s: %s", f.Line, f.Column, f.Reason)
}

// Table is what a CSV file of jobs holds.
type Table struct {
	Jobs   []*Job
	Faults []RowFault
}

// ParseCSV reads a CSV file with a header (RFC 4180). Rows with a fault are left out and named;
// an error means that the file as a whole cannot be taken.
func ParseCSV(b []byte, format rules.MeterPointFormat, progress func(done int64)) (*Table, error) {
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
	r := csv.NewReader(bytes.NewReader(b))
	r.FieldsPerRecord = -1
	r.ReuseRecord = true
	header, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the file is empty: begin with a line of column names")
	}
	if err != nil {
		return nil, fmt.Errorf("line 1: %w", err)
	}
	columns, err := readHeader(header)
	if err != nil {
		return nil, err
	}
	t := &Table{}
	seen := map[string]int{}
	for rows := 0; ; rows++ {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return t, nil
		}
		var parse *csv.ParseError
		if errors.As(err, &parse) {
			// After a stray quotation mark nobody knows where the next row begins.
			return nil, fmt.Errorf("line %d: %w: mend the quotation marks", parse.StartLine, parse.Err)
		}
		if err != nil {
			return nil, err
		}
		if rows >= MaxRows {
			return nil, fmt.Errorf("more than %d rows: divide the file", MaxRows)
		}
		line, _ := r.FieldPos(0)
		j, f := row(columns, cells, format)
		if f == nil {
			if first, twice := seen[j.Reference]; twice {
				f = bad("/job", "", "the reference %q stands in line %d already", clip(j.Reference), first)
			}
		}
		if f != nil {
			t.Faults = append(t.Faults, RowFault{line, columnOf(f.at), sentence(f)})
			continue
		}
		seen[j.Reference] = line
		t.Jobs = append(t.Jobs, j)
		if progress != nil {
			progress(int64(rows))
		}
	}
}

func sentence(f *fault) string {
	if f.mend == "" {
		return f.problem
	}
	return f.problem + ": " + f.mend
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
		name := strings.ToLower(strings.TrimSpace(c))
		if !slices.Contains(known, name) {
			return nil, fmt.Errorf("line 1: column %d: %q is no column: use %s", i+1, clip(c), strings.Join(known, ", "))
		}
		if slices.Contains(names, name) {
			return nil, fmt.Errorf("line 1: column %d: %q stands twice", i+1, name)
		}
		names = append(names, name)
	}
	for _, must := range known[:needed] {
		if !slices.Contains(names, must) {
			return nil, fmt.Errorf("line 1: the column %q is missing", must)
		}
	}
	return names, nil
}

func row(columns, cells []string, format rules.MeterPointFormat) (*Job, *fault) {
	if len(cells) != len(columns) {
		return nil, bad("", "", "%d cells, and the header has %d", len(cells), len(columns))
	}
	j := &Job{}
	for i, name := range columns {
		cell := strings.TrimSpace(strings.Clone(cells[i]))
		if cell == "" {
			continue
		}
		if f := j.cell(name, cell); f != nil {
			return nil, f
		}
	}
	if f := j.check(format); f != nil {
		return nil, f
	}
	return j, nil
}

// cell puts one cell that is not empty into the job.
func (j *Job) cell(name, cell string) *fault {
	at := "/" + name
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
			return bad(at, "write yes or no", "%q is neither", clip(cell))
		}
	case numbers[name] != nil:
		n, err := strconv.Atoi(cell)
		if err != nil {
			return bad(at, "write digits only", "%q is not a whole number", clip(cell))
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
		return j.registers(cell)
	}
	return nil
}

func (j *Job) registers(cell string) *fault {
	for _, text := range list(cell) {
		words := strings.Fields(text)
		if len(words) < 2 {
			return bad("/registers", "write FIELD DIGITS DATE=READING, as in final-import 5 2026-05-24=04127", "%q is no register", clip(text))
		}
		r := Register{Entry: words[0]}
		whole, places, _ := strings.Cut(words[1], ".")
		var err1, err2 error
		r.Digits, err1 = strconv.Atoi(whole)
		if places != "" {
			r.Decimals, err2 = strconv.Atoi(places)
		}
		if err1 != nil || err2 != nil {
			return bad("/registers", "write 5, or 5.1 for five digits and one decimal", "%q is no count of digits", clip(words[1]))
		}
		if strings.Contains(r.Entry, "export") {
			r.Direction = "export"
		}
		for _, w := range words[2:] {
			on, reading, ok := strings.Cut(w, "=")
			if !ok {
				return bad("/registers", "write DATE=READING", "%q is no earlier reading", clip(w))
			}
			r.Earlier = append(r.Earlier, Reading{On: on, Reading: reading})
		}
		j.Registers = append(j.Registers, r)
	}
	return nil
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
