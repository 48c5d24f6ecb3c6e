package office

import (
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"path"
	"strings"
)

// upload is one file that was sent.
type upload struct {
	Name    string
	Content []byte
	// Field is another field of the form.
	Field string
}

// uploads reads the files of a form into memory, up to a bound in all, so that nothing half
// lies anywhere. Other fields come back with their name and no file name.
func (o *Office) uploads(r *request, most int64, count int) ([]upload, error) {
	// A form has some bytes around its files.
	r.r.Body = http.MaxBytesReader(r.w, r.r.Body, most+64<<10)
	m, err := r.r.MultipartReader()
	if err != nil {
		return nil, o.refuse(http.StatusBadRequest, "no-file-form")
	}
	var list []upload
	n := 0
	for {
		part, err := m.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, o.tooMuch(err, most)
		}
		up, err := readPart(part)
		if err != nil {
			return nil, o.tooMuch(err, most)
		}
		if up.Name == "" && part.FormName() == "file" {
			continue // A file field that was left empty.
		}
		if up.Name != "" {
			if n++; n > count {
				return nil, o.refuse(http.StatusBadRequest, "files", "n", count)
			}
			// Files stand before the other fields.
			list = append([]upload{up}, list...)
			continue
		}
		if len(list) > count+8 {
			return nil, o.refuse(http.StatusBadRequest, "fields")
		}
		list = append(list, up)
	}
	if n == 0 {
		return nil, o.refuse(http.StatusBadRequest, "no-file")
	}
	return list, nil
}

func readPart(part *multipart.Part) (upload, error) {
	b, err := io.ReadAll(part)
	name := part.FileName()
	if name != "" {
		name = fileName(name)
	}
	return upload{Name: name, Content: b, Field: part.FormName()}, err
}

// fileName is a file's name as it is shown: it is a person's to choose, and only its last part
// counts.
func fileName(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	if len(name) > 80 {
		name = strings.ToValidUTF8(name[:80], "") + "…"
	}
	return name
}

func (o *Office) tooMuch(err error, most int64) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return o.refuse(http.StatusRequestEntityTooLarge, "large", "n", megabytes(most))
	}
	return o.refuse(http.StatusBadRequest, "cut-off")
}

func megabytes(n int64) int { return int(n >> 20) }
