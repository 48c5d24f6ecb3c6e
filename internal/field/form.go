package field

import (
	"errors"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"

	"meterwright/record"
)

// Bounds of what a form may hold.
const (
	maxForm   = 64 << 10
	maxUpload = record.MaxAttachment + 1<<20
	maxFields = 200
)

// form is a form that was sent. Whether its texts make sense is for the engine to say.
type form struct {
	values url.Values
	files  map[string][]*multipart.FileHeader
}

// readForm reads an answer to a page. The error says what is wrong with it, in words for the
// person who sent it.
func readForm(w http.ResponseWriter, r *http.Request) (*form, error) {
	limit := int64(maxForm)
	many := strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data")
	if many {
		limit = maxUpload
	}
	r.Body = http.MaxBytesReader(w, r.Body, limit)
	var err error
	if many {
		err = r.ParseMultipartForm(1 << 20)
	} else {
		err = r.ParseForm()
	}
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return nil, senseless(fmt.Errorf("this is larger than %d MB: send a smaller photograph", limit>>20))
	}
	if err != nil {
		return nil, senseless(errors.New("the form did not arrive whole: send it again"))
	}
	f := &form{values: r.PostForm}
	if many && r.MultipartForm != nil {
		f.files = r.MultipartForm.File
	}
	n := 0
	for _, list := range f.values {
		n += len(list)
	}
	if n > maxFields {
		return nil, senseless(errors.New("the form has too many parts"))
	}
	return f, nil
}

func (f *form) get(name string) string { return strings.TrimSpace(f.values.Get(name)) }
