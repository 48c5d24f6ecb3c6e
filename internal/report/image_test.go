package report

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"meterwright/say/en"
)

// sized returns a small PNG file that says it is w by h (PNG specification, third edition, 11.2.1).
func sized(w, h uint32, depth, colour byte) []byte {
	chunk := func(name string, data []byte) []byte {
		b := append(binary.BigEndian.AppendUint32(nil, uint32(len(data))), append([]byte(name), data...)...)
		return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
	}
	head := append(binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h), depth, colour, 0, 0, 0)
	return bytes.Join([][]byte{[]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", head), chunk("IDAT", nil), chunk("IEND", nil)}, nil)
}

// resized returns a small JPEG file whose frame header says it is w by h and of a kind (ITU-T
// T.81, B.2.2).
func resized(t *testing.T, w, h uint16, marker byte) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewRGBA(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	file := b.Bytes()
	at := bytes.Index(file, []byte{0xff, 0xc0})
	file[at+1] = marker
	binary.BigEndian.PutUint16(file[at+5:], h)
	binary.BigEndian.PutUint16(file[at+7:], w)
	return file
}

// TestPicturesAskForNoMore: a picture that says it is huge is not decoded, whatever its kind, and
// says so in plain words. What the decoder takes is counted by the runtime.
func TestPicturesAskForNoMore(t *testing.T) {
	for name, c := range map[string]struct {
		file []byte
		says string
	}{
		"wide":                {sized(60000, 60000, 8, 2), "too large to show: 60000 by 60000"},
		"16 bits":             {sized(8000, 8000, 16, 6), "too large to show: 8000 by 8000"},
		"2^31-1 wide":         {sized(1<<31-1, 1, 8, 2), "too large to show: 2147483647 by 1"},
		"2^31-1 both ways":    {sized(1<<31-1, 1<<31-1, 8, 2), "not a picture"}, // the decoder's own bound
		"2^31 wide":           {sized(1<<31, 1, 8, 2), "not a picture"},
		"nothing wide":        {sized(0, 100, 8, 2), "not a picture"},
		"nothing high":        {sized(100, 0, 8, 2), "not a picture"},
		"a large JPEG":        {resized(t, 65500, 65500, 0xc0), "too large to show: 65500 by 65500"},
		"a progressive JPEG":  {resized(t, 8000, 6000, 0xc2), "too large to show: 8000 by 6000"},
		"a JPEG nothing wide": {resized(t, 0, 8, 0xc0), "not a picture"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _, _, err := shrink(c.file)
		runtime.ReadMemStats(&after)
		if err == nil || !strings.HasPrefix(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20 {
			t.Errorf("%s: %d bytes were taken for a file of %d", name, took, len(c.file))
		}
	}
	// A photograph of a large camera is not refused: the picture itself is cut short.
	if _, _, _, err := shrink(resized(t, 8160, 6120, 0xc0)); err != nil && strings.HasPrefix(err.Error(), "too large") {
		t.Errorf("50 megapixels: %v", err)
	}
}

// TestPerPixel compares what is reckoned for a pixel with what the decoders take.
func TestPerPixel(t *testing.T) {
	const side = 1024
	rect := image.Rect(0, 0, side, side)
	encode := func(m image.Image, as func(*bytes.Buffer, image.Image) error) []byte {
		var b bytes.Buffer
		if err := as(&b, m); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	asPNG := func(b *bytes.Buffer, m image.Image) error { return png.Encode(b, m) }
	asJPEG := func(b *bytes.Buffer, m image.Image) error { return jpeg.Encode(b, m, nil) }
	for name, file := range map[string][]byte{
		"JPEG": encode(image.NewRGBA(rect), asJPEG), "grey JPEG": encode(image.NewGray(rect), asJPEG),
		"PNG": encode(image.NewNRGBA(rect), asPNG), "16 bits": encode(image.NewNRGBA64(rect), asPNG), "grey of 16 bits": encode(image.NewGray16(rect), asPNG),
		"palette": encode(image.NewPaletted(rect, color.Palette{color.Black, color.White}), asPNG),
	} {
		cfg, _, err := image.DecodeConfig(bytes.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if _, _, err := image.Decode(bytes.NewReader(file)); err != nil {
			t.Fatal(err)
		}
		runtime.ReadMemStats(&after)
		took, reckoned := int(after.TotalAlloc-before.TotalAlloc), perPixel(cfg, file)*side*side
		if took > reckoned+1<<20 {
			t.Errorf("%s: %d bytes were taken, and %d reckoned", name, took, reckoned)
		}
	}
}

// TestTooLargeIsSaid: in the place of a picture that is not shown stands why, and still its id.
func TestTooLargeIsSaid(t *testing.T) {
	const id = "sha256:8f5963cc49916061c1a83df213e704d463864f755534013fab494e2f6032bd28"
	words, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	sheet := &Sheet{words: words, Title: "Record", Job: "J-1", Sections: []Section{{ID: "photographs", Title: "Photographs",
		Blocks: []Block{&Pictures{List: []Photo{{Of: "the position as found", ID: id, Media: "image/png", Content: sized(60000, 60000, 8, 2)}}}}}}}
	d, err := newWriter(sheet, time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	d.draw()
	file := filepath.Join(t.TempDir(), "large.pdf")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(d.pdf.Output(f), f.Close()); err != nil {
		t.Fatal(err)
	}
	text, err := exec.CommandContext(t.Context(), "pdftotext", "-layout", file, "-").CombinedOutput()
	if err != nil {
		t.Fatalf("pdftotext (Debian: poppler-utils): %v %s", err, text)
	}
	for _, w := range []string{"too large to show: 60000 by 60000", "the position as found", id} {
		if !strings.Contains(string(text), w) {
			t.Errorf("%q is missing in %s", w, text)
		}
	}
}
