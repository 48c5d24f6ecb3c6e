package report

import (
	"slices"
	"strconv"
)

const (
	cellGap = 2.0
	rowPad  = 0.9
)

// grid is a table as it is drawn: its heads and widths from an indent on, and the text and the face of
// each cell.
type grid interface {
	heads() []string
	indent() float64
	widths() []float64
	count() int
	texts(row int) []string
	face(row, column int) string
}

func (t *Table) heads() []string        { return t.Heads }
func (t *Table) indent() float64        { return 0 }
func (t *Table) count() int             { return len(t.Rows) }
func (t *Table) texts(row int) []string { return t.Rows[row] }

func (t *Table) widths() []float64 {
	widths := make([]float64, len(t.Shares))
	for i, s := range t.Shares {
		widths[i] = s * width
	}
	return widths
}

func (t *Table) face(_, column int) string {
	if slices.Contains(t.Mono, column) {
		return "mono"
	}
	return ""
}

// cells breaks a row into the lines of its cells, and says how high it is.
func (d *writer) cells(g grid, row int) (cells [][]string, h float64) {
	lines := 1
	widths := g.widths()
	for k, s := range g.texts(row) {
		d.cellFont(g.face(row, k))
		cells = append(cells, d.split(s, widths[k]-cellGap))
		lines = max(lines, len(cells[k]))
	}
	return cells, float64(lines)*tableSize*lead + 2*rowPad
}

func (d *writer) cellFont(face string) {
	if face == "mono" {
		d.font("mono", tableSize-0.5)
		return
	}
	d.font(face, tableSize)
}

// table draws a table, its heads again on every page.
func (d *writer) table(t *Table) {
	widths := t.widths()
	d.drawHeads(t)
	for i := range t.Rows {
		cells, h := d.cells(t, i)
		// A row that fits a page is kept whole; a longer one runs on.
		if d.y+h > pageH-bottom && h < pageH-top-bottom-20 {
			d.page()
			d.drawHeads(t)
		}
		d.y += rowPad
		for l := range int((h-2*rowPad)/(tableSize*lead) + 0.5) {
			if d.y+tableSize*lead > pageH-bottom {
				d.page()
				d.drawHeads(t)
			}
			x := left
			for k := range cells {
				if l < len(cells[k]) {
					d.cellFont(t.face(i, k))
					d.colour(ink)
					d.at(x, d.y, cells[k][l])
				}
				x += widths[k]
			}
			if t.Flag[i] {
				d.block(left-3, d.y-0.4, 1.2, tableSize*lead+0.4)
			}
			d.y += tableSize * lead
		}
		d.y += rowPad
		d.rule(left, d.y, 0.15, faint)
	}
}

// headHeight is the height of the column heads.
func (d *writer) headHeight(g grid) float64 {
	d.font("B", smallSize)
	lines := 1
	for i, h := range g.heads() {
		lines = max(lines, len(d.split(h, g.widths()[i]-cellGap)))
	}
	return float64(lines)*smallSize*lead + 1
}

// drawHeads draws the column heads.
func (d *writer) drawHeads(g grid) {
	h := d.headHeight(g)
	x := left + g.indent()
	for i, words := range g.heads() {
		d.font("B", smallSize)
		d.colour(quiet)
		for l, s := range d.split(words, g.widths()[i]-cellGap) {
			d.at(x, d.y+float64(l)*smallSize*lead, s)
		}
		x += g.widths()[i]
	}
	d.y += h
	d.rule(left+g.indent(), d.y, 0.3, ink)
}

// lanePitch is the distance between two brackets that run side by side.
const lanePitch = 3.4

func (t *Readings) heads() []string { return t.Heads }
func (t *Readings) count() int      { return len(t.Rows) }

// indent is the room that brackets take at the edge.
func (t *Readings) indent() float64 { return float64(t.Lanes)*lanePitch + 2.5 }

func (t *Readings) widths() []float64 {
	widths := []float64{0.055, 0.095, 0.24, 0.12, 0.31, 0.18}
	for i := range widths {
		widths[i] *= width - t.indent()
	}
	return widths
}

func (t *Readings) texts(row int) []string {
	r := &t.Rows[row]
	return []string{strconv.Itoa(r.Number), r.Time, r.Where, r.Shows, with(append([]string{r.Judged}, r.Notes...)...), r.Instrument}
}

// face is that of a cell: what was not as the method expects is bold.
func (t *Readings) face(row, column int) string {
	if column == 4 && t.Rows[row].Unexpected {
		return "B"
	}
	return [...]string{"mono", "mono", "", "mono", "", ""}[column]
}

// readings draws the table of readings with the brackets down its edge.
func (d *writer) readings(t *Readings) {
	widths := t.widths()
	d.drawHeads(t)
	for i := range t.Rows {
		r := &t.Rows[i]
		cells, h := d.cells(t, i)
		if d.y+h > pageH-bottom {
			d.page()
			d.drawHeads(t)
		}
		x := left + t.indent()
		for k := range cells {
			for l, s := range cells[k] {
				d.cellFont(t.face(i, k))
				d.colour(ink)
				y := d.y + rowPad + float64(l)*tableSize*lead
				d.at(x, y, s)
				if r.Withdrawn && k > 1 && k < 4 {
					d.pen(0.25, ink)
					d.pdf.Line(x, y+tableSize*lead/2, x+d.width(s), y+tableSize*lead/2)
				}
			}
			x += widths[k]
		}
		for lane, part := range r.Lines {
			d.bracket(left+float64(lane)*lanePitch, d.y, h, part)
		}
		d.y += h
		d.rule(left+t.indent(), d.y, 0.15, faint)
	}
}

// bracket draws the part of a bracket beside one row: closed at the top where the instrument was
// proved, solid and closed at the bottom where it was proved again, dashed and open where it was
// not, hatched where it came to nothing.
func (d *writer) bracket(x, y, h float64, p BracketPart) {
	if p.State == "" {
		return
	}
	const arm = 2.4
	y0, y1 := y, y+h
	if p.Top {
		y0 += 0.8
	}
	if p.Bottom {
		y1 -= 0.8
	}
	d.pen(0.6, ink)
	switch p.State {
	case "open":
		d.pdf.SetDashPattern([]float64{1.2, 0.9}, 0)
		d.pdf.Line(x, y0, x, y1)
		d.pdf.SetDashPattern(nil, 0)
	case "void":
		d.pdf.SetLineWidth(0.25)
		d.pdf.ClipRect(x-0.1, y0, 1.9, y1-y0, false)
		// The stripes run on from row to row, since they are counted from the page's top.
		first := float64(int((y0-2.0)/1.3)) * 1.3
		for o := first; o < y1+2; o += 1.3 {
			d.pdf.Line(x, o+1.8, x+1.8, o)
		}
		d.pdf.ClipEnd()
		d.pdf.Line(x, y0, x, y1)
		d.pdf.Line(x+1.7, y0, x+1.7, y1)
		d.pdf.SetLineWidth(0.6)
	default:
		d.pdf.Line(x, y0, x, y1)
	}
	if p.Top {
		d.pdf.Line(x-0.3, y0, x+arm, y0)
	}
	if p.Bottom && p.State == "closed" {
		d.pdf.Line(x-0.3, y1, x+arm, y1)
	}
	if p.Own {
		d.fill(ink)
		d.pdf.Circle(x+arm-0.3, y+h/2, 0.55, "F")
	}
}
