package report

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// loadFonts embeds the Go fonts: sans, bold and mono. The library writes into the bytes that it
// is given, so that it gets a copy: otherwise the second file of a process would differ from the
// first.
func loadFonts(pdf *fpdf.Fpdf) {
	pdf.AddUTF8FontFromBytes("sans", "", slices.Clone(goregular.TTF))
	pdf.AddUTF8FontFromBytes("sans", "B", slices.Clone(gobold.TTF))
	pdf.AddUTF8FontFromBytes("mono", "", slices.Clone(gomono.TTF))
}

// font chooses the face: "", "B", or "mono".
func (d *writer) font(face string, size float64) {
	if face == "mono" {
		d.pdf.SetFont("mono", "", size)
		return
	}
	d.pdf.SetFont("sans", face, size)
}

func (d *writer) colour(c colour) { d.pdf.SetTextColor(c[0], c[1], c[2]) }
func (d *writer) fill(c colour)   { d.pdf.SetFillColor(c[0], c[1], c[2]) }

// pen chooses the width and the colour of lines.
func (d *writer) pen(width float64, c colour) {
	d.pdf.SetLineWidth(width)
	d.pdf.SetDrawColor(c[0], c[1], c[2])
}

// rule draws a line from x to the right edge.
func (d *writer) rule(x, y, width float64, c colour) {
	d.pen(width, c)
	d.pdf.Line(x, y, pageW-right, y)
}

// frame draws the edge of a box.
func (d *writer) frame(x, y, w, h, width float64, c colour) {
	d.pen(width, c)
	d.pdf.Rect(x, y, w, h, "D")
}

// block draws a box full of ink.
func (d *writer) block(x, y, w, h float64) {
	d.fill(ink)
	d.pdf.Rect(x, y, w, h, "F")
}

// down writes a text of at most w from where the page has got to, its lines step apart.
func (d *writer) down(s string, w, step float64) {
	for _, l := range d.split(s, w) {
		d.at(left, d.y, l)
		d.y += step
	}
}

func (d *writer) width(s string) float64 { return d.pdf.GetStringWidth(printable(s)) }

// at writes one line with its upper edge at y.
func (d *writer) at(x, y float64, s string) {
	size, _ := d.pdf.GetFontSize()
	d.pdf.SetXY(x, y)
	d.pdf.CellFormat(pageW-x-4, size*lead, printable(s), "", 0, "L", false, 0, "")
}

// split breaks a text into lines of at most w, between words, or within a word that is longer.
func (d *writer) split(s string, w float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(printable(s)) {
		try := word
		if line != "" {
			try = line + " " + word
		}
		if d.pdf.GetStringWidth(try) <= w {
			line = try
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		line = word
		for d.pdf.GetStringWidth(line) > w {
			runes := []rune(line)
			n := len(runes) - 1
			for n > 1 && d.pdf.GetStringWidth(string(runes[:n])) > w {
				n--
			}
			lines = append(lines, string(runes[:max(n, 1)]))
			line = string(runes[max(n, 1):])
			if n < 1 {
				break
			}
		}
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

var glyphs = sync.OnceValues(func() (map[rune]bool, error) {
	have := map[rune]bool{}
	for i, ttf := range [][]byte{goregular.TTF, gobold.TTF, gomono.TTF} {
		f, err := sfnt.Parse(ttf)
		if err != nil {
			return nil, err
		}
		var b sfnt.Buffer
		for r := rune(' '); r < 0x2600; r++ {
			g, err := f.GlyphIndex(&b, r)
			if err != nil {
				return nil, err
			}
			has := g != 0
			if i > 0 {
				has = has && have[r]
			}
			have[r] = has
		}
	}
	return have, nil
})

// printable returns the text with control characters taken out, and with every character that
// the fonts lack named by its number, so that nothing is dropped unseen.
func printable(s string) string {
	have, err := glyphs()
	plain := true
	for _, r := range s {
		if r < ' ' || r > '~' {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			b.WriteByte(' ')
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r):
		case err == nil && have[r]:
			b.WriteRune(r)
		case r < 0x80:
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}
