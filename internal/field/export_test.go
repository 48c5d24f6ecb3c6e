package field

import (
	"net/http"

	"meterwright/say"
)

// Exhibit is the gallery in a language, with what methods and people say put into other words.
func Exhibit(base string, lang *say.Language, words func(string) string) (h http.Handler, names []string) {
	s := &samples{lang: lang, w: words}
	return exhibit(base, s), s.names
}
