// Package page is what every page has in common: its look, its frame, the headers that guard it.
//
// The look stands in tokens.css and base.css. A page is a struct that renders itself; Layout is
// the frame around it. Nothing is inline: a strict content security policy forbids scripts and
// styles within a page.
package page

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"github.com/a-h/templ"
)

//go:embed static
var static embed.FS

// Name is the program's name, the same in every language.
const Name = "meterwright"

// Layout is the frame of a page.
type Layout struct {
	// Title stands in the browser's tab; the program's name is added.
	Title string
	// Lang is the language of the page as in RFC 5646; empty for British English.
	Lang string
	// Class names the kind of page for its style sheet, for example field or office.
	Class string
	// Sheets are further style sheets, by name, from the same place as base.css.
	Sheets []string
	// Scripts are scripts, by name, from the same place.
	Scripts []string
	// Scheme is light, dark, or empty for what the device says.
	Scheme string
	// Hand is left for a layout that is mirrored, or empty.
	Hand string
}

func (l Layout) title() string {
	if l.Title == "" {
		return Name
	}
	return l.Title + " · " + Name
}

func (l Layout) lang() string { return cmp.Or(l.Lang, "en-GB") }

// Policy is the content security policy of every page: nothing from elsewhere, nothing inline.
const Policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// Secure adds the headers that guard every answer.
func Secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", Policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "geolocation=(), microphone=(), camera=(self)")
		next.ServeHTTP(w, r)
	})
}

// Write renders a page into the answer. Nothing is sent before the whole page is ready, so that
// a fault gives an error and never half a page.
func Write(w http.ResponseWriter, r *http.Request, status int, c templ.Component) {
	var b bytes.Buffer
	if err := c.Render(r.Context(), &b); err != nil {
		http.Error(w, "the page could not be made: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	// A reader who has gone away is no fault of ours.
	_, _ = w.Write(b.Bytes())
}

var types = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".woff2": "font/woff2", ".svg": "image/svg+xml", ".txt": "text/plain; charset=utf-8"}

// Assets serves the style sheets and scripts of this package, and below them the files of more,
// each of which is looked through in order. It answers paths without a leading folder.
func Assets(more ...fs.FS) http.Handler {
	own, err := fs.Sub(static, "static")
	if err != nil {
		own = static // static is part of the program: this cannot be.
	}
	all := append([]fs.FS{own}, more...)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := strings.TrimPrefix(path.Clean("/"+r.URL.Path), "/")
		kind, known := types[path.Ext(name)]
		for _, files := range all {
			b, err := fs.ReadFile(files, name)
			if err != nil || !known {
				continue
			}
			sum := sha256.Sum256(b)
			tag := `"` + hex.EncodeToString(sum[:8]) + `"`
			h := w.Header()
			h.Set("Content-Type", kind)
			h.Set("Cache-Control", "no-cache")
			h.Set("ETag", tag)
			if r.Header.Get("If-None-Match") == tag {
				w.WriteHeader(http.StatusNotModified)
				return
			}
			_, _ = w.Write(b)
			return
		}
		http.NotFound(w, r)
	})
}
