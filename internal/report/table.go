package report

import "slices"

const (
	cellGap = 2.0
	rowPad  = 0.9
)

// table draws a table, its heads again on every page.
func (d *writer) table(t *Table) {
	widths := make([]float64, len(t.Shares))
	for i, s := range t.Shares {
		widths[i] = s * width
	}
	d.heads(t.Heads, widths, 0)
	for i, row := range t.Rows {
		cells := make([][]string, len(row))
		lines := 1
		for k, s := range row {
			d.cellFont(t, k)
			cells[k] = d.split(s, widths[k]-cellGap)
			lines = max(lines, len(cells[k]))
		}
		flag := t.Flag[i]
		// A row that fits a page is kept whole; a longer one runs on.
		h := float64(lines)*tableSize*lead + 2*rowPad
		if d.y+h > pageH-bottom && h < pageH-top-bottom-20 {
			d.page()
			d.heads(t.Heads, widths, 0)
		}
		d.y += rowPad
		for l := range lines {
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
			if flag {
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

// heads draws the column heads, from an indent on.
func (d *writer) heads(heads []string, widths []float64, indent float64) {
	d.room(14)
	x := left + indent
	for i, h := range heads {
		d.font("B", smallSize)
		d.colour(quiet)
		d.at(x, d.y, h)
		x += widths[i]
	}
	d.y += smallSize*lead + 1
	d.pdf.SetLineWidth(0.3)
	d.stroke(ink)
	d.pdf.Line(left+indent, d.y, pageW-right, d.y)
}

// lanePitch is the distance between two brackets that run side by side.
const lanePitch = 3.4

// readings draws the table of readings with the brackets down its edge.
func (d *writer) readings(t *Readings) {
	indent := float64(t.Lanes)*lanePitch + 2.5
	shares := []float64{0.055, 0.095, 0.25, 0.11, 0.31, 0.18}
	widths := make([]float64, len(shares))
	for i, s := range shares {
		widths[i] = s * (width - indent)
	}
	heads := []string{"No.", "Time", "Where", "Shows", "Limit and verdict", "Instrument"}
	d.heads(heads, widths, indent)
	for i := range t.Rows {
		r := &t.Rows[i]
		verdict := r.Verdict
		if r.Limit != "" {
			verdict = r.Limit + ": " + r.Verdict
		}
		for _, n := range r.Notes {
			verdict += "; " + n
		}
		text := []string{fmtNumber(r.Number), r.Time, r.Where, r.Shows, verdict, r.Instrument}
		faces := []string{"mono", "mono", "", "mono", "", ""}
		if r.Unexpected {
			faces[4] = "B"
		}
		cells := make([][]string, len(text))
		lines := 1
		for k, s := range text {
			d.readingFont(faces[k])
			cells[k] = d.split(s, widths[k]-cellGap)
			lines = max(lines, len(cells[k]))
		}
		h := float64(lines)*tableSize*lead + 2*rowPad
		if d.y+h > pageH-bottom {
			d.page()
			d.heads(heads, widths, indent)
		}
		x := left + indent
		for k := range cells {
			for l, s := range cells[k] {
				d.readingFont(faces[k])
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
