package report

import (
	"slices"
	"strconv"
)

const (
	cellGap = 2.0
	rowPad  = 0.9
)

func (t *Table) widths() []float64 {
	widths := make([]float64, len(t.Shares))
	for i, s := range t.Shares {
		widths[i] = s * width
	}
	return widths
}

// cells breaks a row into the lines of its cells, and says how high it is.
func (d *writer) cells(t *Table, row int) (cells [][]string, h float64) {
	lines := 1
	for k, s := range t.Rows[row] {
		d.cellFont(t, k)
		cells = append(cells, d.split(s, t.Shares[k]*width-cellGap))
		lines = max(lines, len(cells[k]))
	}
	return cells, float64(lines)*tableSize*lead + 2*rowPad
}

// table draws a table, its heads again on every page.
func (d *writer) table(t *Table) {
	widths := t.widths()
	d.heads(t.Heads, widths, 0)
	for i := range t.Rows {
		cells, h := d.cells(t, i)
		// A row that fits a page is kept whole; a longer one runs on.
		if d.y+h > pageH-bottom && h < pageH-top-bottom-20 {
			d.page()
			d.heads(t.Heads, widths, 0)
		}
		d.y += rowPad
		for l := range int((h-2*rowPad)/(tableSize*lead) + 0.5) {
			if d.y+tableSize*lead > pageH-bottom {
				d.page()
				d.heads(t.Heads, widths, 0)
			}
			x := left
			for k := range cells {
				if l < len(cells[k]) {
					d.cellFont(t, k)
					d.colour(ink)
					d.at(x, d.y, cells[k][l])
				}
				x += widths[k]
			}
			if t.Flag[i] {
				d.pdf.SetFillColor(ink[0], ink[1], ink[2])
				d.pdf.Rect(left-3, d.y-0.4, 1.2, tableSize*lead+0.4, "F")
			}
			d.y += tableSize * lead
		}
		d.y += rowPad
		d.pdf.SetLineWidth(0.15)
		d.stroke(rule)
		d.pdf.Line(left, d.y, pageW-right, d.y)
	}
}

func (d *writer) cellFont(t *Table, column int) {
	if slices.Contains(t.Mono, column) {
		d.font("mono", tableSize-0.5)
		return
	}
	d.font("", tableSize)
}

// headHeight is the height of the column heads.
func (d *writer) headHeight(heads []string, widths []float64) float64 {
	d.font("B", smallSize)
	lines := 1
	for i, h := range heads {
		lines = max(lines, len(d.split(h, widths[i]-cellGap)))
	}
	return float64(lines)*smallSize*lead + 1
}

// heads draws the column heads, from an indent on.
func (d *writer) heads(heads []string, widths []float64, indent float64) {
	h := d.headHeight(heads, widths)
	x := left + indent
	for i, words := range heads {
		d.font("B", smallSize)
		d.colour(quiet)
		for l, s := range d.split(words, widths[i]-cellGap) {
			d.at(x, d.y+float64(l)*smallSize*lead, s)
		}
		x += widths[i]
	}
	d.y += h
	d.pdf.SetLineWidth(0.3)
	d.stroke(ink)
	d.pdf.Line(left+indent, d.y, pageW-right, d.y)
}

// lanePitch is the distance between two brackets that run side by side.
const lanePitch = 3.4

// indent is the room that brackets take at the edge.
func (t *Readings) indent() float64 { return float64(t.Lanes)*lanePitch + 2.5 }

func (t *Readings) widths() []float64 {
	widths := []float64{0.055, 0.095, 0.24, 0.12, 0.31, 0.18}
	for i := range widths {
		widths[i] *= width - t.indent()
	}
	return widths
}

var readingFaces = [...]string{"mono", "mono", "", "mono", "", ""}

// reading breaks a row of readings into the lines of its cells, and says how high it is.
func (d *writer) reading(t *Readings, row int) (cells [][]string, h float64) {
	r := &t.Rows[row]
	lines := 1
	widths := t.widths()
	for k, s := range []string{strconv.Itoa(r.Number), r.Time, r.Where, r.Shows, with(append([]string{r.Judged}, r.Notes...)...), r.Instrument} {
		d.readingFont(t.face(row, k))
		cells = append(cells, d.split(s, widths[k]-cellGap))
		lines = max(lines, len(cells[k]))
	}
	return cells, float64(lines)*tableSize*lead + 2*rowPad
}

// face is that of a cell: what was not as the method expects is bold.
func (t *Readings) face(row, column int) string {
	if column == 4 && t.Rows[row].Unexpected {
		return "B"
	}
	return readingFaces[column]
}

// readings draws the table of readings with the brackets down its edge.
func (d *writer) readings(t *Readings) {
	indent, widths := t.indent(), t.widths()
	d.heads(t.Heads, widths, indent)
	for i := range t.Rows {
		r := &t.Rows[i]
		cells, h := d.reading(t, i)
		if d.y+h > pageH-bottom {
			d.page()
			d.heads(t.Heads, widths, indent)
		}
		x := left + indent
		for k := range cells {
			for l, s := range cells[k] {
				d.readingFont(t.face(i, k))
				d.colour(ink)
				y := d.y + rowPad + float64(l)*tableSize*lead
				d.at(x, y, s)
				if r.Withdrawn && k > 1 && k < 4 {
					d.stroke(ink)
					d.pdf.SetLineWidth(0.25)
					d.pdf.Line(x, y+tableSize*lead/2, x+d.width(s), y+tableSize*lead/2)
				}
			}
			x += widths[k]
		}
		for lane, part := range r.Lines {
			d.bracket(left+float64(lane)*lanePitch, d.y, h, part)
		}
		d.y += h
		d.pdf.SetLineWidth(0.15)
		d.stroke(rule)
		d.pdf.Line(left+indent, d.y, pageW-right, d.y)
	}
}

func (d *writer) readingFont(face string) {
	if face == "mono" {
		d.font("mono", tableSize-0.5)
		return
	}
	d.font(face, tableSize)
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
	d.stroke(ink)
	d.pdf.SetLineWidth(0.6)
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
		d.pdf.SetFillColor(ink[0], ink[1], ink[2])
		d.pdf.Circle(x+arm-0.3, y+h/2, 0.55, "F")
	}
}
