package report

import (
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"rsc.io/qr"

	"meterwright/say"
)

// Measures of the page in millimetres, and of type in points.
const (
	pageW, pageH = 210.0, 297.0
	left, right  = 16.0, 16.0
	top, bottom  = 22.0, 18.0
	width        = pageW - left - right

	titleSize = 11.5
	bodySize  = 9.0
	tableSize = 8.0
	smallSize = 7.0
	// lead is the height of a line for each point of its type.
	lead = 0.3528 * 1.28
)

type colour [3]int

// The colours of the page. Those of conductors stand in drawings alone.
var (
	ink   = colour{0x16, 0x21, 0x1d}
	quiet = colour{0x58, 0x61, 0x59}
	faint = colour{0xc9, 0xc4, 0xb4}
	card  = colour{255, 255, 255} // a page is white
)

// writer draws a sheet.
type writer struct {
	pdf   *fpdf.Fpdf
	sheet *Sheet
	y     float64
}

// Write composes the copy and draws it as a PDF.
func Write(w io.Writer, in Input) error {
	sheet, err := Compose(in)
	if err != nil {
		return err
	}
	d, err := newWriter(sheet, in.Case.Visit.Account().Last)
	if err != nil {
		return err
	}
	if in.Copy == Full {
		var files []fpdf.Attachment
		for _, f := range in.Files {
			files = append(files, fpdf.Attachment{Content: f.Content, Filename: f.Name, Description: in.Language.Say("report.attachment")})
		}
		d.pdf.SetAttachments(files)
	}
	d.draw()
	if err := d.pdf.Output(w); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

func newWriter(sheet *Sheet, when time.Time) (*writer, error) {
	pdf := fpdf.New("P", "mm", "A4", "")
	d := &writer{pdf: pdf, sheet: sheet}
	// Nothing of the machine or of the moment goes into the file.
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(when.UTC())
	pdf.SetModificationDate(when.UTC())
	pdf.SetCompression(true)
	pdf.SetMargins(left, top, right)
	pdf.SetAutoPageBreak(false, bottom)
	pdf.SetCellMargin(0)
	loadFonts(pdf)
	pdf.SetTitle(printable(sheet.words.Say("report.header", "title", sheet.Title, "job", sheet.Job)), true)
	pdf.SetSubject(printable(sheet.Address), true)
	pdf.SetCreator("meterwright", true)
	pdf.SetProducer("meterwright", true)
	pdf.SetLang(sheet.words.Tag)
	pdf.AliasNbPages(allPages)
	pdf.SetHeaderFunc(d.header)
	pdf.SetFooterFunc(d.footer)
	return d, pdf.Error()
}

func (d *writer) header() {
	d.font("", smallSize)
	d.colour(quiet)
	head := d.sheet.words.Say("report.header", "title", d.sheet.Title, "job", d.sheet.Job)
	if !d.sheet.Practice {
		d.at(left, 10, d.split(head, width)[0])
	} else {
		s := d.sheet.words.Say("report.practice")
		if d.sheet.Fictional {
			s = d.sheet.words.Say("report.fictional")
		}
		d.font("B", smallSize)
		w := d.width(s) + 4
		d.font("", smallSize)
		d.at(left, 10, d.split(head, width-w-4)[0])
		d.font("B", smallSize)
		d.colour(ink)
		d.frame(pageW-right-w, 8.6, w, 5.2, 0.4, ink)
		d.at(pageW-right-w+2, 10, s)
	}
	d.rule(left, 15.5, 0.4, ink)
}

func (d *writer) footer() {
	d.font("", smallSize)
	d.colour(quiet)
	d.rule(left, pageH-13, 0.2, faint)
	// The number of pages is put in at the end, so that its width is not known yet: two digits are left for it.
	page := d.sheet.words.Say("report.page", "page", d.pdf.PageNo(), "pages", allPages)
	w := d.width(strings.Replace(page, allPages, "99", 1))
	d.at(left, pageH-11.5, d.split(d.sheet.words.Say("report.footer", "head", short(d.sheet.Head)), width-w-3)[0])
	d.pdf.SetXY(pageW-right-w, pageH-11.5)
	d.pdf.CellFormat(w, 3.2, printable(page), "", 0, "L", false, 0, "")
}

// allPages stands for the number of pages until it is known.
const allPages = "{pages}"

func short(hash string) string {
	if len(hash) > 16 {
		return hash[:16] + "…"
	}
	return hash
}

func (d *writer) draw() {
	d.page()
	d.title()
	for _, first := range []bool{true, false} {
		for i := range d.sheet.Sections {
			if s := &d.sheet.Sections[i]; s.First == first {
				d.section(s)
			}
		}
		if first {
			d.cautions()
		}
	}
}

func (d *writer) page() {
	d.pdf.AddPage()
	d.y = top
}

// room begins a page if less than h is left on this one.
func (d *writer) room(h float64) {
	if d.y+h > pageH-bottom {
		d.page()
	}
}

// title sets the heading with the square code beside it.
func (d *writer) title() {
	const side = 28.0
	x := pageW - right - side
	d.code(x, d.y, side)
	d.font("B", 17)
	d.colour(ink)
	d.down(d.sheet.Title, width-side-6, 7.6)
	d.font("", 11)
	d.down(d.sheet.Address, width-side-6, 5)
	d.font("mono", smallSize)
	d.colour(quiet)
	d.y += 1.5
	d.down(d.sheet.words.Say("report.hash"), width-side-6, 3.4)
	if len(d.sheet.Head) == 64 {
		d.at(left, d.y, d.sheet.Head[:32])
		d.at(left, d.y+3.4, d.sheet.Head[32:])
		d.y += 6.8
	}
	d.y = max(d.y, top+side) + 3
}

// code draws the hash as a square code; where it cannot be, the digits beside it stand alone.
func (d *writer) code(x, y, side float64) {
	c, err := qr.Encode("sha256:"+d.sheet.Head, qr.M)
	if err != nil {
		d.pdf.SetError(fmt.Errorf("square code: %w", err))
		return
	}
	// The standard asks for a quiet zone of four modules, ISO/IEC 18004 [M]; the paper is
	// it on the outer sides.
	cell := side / float64(c.Size)
	d.pdf.SetFillColor(0, 0, 0)
	for r := range c.Size {
		for q := 0; q < c.Size; q++ {
			n := q
			for n < c.Size && c.Black(n, r) {
				n++
			}
			if n > q {
				d.pdf.Rect(x+float64(q)*cell, y+float64(r)*cell, float64(n-q)*cell, cell, "F")
				q = n
			}
		}
	}
}

// cautions stand in a box with a hatch at the edge, before anything else.
func (d *writer) cautions() {
	d.font("", bodySize)
	var lines []string
	for _, c := range d.sheet.Cautions {
		lines = append(lines, d.split(c, width-12)...)
	}
	h := float64(len(lines))*bodySize*lead + 5
	d.room(h)
	d.frame(left, d.y, width, h, 0.5, ink)
	d.hatch(left, d.y, 4, h)
	d.colour(ink)
	y := d.y + 2.5
	for _, l := range lines {
		d.at(left+8, y, l)
		y += bodySize * lead
	}
	d.y += h + 5
}

// hatch fills a box with slanted stripes.
func (d *writer) hatch(x, y, w, h float64) {
	d.pdf.ClipRect(x, y, w, h, false)
	d.fill(ink)
	const step = 3.2
	for o := -w; o < h+w; o += step {
		d.pdf.Polygon([]fpdf.PointType{{X: x, Y: y + o + w}, {X: x + w, Y: y + o}, {X: x + w, Y: y + o + step/2}, {X: x, Y: y + o + w + step/2}}, "F")
	}
	d.pdf.ClipEnd()
	d.frame(x, y, w, h, 0.5, ink)
}

func (d *writer) section(s *Section) {
	if s.Alone {
		d.page()
	}
	d.font("B", titleSize)
	title := d.split(s.Title, width)
	d.font("", smallSize+0.5)
	note := 0.0
	if s.Note != "" {
		note = float64(len(d.split(s.Note, width)))*(smallSize+0.5)*lead + 1
	}
	// A heading never stands at the foot of a page without something of what it is over.
	d.room(float64(len(title))*titleSize*lead + 2.4 + note + d.least(s.Blocks[0]))
	d.pdf.Bookmark(printable(s.Title), 0, d.y)
	d.font("B", titleSize)
	d.colour(ink)
	d.down(s.Title, width, titleSize*lead)
	d.y += 0.4
	d.rule(left, d.y, 0.5, ink)
	d.y += 1.8
	if s.Note != "" {
		d.words([]string{s.Note}, smallSize+0.5, quiet, 0)
		d.y += 1
	}
	for i, b := range s.Blocks {
		if i > 0 {
			d.y += 2
			d.room(d.least(b))
		}
		switch b := b.(type) {
		case *Pairs:
			d.pairs(b)
		case *Words:
			d.wordsBlock(b)
		case *Table:
			d.table(b)
		case *Readings:
			d.readings(b)
		case *Drawing:
			d.drawing(&b.Picture)
		case *Pictures:
			d.pictures(b)
		}
	}
	d.y += 5
}

// least is the height of what of a block must stand together with what is above it.
func (d *writer) least(b Block) float64 {
	switch b := b.(type) {
	case grid:
		few := 0.0
		for i := range min(b.count(), 2) {
			_, h := d.cells(b, i)
			few += h
		}
		return d.headHeight(b) + min(few, pageH/3)
	case *Drawing:
		return drawingHeight(&b.Picture) + smallSize*lead*2
	case *Pictures:
		return pictureHeight
	}
	return 3 * bodySize * lead
}

// words sets sentences one under another.
func (d *writer) words(list []string, size float64, c colour, indent float64) {
	for _, s := range list {
		d.font("", size)
		for _, l := range d.split(s, width-indent) {
			d.room(size * lead)
			// A new page leaves the header's colour and type behind.
			d.font("", size)
			d.colour(c)
			d.at(left+indent, d.y, l)
			d.y += size * lead
		}
	}
}

func (d *writer) wordsBlock(b *Words) {
	for _, s := range b.List {
		style := say.Either(b.Strong, "B", "")
		d.font(style, bodySize)
		lines := d.split(s, width-5)
		d.room(float64(min(len(lines), 3)) * bodySize * lead)
		for i, l := range lines {
			d.room(bodySize * lead)
			d.font(style, bodySize)
			d.colour(ink)
			if b.Strong {
				d.block(left, d.y-0.3, 1.2, bodySize*lead+0.3)
			} else if i == 0 {
				d.block(left+1, d.y+1.3, 1.1, 1.1)
			}
			d.at(left+5, d.y, l)
			d.y += bodySize * lead
		}
		d.y += 0.8
	}
}

func (d *writer) pairs(b *Pairs) {
	const name = 42.0
	for _, p := range b.List {
		d.font("", tableSize)
		names := d.split(p.Name, name-3)
		face, size := "", bodySize
		if p.Mono {
			face, size = "mono", tableSize
		}
		d.font(face, size)
		values := d.split(p.Value, width-name)
		h := max(float64(len(values))*size, float64(len(names))*tableSize)*lead + 0.8
		d.room(min(h, 40))
		d.font("", tableSize)
		d.colour(quiet)
		for i, l := range names {
			d.at(left, d.y+float64(i)*tableSize*lead+0.3, l)
		}
		for i, l := range values {
			if i > 0 {
				d.room(size * lead)
			}
			d.font(face, size)
			d.colour(ink)
			d.at(left+name, d.y, l)
			d.y += size * lead
		}
		d.y += max(0, float64(len(names))*tableSize*lead-float64(len(values))*size*lead) + 0.8
	}
}
