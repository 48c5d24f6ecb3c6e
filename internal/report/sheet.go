package report

import (
	"meterwright/internal/drawing"
	"meterwright/say"
)

// Sheet is what one copy of a visit says, before it is drawn.
type Sheet struct {
	Copy     Copy
	Title    string
	Job      string
	Address  string
	Practice bool
	// Fictional says that premises, people and numbers are invented.
	Fictional bool
	// Head is the hash of the record's last line, in hex.
	Head     string
	Cautions []string
	Sections []Section

	words *say.Language
}

// Section is one part of a sheet.
type Section struct {
	ID    string
	Title string
	// Note explains the part in a sentence.
	Note string
	// Alone begins the part on a page of its own; First stands before the cautions.
	Alone  bool
	First  bool
	Blocks []Block
}

// Block is one thing in a section: *Pairs, *Table, *Words, *Readings, *Drawing or *Pictures.
type Block interface{ empty() bool }

// Pair is a name with its value.
type Pair struct {
	Name, Value string
	// Mono asks for the monospaced face.
	Mono bool
}

// Pairs is a list of names with their values.
type Pairs struct{ List []Pair }

// Words is a list of sentences.
type Words struct {
	List []string
	// Strong sets them in bold with a bar at the side.
	Strong bool
}

// Table is a table with its columns' shares of the width.
type Table struct {
	Heads  []string
	Shares []float64
	Rows   [][]string
	// Mono lists the columns in the monospaced face.
	Mono []int
	// Flag marks rows that a reader must not overlook, by their index.
	Flag map[int]bool
}

// Readings is the table of readings with the brackets drawn down its edge.
type Readings struct {
	Heads []string
	Rows  []ReadingRow
	// Lanes is the number of brackets that run side by side.
	Lanes int
}

// ReadingRow is one reading.
type ReadingRow struct {
	Number int
	Time   string
	Where  string
	Shows  string
	Limit  string
	// LimitWords is the limit without where it comes from, LimitName what it is, and Mark and
	// Source where it comes from.
	LimitWords, LimitName, Mark, Source string
	// Event names the reading's event.
	Event   string
	Verdict string
	// Judged is the limit and the verdict in a sentence.
	Judged     string
	Instrument string
	Notes      []string
	// Withdrawn strikes the row through.
	Withdrawn bool
	// Unexpected marks what was not as the method expects.
	Unexpected bool
	// Lines says what is drawn of each bracket beside the row, by lane.
	Lines []BracketPart
}

// BracketPart is the part of one bracket beside one row.
type BracketPart struct {
	// State is closed, open, void, or empty where no bracket runs here.
	State string
	// Top and Bottom say that the bracket begins or ends at this row; Own that the row's
	// reading rests on it.
	Top, Bottom, Own bool
}

// Drawing is the service position.
type Drawing struct{ Picture drawing.Picture }

// Pictures are photographs, in order.
type Pictures struct{ List []Photo }

// Photo is one photograph.
type Photo struct {
	// Of says what it is of; a time goes with what was photographed for an entry.
	Of, Time, ID string
	Media        string
	Content      []byte
	// Missing says why there is no picture.
	Missing string
}

func (p *Pairs) empty() bool    { return len(p.List) == 0 }
func (w *Words) empty() bool    { return len(w.List) == 0 }
func (t *Table) empty() bool    { return len(t.Rows) == 0 }
func (r *Readings) empty() bool { return len(r.Rows) == 0 }
func (d *Drawing) empty() bool  { return false }
func (p *Pictures) empty() bool { return len(p.List) == 0 }
