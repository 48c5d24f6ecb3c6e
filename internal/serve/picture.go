package serve

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gomonobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// The photographs of the demonstration are drawn: a meter with its register, a cut-out with its
// seal, a torque screwdriver on a terminal. Each says on its face that it is no photograph.

// picture is one drawing under way.
type picture struct {
	*image.RGBA
	err error
}

const pictureW, pictureH = 480, 360

var (
	board   = color.RGBA{0xd9, 0xc7, 0xa5, 0xff}
	paper   = color.RGBA{0xf4, 0xf1, 0xe8, 0xff}
	casing  = color.RGBA{0x6b, 0x72, 0x70, 0xff}
	moulded = color.RGBA{0x2c, 0x30, 0x30, 0xff}
	display = color.RGBA{0xbf, 0xcf, 0xb4, 0xff}
	brass   = color.RGBA{0xb8, 0x96, 0x4a, 0xff}
	inks    = color.RGBA{0x16, 0x21, 0x1d, 0xff}
	// Insulation of line and neutral conductors, BS 7671 table 51 [M].
	brown = color.RGBA{0x7a, 0x4a, 0x28, 0xff}
	blue  = color.RGBA{0x2f, 0x62, 0xa8, 0xff}
)

func newPicture() *picture {
	p := &picture{RGBA: image.NewRGBA(image.Rect(0, 0, pictureW, pictureH))}
	p.box(0, 0, pictureW, pictureH, board)
	return p
}

func (p *picture) box(x, y, w, h int, c color.Color) {
	draw.Draw(p, image.Rect(x, y, x+w, y+h), image.NewUniform(c), image.Point{}, draw.Src)
}

// disc draws a filled circle, a row at a time.
func (p *picture) disc(x, y, r int, c color.Color) {
	for dy := -r; dy <= r; dy++ {
		half := 0
		for half*half+dy*dy <= r*r {
			half++
		}
		p.box(x-half+1, y+dy, 2*half-1, 1, c)
	}
}

// write writes a line with its foot at y.
func (p *picture) write(x, y int, size float64, ttf []byte, c color.Color, text string) {
	f, err := opentype.Parse(ttf)
	if err != nil {
		p.err = err
		return
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		p.err = err
		return
	}
	d := font.Drawer{Dst: p, Src: image.NewUniform(c), Face: face, Dot: fixed.P(x, y)}
	d.DrawString(text)
	p.err = face.Close()
}

// meter draws a meter with its number and what its register shows.
func (p *picture) meter(number, register string) {
	p.box(110, 30, 260, 230, casing)
	p.box(124, 44, 232, 120, paper)
	p.box(146, 64, 188, 60, display)
	p.write(158, 106, 40, gomonobold.TTF, inks, register)
	p.write(300, 120, 12, goregular.TTF, inks, "kWh")
	p.write(136, 154, 18, goregular.TTF, inks, "meter "+number)
	p.terminals(205)
}

// terminals draws four terminals with their conductors.
func (p *picture) terminals(y int) {
	p.box(124, y-20, 232, 60, moulded)
	for i, c := range []color.Color{brown, blue, blue, brown} {
		x := 150 + i*60
		p.box(x-9, y+20, 18, 100, c)
		p.disc(x, y, 15, brass)
		p.box(x-11, y-2, 22, 4, inks)
	}
}

// cutout draws a cut-out with its seal.
func (p *picture) cutout(seal string) {
	p.box(150, 40, 180, 200, moulded)
	p.box(185, 70, 110, 90, casing)
	p.write(198, 122, 18, goregular.TTF, paper, "100 A max")
	p.box(228, 240, 24, 80, inks)
	p.box(262, 160, 3, 70, paper)
	p.disc(264, 242, 24, brass)
	p.write(300, 262, 20, gomonobold.TTF, inks, seal)
}

// screwdriver draws a torque screwdriver on the terminals of a meter.
func (p *picture) screwdriver(torque string) {
	p.terminals(230)
	p.box(204, 110, 12, 120, casing)
	p.box(186, 20, 48, 96, moulded)
	p.box(192, 50, 36, 30, display)
	p.write(194, 72, 19, gomonobold.TTF, inks, torque)
	p.write(246, 72, 18, goregular.TTF, inks, torque+" N·m")
}

// drawn makes the picture of a field. said are the entries of the visit that can be seen on it.
func drawn(field string, said map[string]string) ([]byte, error) {
	p := newPicture()
	what := ""
	switch field {
	case "before", "after-photograph":
		seal := said["cutout-seal"]
		if field != "before" {
			seal = said["new-cutout-seal"]
		}
		p.cutout(seal)
		what = "the cut-out, sealed with " + seal
	case "final-photograph", "old-photograph":
		p.meter(said["old-number"], said["final-import"])
		what = "the meter that comes off"
	case "terminals-photograph":
		p.screwdriver(said["torque"])
		what = "a terminal of meter " + said["new-number"] + " tightened"
	case "opening-photograph":
		p.meter(said["new-number"], said["opening-import"])
		what = "the meter that goes on"
	default:
		return nil, fmt.Errorf("nothing is drawn for %q", field)
	}
	p.box(0, pictureH-34, pictureW, 34, paper)
	p.write(10, pictureH-11, 17, goregular.TTF, inks, "Drawing, fictional: "+what)
	if p.err != nil {
		return nil, p.err
	}
	var b bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, p)
	return b.Bytes(), err
}
