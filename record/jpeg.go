package record

import (
	"bytes"
	"encoding/binary"
	"fmt"
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
