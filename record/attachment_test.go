package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"strings"
	"testing"

	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"
)

// salt is a fixed source of salt for tests.
func salt() io.Reader { return bytes.NewReader(bytes.Repeat([]byte{7}, 32)) }

func TestAttachmentRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		content := []byte(rapid.String().Draw(t, "content"))
		salt := rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "salt")
		a, err := NewAttachment(MediaText, content, bytes.NewReader(salt))
		if err != nil {
			t.Fatal(err)
		}
		// The id by the definition in the package comment, written out.
		h := sha256.Sum256([]byte("meterwright/attachment/1\n" + string(salt) + string(content)))
		if want := fmt.Sprintf("sha256:%x", h); string(a.ID()) != want {
			t.Fatalf("id %s, want %s", a.ID(), want)
		}
		container := a.Container()
		got, err := a.Reference().Open(container)
		if err != nil || !bytes.Equal(got.Content, content) || !bytes.Equal(got.Container(), container) {
			t.Fatalf("%+v, %v", got, err)
		}
		ref, err := ParseReference(a.Reference().JSON())
		if err != nil || ref != a.Reference() {
			t.Fatalf("%+v, %v", ref, err)
		}
		header, _, _ := bytes.Cut(container, []byte("\n"))
		for _, form := range [][]byte{header, a.Reference().JSON()} {
			if theirs, err := jcs.Transform(form); err != nil || !bytes.Equal(theirs, form) {
				t.Fatalf("%s is not canonical: %s, %v", form, theirs, err)
			}
		}
	})
}

