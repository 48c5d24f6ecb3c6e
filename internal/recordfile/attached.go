package recordfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/ledongthuc/pdf"
)

// Attached is a file that a PDF carries.
type Attached struct {
	// Name is as the PDF gives it; it may be "".
	Name    string
	Content []byte
}

// Bounds of what is read from a PDF.
const (
	// MaxAttached is the greatest size of all files attached to one PDF, unpacked.
	MaxAttached = 256 << 20
	// mostAttached is the greatest number of nodes of the tree that lists them.
	mostAttached = 256
)

// IsPDF reports whether a file begins as a PDF does, ISO 32000-1 7.5.2.
func IsPDF(head []byte) bool { return bytes.HasPrefix(head, []byte("%PDF-")) }

// AttachedTo lists the files that a PDF carries, ISO 32000-1 7.11.4, in the order of its own list.
func AttachedTo(b []byte) (list []Attached, err error) {
	// The library panics where an object is broken.
	defer func() {
		if x := recover(); x != nil {
			list, err = nil, fmt.Errorf("the PDF cannot be read: %v", x)
		}
	}()
	r, err := pdf.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return nil, fmt.Errorf("the PDF cannot be read: %w", err)
	}
	room := int64(MaxAttached)
	nodes := []pdf.Value{r.Trailer().Key("Root").Key("Names").Key("EmbeddedFiles")}
	for i := 0; i < len(nodes); i++ {
		kids, names := nodes[i].Key("Kids"), nodes[i].Key("Names")
		if len(nodes)+kids.Len()+names.Len()/2 > mostAttached {
			return nil, errors.New("the PDF carries too many files: take out those that are no records")
		}
		for k := range kids.Len() {
			nodes = append(nodes, kids.Index(k))
		}
		for n := 1; n < names.Len(); n += 2 {
			spec := names.Index(n)
			content, err := io.ReadAll(io.LimitReader(spec.Key("EF").Key("F").Reader(), room+1))
			if err != nil {
				return nil, fmt.Errorf("attached file %d cannot be unpacked: %w", len(list)+1, err)
			}
			if room -= int64(len(content)); room < 0 {
				return nil, fmt.Errorf("the attached files have more than %d bytes", MaxAttached)
			}
			name := spec.Key("UF").Text()
			if name == "" {
				name = spec.Key("F").Text()
			}
			list = append(list, Attached{name, content})
		}
	}
	return list, nil
}
