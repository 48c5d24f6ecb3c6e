package office

import (
	"errors"
	"io"
	"net/http"
	"path"
	"strings"
)

// upload is one file that was sent.
type upload struct {
	Name    string
	Content []byte
}

// uploads reads the files of a form into memory, up to a bound in all, so that nothing half
// lies anywhere. The other fields stand in the request's form.
func (o *Office) uploads(r *request, most int64, count int) ([]upload, error) {
	// A form has some bytes around its files.
	all := most + 64<<10
	r.r.Body = http.MaxBytesReader(r.w, r.r.Body, all)
	switch err := r.r.ParseMultipartForm(2 * all); { // more than can come: nothing goes to the disk
	case errors.Is(err, http.ErrNotMultipart), errors.Is(err, http.ErrMissingBoundary):
		return nil, o.refuse(http.StatusBadRequest, "no-file-form")
	case err != nil:
		return nil, o.tooMuch(err, most)
	}
	sent := r.r.MultipartForm.File["file"]
	switch {
	case len(sent) == 0:
		return nil, o.refuse(http.StatusBadRequest, "no-file")
	case len(sent) > count:
		return nil, o.refuse(http.StatusBadRequest, "files", "n", count)
	}
	var list []upload
	for _, s := range sent {
		f, err := s.Open()
		if err != nil {
			return nil, err
		}
		b, err := io.ReadAll(f)
		if err = errors.Join(err, f.Close()); err != nil {
			return nil, err
		}
		list = append(list, upload{fileName(s.Filename), b})
	}
	return list, nil
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