// TestAttachmentAltered flips every bit of a container and cuts it at every byte.
func TestAttachmentAltered(t *testing.T) {
	a, err := NewAttachment(MediaText, []byte("a fictional name"), salt())
	if err != nil {
		t.Fatal(err)
	}
	ref, container := a.Reference(), a.Container()
	for at := range container {
		for bit := range 8 {
			container[at] ^= 1 << bit
			if _, err := ref.Open(container); !errors.Is(err, ErrAttachment) {
				t.Errorf("byte %d bit %d: %v", at, bit, err)
			}
			container[at] ^= 1 << bit
		}
		if _, err := ref.Open(container[:at]); !errors.Is(err, ErrAttachment) {
			t.Errorf("cut at %d: %v", at, err)
		}
	}
	other := a
	other.Salt[0]++
	if other.ID() == a.ID() {
		t.Error("the salt does not count")
	}
	for name, r := range map[string]Reference{"media": {ref.ID, MediaJSON, ref.Bytes}, "bytes": {ref.ID, ref.Media, ref.Bytes + 1}, "id": {other.ID(), ref.Media, ref.Bytes}} {
		if _, err := r.Open(container); !errors.Is(err, ErrAttachment) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestAttachmentRefuses(t *testing.T) {
	good := exampleAttachment().Reference().JSON()
	for _, ref := range []string{
		`[]`, `{}`, `1`, ``, strings.Replace(string(good), `"bytes":9`, `"bytes":-1`, 1), strings.Replace(string(good), `"bytes":9`, `"bytes":33554433`, 1),
		strings.Replace(string(good), `"bytes":9,`, ``, 1), strings.Replace(string(good), `"bytes":9,`, `"bytes":9,"name":"x",`, 1),
		strings.Replace(string(good), "sha256:", "sha1:", 1), strings.Replace(string(good), "text/plain", "image/tiff", 1), strings.Replace(string(good), `"text/plain"`, `4`, 1),
	} {
		if r, err := ParseReference(jsontext.Value(ref)); !errors.Is(err, ErrAttachment) {
			t.Errorf("%s: %+v, %v", ref, r, err)
		}
	}
	for media, content := range map[string]string{"image/heic": "x", "": "x", "application/pdf": "%PDF-1.7", MediaText: "\xff", MediaJSON: "{", MediaJPEG: "x", MediaPNG: "x"} {
		if _, err := NewAttachment(media, []byte(content), salt()); !errors.Is(err, ErrAttachment) {
			t.Errorf("%s: %v", media, err)
		}
	}
	if _, err := NewAttachment(MediaText, nil, bytes.NewReader(make([]byte, 31))); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Error(err)
	}
	if _, err := cleanContent(MediaText, make([]byte, MaxAttachment+1)); !errors.Is(err, ErrAttachment) {
		t.Error("an attachment too long is accepted")
	}
	if a, err := NewAttachment(MediaJSON, []byte(`{"dependants":["fictional"]}`), salt()); err != nil || a.Media != MediaJSON {
		t.Error(err)
	}
}

// picture is a small picture with some detail.
func picture() image.Image {
	m := image.NewRGBA(image.Rect(0, 0, 37, 21))
	for y := range 21 {
		for x := range 37 {
			m.Set(x, y, color.RGBA{uint8(x * 6), uint8(y * 12), uint8(x * y), 255})
		}
	}
	return m
}

func plainJPEG(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, picture(), nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func plainPNG(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, picture()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func segment(marker byte, data string) []byte {
	return append([]byte{0xff, marker, byte((len(data) + 2) >> 8), byte(len(data) + 2)}, data...)
}

// secret stands for a position in the pictures below.
const secret = "57.1 N 2.1 W"

// dressedJPEG is the picture with everything in it that must go, and what may stay.
func dressedJPEG(t testing.TB) []byte {
	t.Helper()
	plain := plainJPEG(t)
	out := bytes.Clone(plain[:2])
	for _, s := range [][]byte{
		segment(0xe0, "JFIF\x00\x01\x02\x00\x00\x48\x00\x48\x02\x01"+secret+secret), // with a small copy
		segment(0xe0, "JFXX\x00"+secret),
		segment(0xe1, "Exif\x00\x00"+secret),
		segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00"+secret),
		segment(0xe2, "ICC_PROFILE\x00\x01\x01profile"),
		segment(0xe2, "MPF\x00"+secret),
		segment(0xed, "Photoshop 3.0\x00"+secret),
		segment(0xee, "Adobe\x00\x64\x00\x00\x00\x00\x01"+secret),
		segment(0xee, secret),
		segment(0xef, secret),
		segment(0xfe, secret),
		{0xff, 0xff}, // fill bytes before the next marker
	} {
		out = append(out, s...)
	}
	return append(append(out, plain[2:]...), secret...)
}

func chunk(name, data string) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(b, name+data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

func dressedPNG(t testing.TB) []byte {
	t.Helper()
	plain := plainPNG(t)
	const header = 8 + 25 // signature and IHDR
	out := bytes.Clone(plain[:header])
	for _, name := range []string{"tEXt", "zTXt", "iTXt", "eXIf", "tIME", "prVt", "fdAT"} {
		out = append(out, chunk(name, secret)...)
	}
	out = append(out, chunk("pHYs", "\x00\x00\x0b\x13\x00\x00\x0b\x13\x01")...)
	return append(append(out, plain[header:]...), secret...)
}

func TestCleanPictures(t *testing.T) {
	cases := []struct {
		media   string
		content []byte
		keeps   string
	}{
		{MediaJPEG, plainJPEG(t), ""},
		{MediaJPEG, dressedJPEG(t), "ICC_PROFILE"},
		{MediaJPEG, dressedJPEG(t), "JFIF"},
		{MediaJPEG, dressedJPEG(t), "Adobe"},
		{MediaPNG, plainPNG(t), ""},
		{MediaPNG, dressedPNG(t), "pHYs"},
	}
	for _, c := range cases {
		clean, err := cleanContent(c.media, c.content)
		if err != nil {
			t.Fatalf("%s: %v", c.media, err)
		}
		if bytes.Contains(clean, []byte(secret)) || !bytes.Contains(clean, []byte(c.keeps)) {
			t.Errorf("%s: the position is still there or %q is not", c.media, c.keeps)
		}
		if again, err := cleanContent(c.media, clean); err != nil || !bytes.Equal(again, clean) {
			t.Errorf("%s: cleaned twice differs: %v", c.media, err)
		}
		// The standard library sees the same picture.
		before, _, err := image.Decode(bytes.NewReader(c.content))
		if err != nil {
			t.Fatal(err)
		}
		after, _, err := image.Decode(bytes.NewReader(clean))
		if err != nil {
			t.Fatal(err)
		}
		for y := range 21 {
			for x := range 37 {
				if before.At(x, y) != after.At(x, y) {
					t.Fatalf("%s: the picture differs at %d, %d", c.media, x, y)
				}
			}
		}
	}
}

// TestProgressiveJPEG: segments between the scans are cleaned too. The scans' content does
// not matter to the walk, so two scans of the plain picture stand for a progressive one.
func TestProgressiveJPEG(t *testing.T) {
	plain := plainJPEG(t)
	scan := plain[bytes.Index(plain, []byte{0xff, 0xda}) : len(plain)-2]
	var dirty []byte
	for _, part := range [][]byte{plain[:len(plain)-2], segment(0xe1, "Exif\x00\x00"+secret), segment(0xfe, secret), {0xff, 0xff}, scan, {0xff, 0xd9}} {
		dirty = append(dirty, part...)
	}
	clean, err := cleanJPEG(dirty)
	if err != nil || bytes.Contains(clean, []byte(secret)) || bytes.Count(clean, []byte{0xff, 0xda}) != 2 {
		t.Errorf("%v", err)
	}
}

func TestCleanRefusesBrokenPictures(t *testing.T) {
	jpg, pic := plainJPEG(t), plainPNG(t)
	for at := range jpg {
		if _, err := cleanJPEG(jpg[:at]); !errors.Is(err, ErrAttachment) {
			t.Errorf("JPEG cut at %d: %v", at, err)
		}
	}
	for at := range pic {
		if _, err := cleanPNG(pic[:at]); !errors.Is(err, ErrAttachment) {
			t.Errorf("PNG cut at %d: %v", at, err)
		}
		flipped := bytes.Clone(pic) // every byte of a chunk is under its checksum
		flipped[at] ^= 0x10
		if _, err := cleanPNG(flipped); !errors.Is(err, ErrAttachment) {
			t.Errorf("PNG flipped at %d: %v", at, err)
		}
	}
	insert := func(b []byte, at int, what []byte) []byte {
		return append(append(bytes.Clone(b[:at]), what...), b[at:]...)
	}
	for name, b := range map[string][]byte{
		"reserved marker":        insert(jpg, 2, segment(0xf0, "x")),
		"restart marker outside": insert(jpg, 2, []byte{0xff, 0xd0}),
		"second start":           insert(jpg, 2, []byte{0xff, 0xd8}),
		"length of one":          insert(jpg, 2, []byte{0xff, 0xe1, 0, 1}),
		"no frame":               append(append([]byte{0xff, 0xd8}, jpg[bytes.Index(jpg, []byte{0xff, 0xda}):]...), 0xff, 0xd9),
		"nothing":                {0xff, 0xd8, 0xff, 0xd9},
	} {
		if _, err := cleanJPEG(b); !errors.Is(err, ErrAttachment) {
			t.Errorf("JPEG with %s: %v", name, err)
		}
	}
	for name, b := range map[string][]byte{
		"unknown needed chunk": insert(pic, 33, chunk("ABCD", "x")),
		"second IHDR":          insert(pic, 33, pic[8:33]),
		"chunk before IHDR":    insert(pic, 8, chunk("tEXt", "x")),
		"digit in a name":      insert(pic, 33, chunk("tEX1", "x")),
		"no picture data":      append(bytes.Clone(pic[:33]), chunk("IEND", "")...),
		"end with data":        append(bytes.Clone(pic[:len(pic)-12]), chunk("IEND", "x")...),
	} {
		if _, err := cleanPNG(b); !errors.Is(err, ErrAttachment) {
			t.Errorf("PNG with %s: %v", name, err)
		}
	}
	long := make([]byte, MaxAttachment+1)
	if _, err := cleanJPEG(long); err == nil {
		t.Error("a JPEG too long is accepted")
	}
	if _, err := cleanPNG(long); err == nil {
		t.Error("a PNG too long is accepted")
	}
}

// TestPictureSizes: a picture is from 1 to 2^31-1 wide and high (PNG specification, third edition,
// 11.2.1), and a JPEG at least 1 wide (ITU-T T.81, table B.2).
func TestPictureSizes(t *testing.T) {
	plain := plainPNG(t)
	for _, c := range []struct {
		w, h uint32
		good bool
	}{{1, 1, true}, {1<<31 - 1, 1, true}, {1, 1<<31 - 1, true}, {0, 1, false}, {1, 0, false}, {1 << 31, 1, false}, {1, 1 << 31, false}, {1<<32 - 1, 1<<32 - 1, false}} {
		data := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, c.w), c.h)
		file := append(append(bytes.Clone(plain[:8]), chunk("IHDR", string(data)+string(plain[24:29]))...), plain[33:]...)
		if _, err := cleanContent(MediaPNG, file); (err == nil) != c.good || err != nil && !errors.Is(err, ErrAttachment) {
			t.Errorf("a PNG %d by %d: %v", c.w, c.h, err)
		}
	}
	short := append(append(bytes.Clone(plain[:8]), chunk("IHDR", string(plain[16:28]))...), plain[33:]...)
	if _, err := cleanContent(MediaPNG, short); err == nil {
		t.Error("a PNG whose IHDR is cut is taken")
	}
	file := plainJPEG(t)
	at := bytes.Index(file, []byte{0xff, 0xc0})
	for _, c := range []struct {
		w    uint16
		good bool
	}{{1, true}, {65535, true}, {0, false}} {
		binary.BigEndian.PutUint16(file[at+7:], c.w)
		if _, err := cleanContent(MediaJPEG, file); (err == nil) != c.good || err != nil && !errors.Is(err, ErrAttachment) {
			t.Errorf("a JPEG %d wide: %v", c.w, err)
		}
	}
}
