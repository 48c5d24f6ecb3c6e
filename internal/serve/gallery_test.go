package serve

import (
	"strings"
	"testing"
)

// TestGallery has the accessibility checker go over every piece of the gallery.
func TestGallery(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir())
	p := newPhone(t, s)
	p.open("/gallery/")
	p.look("gallery")
	list := eval[[]string](p, `[...document.querySelectorAll(".galleryway li a:first-child")].map((a) => a.getAttribute("href"))`)
	if len(list) < 15 {
		t.Fatalf("only %d pieces", len(list))
	}
	for _, at := range list {
		p.open(at)
		if strings.Contains(p.text(), "no such piece") {
			t.Errorf("%s is not there", at)
		}
		p.look("gallery-" + strings.NewReplacer("%20", "-", "/gallery/", "", ",", "").Replace(at))
	}
}
