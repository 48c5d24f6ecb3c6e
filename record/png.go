package record

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
)

// pngSignature begins every PNG file (PNG specification, third edition, section 5.2).
const pngSignature = "\x89PNG\r\n\x1a\n"

// pngKept are the chunks that say how the picture looks. tIME, the text chunks, eXIf and
// whatever is not known are left out.
var pngKept = map[string]bool{
	"IHDR": true, "PLTE": true, "IDAT": true, "IEND": true,
	"tRNS": true, "gAMA": true, "cHRM": true, "sRGB": true, "iCCP": true, "sBIT": true, "bKGD": true, "pHYs": true,
}

// cleanPNG returns the picture with no other chunks than those that say how it looks. Text,
// time, position, further pictures and whatever follows the end of the picture go.
func cleanPNG(content []byte) ([]byte, error) {
	fail := func(at int, format string, args ...any) ([]byte, error) {
		return nil, fmt.Errorf("%w: PNG: at byte %d: %w", ErrAttachment, at, fmt.Errorf(format, args...))
	}
	if len(content) > MaxAttachment {
		return fail(0, "%d bytes are too many: at most %d", len(content), MaxAttachment)
	}
	if len(content) < len(pngSignature) || string(content[:len(pngSignature)]) != pngSignature {
		return fail(0, "no start of a picture")
	}
	out := append(make([]byte, 0, len(content)), pngSignature...)
	data := false
	for at := len(pngSignature); ; {
		rest := content[at:]
		if len(rest) < 12 {
			return fail(at, "the picture is cut")
		}
		length := binary.BigEndian.Uint32(rest)
		if int64(length)+12 > int64(len(rest)) {
			return fail(at, "a chunk of %d bytes is longer than what there is", length)
		}
		chunk := rest[:length+12]
		name := string(chunk[4:8])
		if !pngName(name) {
			return fail(at, "%q is no chunk name", name)
		}
		sumAt := len(chunk) - 4
		if got := crc32.ChecksumIEEE(chunk[4:sumAt]); got != binary.BigEndian.Uint32(chunk[sumAt:]) {
			return fail(at, "the checksum of chunk %s is wrong", name)
		}
		switch first := at == len(pngSignature); {
		case first != (name == "IHDR"):
			return fail(at, "IHDR must be the first chunk, once")
		case first && !pngSize(chunk[8:sumAt]):
			return fail(at, "IHDR gives the picture no size from 1 to 2^31-1 either way")
		case name == "IEND" && (!data || length != 0):
			return fail(at, "the picture ends before it has begun")
		case pngKept[name]:
			out = append(out, chunk...)
		case name[0]&0x20 == 0: // an upper-case letter: needed to show the picture, section 5.4
			return fail(at, "chunk %s is needed to show the picture but unknown", name)
		}
		data = data || name == "IDAT"
		if name == "IEND" {
			return out, nil
		}
		at += len(chunk)
	}
}

// pngSize reports whether the data of IHDR gives a size that a picture may have (section 11.2.1).
func pngSize(data []byte) bool {
	if len(data) != 13 {
		return false
	}
	w, h := binary.BigEndian.Uint32(data), binary.BigEndian.Uint32(data[4:])
	return 0 < w && w < 1<<31 && 0 < h && h < 1<<31
}

// pngName reports whether a chunk's name is four ASCII letters (section 5.3).
func pngName(s string) bool {
	for i := range len(s) {
		if c := s[i] | 0x20; c < 'a' || c > 'z' {
			return false
		}
	}
	return true
}
