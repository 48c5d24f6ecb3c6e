package field

import (
	"fmt"
	"maps"
	"net/url"
	"slices"

	"meterwright/record"
	"meterwright/visit"
)

// photographPage takes a photograph.
type photographPage struct {
	visitFrame
	Given url.Values
}

func (h *Handler) photograph(c *call) {
	c.write(photographPage{h.visitFrame(c, "field.photograph.title"), c.given}.Page())
}

// pictureView is one photograph of a visit, with what it shows.
type pictureView struct {
	visit.Attachment
	Words string
}

// pictures lists the photographs of a visit.
func (f *casefile) pictures() []pictureView {
	var list []pictureView
	a := f.Visit.Account()
	add := func(x visit.Attachment, words string) {
		list = append(list, pictureView{x, f.words.Say("field.capital", "words", words)})
	}
	for _, x := range a.Photographs {
		add(x.Attachment, x.Of)
	}
	for _, l := range a.Entries {
		for _, id := range slices.Sorted(maps.Keys(l.Photographs)) {
			words := id
			if field := f.method().Field(l.Step, id); field != nil {
				words = field.Words
			}
			add(l.Photographs[id], words)
		}
	}
	return list
}

// pictureOf gives a photograph that the visit names.
func (h *Handler) pictureOf(c *call) {
	id := c.r.PathValue("id")
	list := c.file.pictures()
	i := slices.IndexFunc(list, func(p pictureView) bool {
		return p.ID == id && (p.Media == record.MediaJPEG || p.Media == record.MediaPNG)
	})
	if i < 0 {
		h.fail(c.w, c.r, fmt.Errorf("photograph: %w", ErrNotFound))
		return
	}
	container, err := h.opts.Journal.Attachment(c.r.Context(), record.AttachmentID(id))
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	a, err := record.Reference{ID: record.AttachmentID(id), Media: list[i].Media, Bytes: list[i].Bytes}.Open(container)
	if err != nil {
		h.fail(c.w, c.r, err)
		return
	}
	head := c.w.Header()
	head.Set("Content-Type", a.Media)
	head.Set("Cache-Control", "private,max-age=31536000,immutable")
	_, _ = c.w.Write(a.Content)
}
