package written

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"meterwright/method"
	"meterwright/rules"
)

//go:embed shipped/*.yaml
var shipped embed.FS

// Shelf holds methods and overlays.
type Shelf struct {
	Methods  []*method.Document
	Overlays []*method.Overlay
}

// Library reads the shipped methods and overlays, in the order of their file
// names. An error is a fault of the program itself.
func Library() (*Shelf, error) {
	s := &Shelf{}
	files, err := Shipped()
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		if f.Overlay {
			o, err := ParseOverlay(f.Name, f.Text)
			if err != nil {
				return nil, fmt.Errorf("shipped overlay: %w", err)
			}
			s.Overlays = append(s.Overlays, o)
			continue
		}
		d, err := Parse(f.Name, f.Text)
		if err != nil {
			return nil, fmt.Errorf("shipped method: %w", err)
		}
		s.Methods = append(s.Methods, d)
	}
	return s, nil
}

// Method returns the method with that id.
func (s *Shelf) Method(id string) (*method.Document, error) {
	var known []string
	for _, d := range s.Methods {
		if d.ID == id {
			return d, nil
		}
		known = append(known, d.ID)
	}
	return nil, fmt.Errorf("there is no method %.40q: use one of %s", id, strings.Join(known, ", "))
}

// Overlay returns the overlay with that id.
func (s *Shelf) Overlay(id string) (*method.Overlay, error) {
	var known []string
	for _, o := range s.Overlays {
		if o.ID == id {
			return o, nil
		}
		known = append(known, o.ID)
	}
	return nil, fmt.Errorf("there is no overlay %.40q: use one of %s", id, strings.Join(known, ", "))
}

// Resolve resolves the method with that id, under overlays in their order, for a job.
func (s *Shelf) Resolve(id string, overlays []string, job method.Job, rules method.Rules) (*method.Resolved, error) {
	d, err := s.Method(id)
	if err != nil {
		return nil, err
	}
	var over []*method.Overlay
	for _, name := range overlays {
		o, err := s.Overlay(name)
		if err != nil {
			return nil, err
		}
		over = append(over, o)
	}
	return method.Resolve(d, over, job, rules)
}

// Ruled is a shelf whose methods take their limits from one country's rules.
type Ruled struct {
	*Shelf
	Limits method.Rules
}

// Under reads the shipped methods and overlays, with the limits of a country's rules.
func Under(pack *rules.Pack) (*Ruled, error) {
	s, err := Library()
	if err != nil {
		return nil, err
	}
	limits, err := method.Limits(pack)
	return &Ruled{s, limits}, err
}

// For resolves the method with that id, under overlays in their order, for a job.
func (r *Ruled) For(id string, overlays []string, job method.Job) (*method.Resolved, error) {
	return r.Resolve(id, overlays, job, r.Limits)
}

// File is a shipped file.
type File struct {
	Name string
	Text []byte
	// Overlay says that it is an overlay and not a method.
	Overlay bool
}

// Shipped returns the shipped files, in the order of their names.
func Shipped() ([]File, error) {
	entries, err := fs.ReadDir(shipped, "shipped")
	if err != nil {
		return nil, fmt.Errorf("shipped methods: %w", err)
	}
	var files []File
	for _, e := range entries {
		b, err := shipped.ReadFile(path.Join("shipped", e.Name()))
		if err != nil {
			return nil, fmt.Errorf("shipped methods: %w", err)
		}
		files = append(files, File{Name: e.Name(), Text: b, Overlay: strings.HasPrefix(e.Name(), "overlay-")})
	}
	return files, nil
}

//go:embed schema/*.json
var schemas embed.FS

// Schema returns the JSON Schema (draft 2020-12) of a kind of file, for editors. It
// checks the shape of a file; Parse checks the whole.
func Schema(k Kind) ([]byte, error) {
	b, err := schemas.ReadFile("schema/" + string(k) + ".schema.json")
	if err != nil {
		return nil, fmt.Errorf("schema of a %s: %w", k, err)
	}
	return b, nil
}
