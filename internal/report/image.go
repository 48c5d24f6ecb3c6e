package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // photographs may be PNG
	"sync"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/draw"

	"meterwright/internal/drawing"
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

// errTooLarge is wrapped for a picture that would take too much memory.
var errTooLarge = errors.New("too large to show")

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
		return nil, 0, 0, fmt.Errorf("%w: %d by %d", errTooLarge, cfg.Width, cfg.Height)
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

// pictureHeight is that of a picture with its words.
const pictureHeight = 74.0

// pictures sets photographs two abreast.
func (d *writer) pictures(b *Pictures) {
	const (
		gap = 6.0
		w   = (width - gap) / 2
		h   = 62.0
	)
	for i := 0; i < len(b.List); i += 2 {
		pair := b.List[i:min(i+2, len(b.List))]
		lines := 1
		d.font("", tableSize)
		for k := range pair {
			lines = max(lines, len(d.split(d.caption(&pair[k]), w)))
		}
		under := float64(lines)*tableSize*lead + 1.2
		d.room(h + under + 4)
		y := d.y
		for k := range pair {
			d.picture(&pair[k], left+float64(k)*(w+gap), y, w, h, under)
		}
		d.y = y + h + under + 6
	}
}

func (d *writer) caption(p *Photo) string {
	if p.Time == "" {
		return p.Of
	}
	return d.sheet.words.Say("report.picture.at", "of", p.Of, "at", p.Time)
}

func (d *writer) picture(p *Photo, x, y, w, h, under float64) {
	missing := p.Missing
	if missing == "" {
		jpg, pw, ph, err := shrink(p.Content)
		if err != nil {
			missing = d.sheet.words.Say("report.picture.none", "why", err)
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
		d.frame(x, y, w, h, 0.3, faint)
		d.font("", tableSize)
		d.colour(quiet)
		for i, l := range d.split(missing, w-8) {
			if i < 8 {
				d.at(x+4, y+4+float64(i)*tableSize*lead, l)
			}
		}
	}
	d.font("", tableSize)
	d.colour(ink)
	for i, l := range d.split(d.caption(p), w) {
		d.at(x, y+h+1.2+float64(i)*tableSize*lead, l)
	}
	// An id has 71 letters, which just fit half the width.
	d.font("mono", smallSize-1.3)
	d.colour(quiet)
	d.at(x, y+h+under, p.ID)
}

// pen is how a class of shapes is drawn: its colour, the width of its line in the drawing's units, dashes,
// and what it is filled with.
type pen struct {
	colour colour
	width  float64
	dashed bool
	ground *colour
}

// pens holds every class of package drawing. The colours of conductors are for drawings alone.
var pens = map[drawing.Class]pen{
	drawing.LineConductor: {colour: colour{0x7a, 0x4a, 0x2b}, width: 5}, drawing.L2Conductor: {colour: colour{0x16, 0x18, 0x1a}, width: 5},
	drawing.L3Conductor: {colour: colour{0x8a, 0x8f, 0x92}, width: 5}, drawing.Neutral: {colour: colour{0x1f, 0x5f, 0xae}, width: 5},
	drawing.Earth: {colour: colour{0x3a, 0x8f, 0x3a}, width: 5},
	drawing.Part:  {colour: ink, width: 2, ground: &card}, drawing.Cover: {colour: ink, width: 2, ground: &card}, drawing.Winding: {colour: ink, width: 2.5},
	drawing.Gone: {colour: ink, width: 2, dashed: true}, drawing.Case: {colour: quiet, width: 1.5}, drawing.Screen: {colour: ink, width: 1.5, ground: &faint},
	drawing.Carrier: {colour: ink, width: 2, ground: &faint}, drawing.Shroud: {colour: ink, width: 3, ground: &faint}, drawing.Link: {colour: ink, width: 1.5, ground: &card},
	drawing.Thin: {colour: ink, width: 2}, drawing.Hatch: {colour: ink, width: 2}, drawing.Screw: {colour: ink, width: 1.5, ground: &card}, drawing.Seal: {colour: ink, width: 1.5, ground: &quiet},
	drawing.Hole: {colour: ink, width: 2, ground: &card}, drawing.Void: {colour: ink, width: 2, ground: &card}, drawing.Behind: {colour: ink, width: 2, ground: &card, dashed: true},
	drawing.Held: {colour: ink, width: 2, ground: &ink}, drawing.Count: {colour: ink}, drawing.Label: {colour: ink}, drawing.Named: {colour: ink},
	drawing.Ring: {colour: ink, width: 4}, drawing.Touch: {colour: ink, width: 3, dashed: true}, drawing.Tag: {colour: ink, width: 1.5, ground: &ink}, drawing.Letter: {colour: card},
}

// drawingMost is how much of a page's height a drawing takes at the most, in millimetres.
const drawingMost = 76

func drawingHeight(p *drawing.Picture) float64 { return p.H*min(width/p.W, drawingMost/p.H) + 2 }

// drawing draws a position.
func (d *writer) drawing(p *drawing.Picture) {
	k := min(width/p.W, drawingMost/p.H)
	d.room(p.H*k + 2)
	ox, oy := left, d.y
	for i := range p.Shapes {
		d.shape(&p.Shapes[i], ox, oy, k, p.Letters())
	}
	d.pdf.SetDashPattern(nil, 0)
	d.y += p.H*k + 2
	d.words([]string{p.Says}, smallSize+0.5, quiet, 0)
}

func (d *writer) shape(s *drawing.Shape, ox, oy, k, letters float64) {
	at := func(i int) (float64, float64) { return ox + s.Points[i]*k, oy + s.Points[i+1]*k }
	p := pens[s.Class]
	d.pen(max(p.width*k, 0.1), p.colour)
	d.pdf.SetDashPattern(nil, 0)
	if p.dashed {
		d.pdf.SetDashPattern([]float64{1, 0.8}, 0)
	}
	style := "D"
	if p.ground != nil {
		style = "FD"
		d.fill(*p.ground)
	}
	x, y := at(0)
	switch s.Kind {
	case drawing.Line:
		var corners []fpdf.PointType
		for i := 0; i+1 < len(s.Points); i += 2 {
			px, py := at(i)
			corners = append(corners, fpdf.PointType{X: px, Y: py})
		}
		d.path(corners)
		if s.Class == drawing.Earth {
			d.pen(max(p.width*k, 0.1), colour{0xe3, 0xc7, 0x1c})
			d.pdf.SetDashPattern([]float64{1.4, 1.4}, 0)
			d.path(corners)
		}
	case drawing.Box:
		x2, y2 := at(2)
		d.pdf.Rect(x, y, x2-x, y2-y, style)
	case drawing.Dot:
		d.pdf.Circle(x, y, s.Size*k, style)
	case drawing.Text:
		// A millimetre is 2.835 points.
		size := min(letters, s.Size) * k
		d.font("", size*2.835)
		d.colour(p.colour)
		x -= d.width(s.Text) * float64(s.Align) / 2
		d.at(x, y+s.Down*size-0.95*size, s.Text)
	}
}

// path draws a line through corners.
func (d *writer) path(corners []fpdf.PointType) {
	d.pdf.MoveTo(corners[0].X, corners[0].Y)
	for _, c := range corners[1:] {
		d.pdf.LineTo(c.X, c.Y)
	}
	d.pdf.DrawPath("D")
}
