package page

import (
	"context"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/a-h/templ"
)

func TestAssets(t *testing.T) {
	h := Assets(fstest.MapFS{"fonts/A.woff2": {Data: []byte("font")}, "tokens.css": {Data: []byte("not this one")}, "secret.key": {Data: []byte("x")}})
	ask := func(path, tag string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "http://127.0.0.1/"+path, nil)
		r.Header.Set("If-None-Match", tag)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	first := ask("tokens.css", "")
	if first.Code != http.StatusOK || !strings.Contains(first.Body.String(), "--paper") || !strings.HasPrefix(first.Header().Get("Content-Type"), "text/css") {
		t.Errorf("tokens.css: %d %s", first.Code, first.Header())
	}
	if again := ask("tokens.css", first.Header().Get("ETag")); again.Code != http.StatusNotModified || again.Body.Len() != 0 {
		t.Errorf("the same again: %d", again.Code)
	}
	if font := ask("fonts/A.woff2", ""); font.Body.String() != "font" || font.Header().Get("Content-Type") != "font/woff2" {
		t.Errorf("a font: %d %s", font.Code, font.Header())
	}
	for _, path := range []string{"secret.key", "fonts", "", "none.css", "../page.go", "fonts/../../page.go"} {
		if w := ask(path, ""); w.Code != http.StatusNotFound {
			t.Errorf("%q: %d", path, w.Code)
		}
	}
}

// TestWriteSendsNoHalfPage: a page that fails while it is made is an error, not half of itself.
func TestWriteSendsNoHalfPage(t *testing.T) {
	half := templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		if _, err := io.WriteString(w, "<p>half"); err != nil {
			return err
		}
		return errors.New("no more")
	})
	w := httptest.NewRecorder()
	Write(w, httptest.NewRequest("GET", "/", nil), http.StatusOK, half)
	if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "half") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

var colour = regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{3,6})\b`)

// TestTextCanBeRead: every colour of text stands out from its ground by at least 4.5 to 1, as
// WCAG 2.2, success criterion 1.4.3, asks, in the light and in the dark.
func TestTextCanBeRead(t *testing.T) {
	css, err := static.ReadFile("static/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(css), "\tcolor-scheme:")[1:]
	if len(blocks) != 3 {
		t.Fatalf("%d sets of colours, not 3: light, dark as the device says, dark by choice", len(blocks))
	}
	if a, b := colour.FindAllString(blocks[1], -1), colour.FindAllString(blocks[2], -1); strings.Join(a, " ") != strings.Join(b, " ") {
		t.Error("the two dark sets differ")
	}
	for i, block := range blocks {
		c := map[string]string{}
		for _, m := range colour.FindAllStringSubmatch(block, -1) {
			c[m[1]] = m[2]
		}
		for _, pair := range [][2]string{{"ink", "paper"}, {"ink", "card"}, {"quiet", "paper"}, {"quiet", "card"}, {"act-ink", "act"}, {"stop-ink", "stop"}, {"hold-ink", "hold"}, {"probe", "card"}, {"probe-ink", "probe"}} {
			if got := contrast(t, c[pair[0]], c[pair[1]]); got < 4.5 {
				t.Errorf("set %d: %s on %s: %.2f to 1", i, pair[0], pair[1], got)
			}
		}
	}
}

// contrast is the ratio of two colours as WCAG 2.2 defines it.
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	hex = strings.TrimPrefix(hex, "#")
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	var sum float64
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatalf("%q is no colour", hex)
		}
		sum += weight * linear(float64(n)/255)
	}
	return sum
}

// linear undoes the gamma of sRGB.
func linear(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}
