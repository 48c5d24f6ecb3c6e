package recordfile

import (
	"bytes"
	"compress/zlib"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"unicode/utf16"
)

// Attached is a file that a PDF carries.
type Attached struct {
	// Name is as the PDF gives it, or "" where it cannot be read.
	Name    string
	Content []byte
}

// Bounds of what is read from a PDF.
const (
	// MaxAttached is the greatest size of all files attached to one PDF, unpacked.
	MaxAttached = 256 << 20
	// mostAttached is the greatest number of them.
	mostAttached = 64
	// dictionary is the greatest size of a dictionary that describes one.
	dictionary = 8 << 10
)

// IsPDF reports whether a file begins as a PDF does, ISO 32000-1 7.5.2.
func IsPDF(head []byte) bool { return bytes.HasPrefix(head, []byte("%PDF-")) }

var (
	embedded = regexp.MustCompile(`/Type\s*/EmbeddedFile\b`)
	number   = regexp.MustCompile(`(\d{1,10})\s+\d{1,5}\s+obj\b`)
	filtered = regexp.MustCompile(`/Filter\b\s*\[?\s*/(\w+)`)
	length   = regexp.MustCompile(`/Length\s+(\d{1,10})\b(\s+\d{1,5}\s+R\b)?`)
	named    = regexp.MustCompile(`(?s)/U?F\s*(\((?:[^()\\]|\\.)*\)|<[0-9A-Fa-f\s]*>)`)
)

// AttachedTo lists every file that is embedded in a PDF, ISO 32000-1 7.11.4, in the order of its
// bytes. It looks for the embedded files themselves and asks no table of contents, so that
// nothing that a PDF carries is passed over. A PDF under a password is not read.
func AttachedTo(pdf []byte) ([]Attached, error) {
	var list []Attached
	room := int64(MaxAttached)
	for at := 0; ; {
		found := embedded.FindIndex(pdf[at:])
		if found == nil {
			return list, nil
		}
		here := at + found[0]
		before, after := pdf[max(at, here-dictionary):here], pdf[here:min(len(pdf), here+dictionary)]
		at += found[1]
		objects := number.FindAllSubmatchIndex(before, -1)
		begins := bytes.Index(after, []byte("stream"))
		if objects == nil || begins < 0 {
			continue // Words that look like one.
		}
		if len(list) == mostAttached {
			return nil, fmt.Errorf("more than %d files are attached: take out those that are no records", mostAttached)
		}
		object := objects[len(objects)-1]
		head := append(bytes.Clone(before[object[1]:]), after[:begins]...)
		body := bytes.TrimPrefix(bytes.TrimPrefix(pdf[here+begins+len("stream"):], []byte("\r")), []byte("\n"))
		content, rest, err := unpack(pdf, head, body, room)
		if err != nil {
			return nil, fmt.Errorf("attached file %d: %w", len(list)+1, err)
		}
		// What a file holds is no part of the PDF's own words.
		at = len(pdf) - rest
		room -= int64(len(content))
		list = append(list, Attached{nameOf(pdf, string(before[object[2]:object[3]])), content})
	}
}

// unpack returns the content of a stream, at most room bytes, and how many bytes stand after it.
func unpack(pdf, head, body []byte, room int64) (content []byte, rest int, err error) {
	filter := filtered.FindSubmatch(head)
	if filter == nil {
		size, err := lengthOf(pdf, head)
		if err != nil || size > len(body) || int64(size) > room {
			return nil, 0, errors.Join(errors.New("its length cannot be"), err)
		}
		return body[:size], len(body) - size, nil
	}
	if string(filter[1]) != "FlateDecode" {
		return nil, 0, fmt.Errorf("it is packed as %s, which is not read here: take it out of the PDF and verify it by itself", filter[1])
	}
	packed := bytes.NewReader(body)
	z, err := zlib.NewReader(packed)
	if err != nil {
		return nil, 0, fmt.Errorf("it cannot be unpacked: %w", err)
	}
	content, err = io.ReadAll(io.LimitReader(z, room+1))
	if err = errors.Join(err, z.Close()); err != nil {
		return nil, 0, fmt.Errorf("it cannot be unpacked: %w", err)
	}
	if int64(len(content)) > room {
		return nil, 0, fmt.Errorf("the attached files have more than %d bytes", MaxAttached)
	}
	return content, packed.Len(), nil
}

// lengthOf reads the length of a stream, which may stand in an object of its own.
func lengthOf(pdf, head []byte) (int, error) {
	n := length.FindSubmatch(head)
	if n == nil {
		return 0, errors.New("it is not given")
	}
	digits := n[1]
	if len(n[2]) > 0 {
		own := regexp.MustCompile(`\b` + string(digits) + `\s+\d{1,5}\s+obj\s+(\d{1,10})\b`).FindSubmatch(pdf)
		if own == nil {
			return 0, errors.New("it is not given")
		}
		digits = own[1]
	}
	return strconv.Atoi(string(digits))
}

// nameOf finds the name that a PDF gives an embedded file.
func nameOf(pdf []byte, object string) string {
	refers := regexp.MustCompile(`/EF\s*<<\s*/U?F\s+` + object + `\s+\d{1,5}\s+R`)
	at := refers.FindIndex(pdf)
	if at == nil {
		return ""
	}
	from := max(0, at[0]-dictionary)
	if i := bytes.LastIndex(pdf[from:at[0]], []byte(" obj")); i >= 0 {
		from += i
	}
	to := min(len(pdf), at[1]+dictionary)
	if i := bytes.Index(pdf[at[1]:to], []byte("endobj")); i >= 0 {
		to = at[1] + i
	}
	name := ""
	for _, m := range named.FindAllSubmatch(pdf[from:to], -1) {
		if got := textOf(m[1]); got != "" {
			name = got
		}
	}
	return name
}

// textOf reads a text string, ISO 32000-1 7.9.2.2: UTF-16 with its mark, or single bytes.
func textOf(s []byte) string {
	inner := s[1 : len(s)-1]
	var b []byte
	if s[0] == '<' {
		b = make([]byte, hex.DecodedLen(len(inner)))
		n, err := hex.Decode(b, bytes.Join(bytes.Fields(inner), nil))
		if err != nil {
			return ""
		}
		b = b[:n]
	} else {
		for i := 0; i < len(inner); i++ {
			if inner[i] == '\\' && i+1 < len(inner) {
				i++
				if c := inner[i]; c == 'r' {
					b = append(b, '\r')
					continue
				}
			}
			b = append(b, inner[i])
		}
	}
	if wide, ok := bytes.CutPrefix(b, []byte{0xFE, 0xFF}); ok {
		var units []uint16
		for ; len(wide) > 1; wide = wide[2:] {
			units = append(units, uint16(wide[0])<<8|uint16(wide[1]))
		}
		return string(utf16.Decode(units))
	}
	return string(bytes.ToValidUTF8(b, []byte("?")))
}
