package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // photographs may be PNG
	"strconv"
	"sync"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/draw"
)

const (
	// maxDecoded bounds what the decoder of one picture may ask for, in bytes, so that a small
	// file cannot ask for all the memory there is. A photograph of 50 megapixels fits.
	maxDecoded = 160 << 20
	// longSide is the longer side of a photograph on paper, in pixels: about 170 to the inch.
	longSide = 560
)

// decoding lets one picture at a time take so much memory.
var decoding sync.Mutex

func fmtNumber(n int) string { return strconv.Itoa(n) }

// errTooLarge is the error for a picture that would take too much memory.
type errTooLarge struct{ w, h int }

func (e errTooLarge) Error() string { return fmt.Sprintf("too large to show: %d by %d", e.w, e.h) }

// perPixel is how many bytes the decoders of the standard library take for a pixel, at most.
func perPixel(cfg image.Config, content []byte) int {
	switch cfg.ColorModel {
	case color.GrayModel, color.YCbCrModel, color.CMYKModel:
		n := 3
		if cfg.ColorModel == color.CMYKModel {
			n = 8 // once as it is coded, once turned into ink
		}
		if progressive(content) {
			n += 16 // four coefficients of 32 bits
		}
		return n
	case color.Gray16Model:
		return 2
	case color.RGBA64Model, color.NRGBA64Model:
		return 8
	}
	return 4
}

// progressive reports whether a JPEG file is, or may be, coded progressively: its frame header
// is SOF2 (ITU-T T.81, table B.1), and the decoder holds all coefficients at once.
func progressive(content []byte) bool {
	for at := 2; at+4 <= len(content) && content[at] == 0xff; {
		switch m := content[at+1]; {
		case m == 0xc0 || m == 0xc1: // baseline and extended sequential
			return false
		case m == 0xff: // a fill byte
			at++
		default:
			if m == 0xc2 {
				return true
			}
			at += 2 + int(binary.BigEndian.Uint16(content[at+2:]))
		}
	}
	return !bytes.HasPrefix(content, []byte("\x89PNG"))
}

// shrink returns a picture as a JPEG file of modest size.
func shrink(content []byte) (jpg []byte, w, h int, err error) {
	cfg, _, err := image.DecodeConfig(bytes.NewReader(content))
	if err != nil {
		return nil, 0, 0, fmt.Errorf("not a picture that can be read: %w", err)
	}
	if cfg.Width < 1 || cfg.Height < 1 {
		return nil, 0, 0, fmt.Errorf("not a picture that can be read: %d by %d", cfg.Width, cfg.Height)
	}
	if cfg.Width > maxDecoded/perPixel(cfg, content)/cfg.Height {
		return nil, 0, 0, errTooLarge{cfg.Width, cfg.Height}
	}
	decoding.Lock()
	defer decoding.Unlock()
	src, _, err := image.Decode(bytes.NewReader(content))
	if err != nil {
		return nil, 0, 0, fmt.Errorf("not a picture that can be read: %w", err)
	}
	w, h = cfg.Width, cfg.Height
	if long := max(w, h); long > longSide {
		w, h = max(1, w*longSide/long), max(1, h*longSide/long)
	}
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(dst, dst.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.ApproxBiLinear.Scale(dst, dst.Bounds(), src, src.Bounds(), draw.Over, nil)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, dst, &jpeg.Options{Quality: 78}); err != nil {
		return nil, 0, 0, err
	}
	return b.Bytes(), w, h, nil
}

// pictures sets photographs two abreast.
func (d *writer) pictures(b *Pictures) {
	const (
		gap = 6.0
		w   = (width - gap) / 2
		h   = 62.0
	)
	for i := 0; i < len(b.List); i += 2 {
		d.room(h + 12)
		y := d.y
		for k := i; k < min(i+2, len(b.List)); k++ {
			x := left + float64(k-i)*(w+gap)
			d.picture(&b.List[k], x, y, w, h)
		}
		d.y = y + h + 11
	}
}

func (d *writer) picture(p *Photo, x, y, w, h float64) {
	missing := p.Missing
	if missing == "" {
		jpg, pw, ph, err := shrink(p.Content)
		if err != nil {
			missing = err.Error()
		} else {
			// One picture shown twice is kept once.
			name := fmt.Sprintf("%x", sha256.Sum256(jpg))
			if d.pdf.GetImageInfo(name) == nil {
				d.pdf.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(jpg))
			}
			scale := min(w/float64(pw), h/float64(ph))
			d.pdf.ImageOptions(name, x, y, float64(pw)*scale, float64(ph)*scale, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
		}
	}
	if missing != "" {
		d.pdf.SetLineWidth(0.3)
		d.stroke(rule)
		d.pdf.Rect(x, y, w, h, "D")
		d.font("", tableSize)
		d.colour(quiet)
		for i, l := range d.split("No picture: "+missing, w-8) {
			if i < 8 {
				d.at(x+4, y+4+float64(i)*tableSize*lead, l)
			}
		}
	}
	d.font("", tableSize)
	d.colour(ink)
	words := p.Of
	if p.Time != "" {
		words += ", " + p.Time
	}
	d.at(x, y+h+1.2, d.split(words, w)[0])
	d.font("mono", smallSize-1)
	d.colour(quiet)
	d.at(x, y+h+4.8, p.ID)
}

// conductors are the colours of conductors, for drawings alone.
var conductors = map[string]colour{
	"ink": ink, "quiet": quiet,
	"brown": {0x7a, 0x4a, 0x2b}, "blue": {0x1f, 0x5f, 0xae}, "black": {0x16, 0x18, 0x1a}, "grey": {0x8a, 0x8f, 0x92}, "green-yellow": {0x3a, 0x8f, 0x3a},
}

// drawing draws a picture of plain shapes across the page.
func (d *writer) drawing(p *Picture) {
	k := width / p.W
	d.room(p.H*k + 2)
	ox, oy := left, d.y
	for i := range p.Shapes {
		d.shape(&p.Shapes[i], ox, oy, k)
	}
	d.y += p.H * k
	d.words([]string{p.Says}, smallSize+0.5, quiet, 0)
}

func (d *writer) shape(s *Shape, ox, oy, k float64) {
	at := func(i int) (float64, float64) { return ox + s.Points[i]*k, oy + s.Points[i+1]*k }
	c := conductors[s.Colour]
	d.stroke(c)
	d.pdf.SetLineWidth(max(s.Width*k, 0.1))
	d.pdf.SetFillColor(255, 255, 255)
	style := "D"
	if s.Fill {
		style = "FD"
	}
	x, y := at(0)
	switch s.Kind {
	case "line":
		for i := 2; i+1 < len(s.Points); i += 2 {
			x2, y2 := at(i)
			d.pdf.Line(x, y, x2, y2)
			if s.Colour == "green-yellow" {
				d.stroke(colour{0xe3, 0xc7, 0x1c})
				d.pdf.SetDashPattern([]float64{1.4, 1.4}, 0)
				d.pdf.Line(x, y, x2, y2)
				d.pdf.SetDashPattern(nil, 0)
				d.stroke(c)
			}
			x, y = x2, y2
		}
	case "box":
		x2, y2 := at(2)
		d.pdf.Rect(x, y, x2-x, y2-y, style)
	case "dot":
		d.pdf.Circle(x, y, s.Size*k, style)
	case "text":
		// A tenth of a millimetre is 0.2835 points.
		d.font("", s.Size*k*2.835)
		d.colour(c)
		if s.Middle {
			x -= d.width(s.Text) / 2
		}
		d.at(x, y-s.Size*k*0.95, s.Text)
	}
}
