package record

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
)

// Markers of ITU-T T.81 (JPEG), table B.1.
const (
	markerSOF0 = 0xc0
	markerSOFF = 0xcf
	markerDHT  = 0xc4
	markerJPG  = 0xc8
	markerDAC  = 0xcc
	markerRST0 = 0xd0
	markerRST7 = 0xd7
	markerSOI  = 0xd8
	markerEOI  = 0xd9
	markerSOS  = 0xda
	markerDQT  = 0xdb
	markerDNL  = 0xdc
	markerDRI  = 0xdd
	markerAPP0 = 0xe0
	markerAPPF = 0xef
	markerCOM  = 0xfe
)

// cleanJPEG returns the picture without comments and without application segments, in which
// cameras put position, time, names and small copies of the picture. Kept are the JFIF
// header without its small copy, the Adobe colour transform and the ICC colour profile;
// whatever follows the end of the picture goes too. The picture data stays as it is.
//
// The direction in which the camera was held goes with the rest: turn the picture upright
// before it is cleaned.
func cleanJPEG(content []byte) ([]byte, error) {
	fail := func(at int, format string, args ...any) ([]byte, error) {
		return nil, fmt.Errorf("%w: JPEG: at byte %d: %w", ErrAttachment, at, fmt.Errorf(format, args...))
	}
	if len(content) > MaxAttachment {
		return fail(0, "%d bytes are too many: at most %d", len(content), MaxAttachment)
	}
	if len(content) < 2 || content[0] != 0xff || content[1] != markerSOI {
		return fail(0, "no start of a picture")
	}
	out := append(make([]byte, 0, len(content)), content[:2]...)
	frame, scanned := false, false
	for at := 2; ; {
		if at >= len(content) || content[at] != 0xff {
			return fail(at, "no marker where one must be: the picture is cut or broken")
		}
		for at < len(content) && content[at] == 0xff { // fill bytes, T.81 B.1.1.2
			at++
		}
		if at >= len(content) {
			return fail(at, "the picture is cut")
		}
		marker := content[at]
		at++
		if marker == markerEOI {
			if !frame || !scanned {
				return fail(at, "the picture ends before it has begun")
			}
			return append(out, 0xff, markerEOI), nil
		}
		if !jpegSegment(marker) {
			return fail(at, "marker %#x has no place in a picture", marker)
		}
		if at+2 > len(content) {
			return fail(at, "the picture is cut")
		}
		length := int(binary.BigEndian.Uint16(content[at:]))
		if length < 2 || at+length > len(content) {
			return fail(at, "a segment of %d bytes is longer than what there is", length)
		}
		if data := keepJPEG(marker, content[at+2:at+length]); data != nil {
			out = append(out, 0xff, marker, byte((len(data)+2)>>8), byte(len(data)+2))
			out = append(out, data...)
		}
		at += length
		switch {
		case marker == markerSOS:
			scanned = true
			end := at + entropyCoded(content[at:])
			out = append(out, content[at:end]...)
			at = end
		case marker >= markerSOF0 && marker <= markerSOFF && marker != markerDHT && marker != markerDAC:
			// T.81 B.2.2: after the length come the precision, the lines (0 if a later segment
			// says how many) and the samples in a line.
			if head := content[at-length:]; length < 8 || binary.BigEndian.Uint16(head[5:]) == 0 {
				return fail(at-length, "the picture is nothing wide")
			}
			frame = true
		}
	}
}

// jpegSegment reports whether a marker begins a segment that a picture may have.
func jpegSegment(m byte) bool {
	switch {
	case m >= markerSOF0 && m <= markerSOFF:
		return m != markerJPG
	case m >= markerAPP0 && m <= markerAPPF:
		return true
	}
	return m == markerSOS || m == markerDQT || m == markerDNL || m == markerDRI || m == markerCOM
}

// keepJPEG returns what is to be kept of a segment's data, nil for nothing.
func keepJPEG(marker byte, data []byte) []byte {
	switch {
	case marker == markerCOM:
		return nil
	case marker == markerAPP0:
		if bytes.HasPrefix(data, []byte("JFIF\x00")) && len(data) >= 14 {
			return append(bytes.Clone(data[:12]), 0, 0) // the small copy's size is now 0 by 0
		}
		return nil
	case marker == markerAPP0+14:
		if bytes.HasPrefix(data, []byte("Adobe")) && len(data) >= 12 {
			return data[:12]
		}
		return nil
	case marker == markerAPP0+2:
		if bytes.HasPrefix(data, []byte("ICC_PROFILE\x00")) {
			return data
		}
		return nil
	case marker >= markerAPP0 && marker <= markerAPPF:
		return nil
	}
	return data
}

// entropyCoded returns how many bytes of coded picture data stand at the beginning of b:
// up to a marker other than a restart marker (T.81 B.1.1.5).
func entropyCoded(b []byte) int {
	for i := 0; i+1 < len(b); i++ {
		if b[i] != 0xff {
			continue
		}
		if m := b[i+1]; m != 0 && m != 0xff && (m < markerRST0 || m > markerRST7) {
			return i
		}
	}
	return len(b)
}

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
