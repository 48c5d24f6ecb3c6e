// Package pseudo makes a language that nobody speaks, for the tests of whatever shows
// words: accented letters, about 40 % longer, in brackets. A text that is shown without
// brackets was never translated; one whose closing bracket is missing was cut.
package pseudo

import (
	"maps"
	"strings"
	"unicode/utf8"

	"meterwright/method"
)

// Language is one of the codes that ISO 639-2 keeps free for private use.
const Language = "qaa"

var accented = strings.NewReplacer("a", "á", "e", "ë", "i", "ï", "o", "ö", "u", "û", "y", "ý", "c", "ç", "n", "ñ",
	"A", "Á", "E", "Ë", "I", "Ï", "O", "Ö", "U", "Û", "Y", "Ý", "C", "Ç", "N", "Ñ")

// Text returns s in the language. What stands in braces is kept, as {at}.
func Text(s string) string {
	var b strings.Builder
	for rest := s; rest != ""; {
		plain, brace, _ := strings.Cut(rest, "{")
		b.WriteString(accented.Replace(plain))
		if len(plain) == len(rest) {
			break
		}
		kept, after, _ := strings.Cut(brace, "}")
		b.WriteString("{" + kept + "}")
		rest = after
	}
	more := utf8.RuneCountInString(s) * 2 / 5
	return "[" + b.String() + strings.Repeat(" ëë", (more+2)/3) + "]"
}

// Words returns every text of a vocabulary in the language.
func Words(vocabulary []method.Word) map[string]string {
	words := map[string]string{}
	for _, w := range vocabulary {
		words[w.Key] = Text(w.Text)
	}
	return words
}

// Method returns a copy of a resolved method that has its words in the language as well.
func Method(r *method.Resolved) *method.Resolved {
	out := *r
	out.Translations = maps.Clone(r.Translations)
	if out.Translations == nil {
		out.Translations = map[string]map[string]string{}
	}
	out.Translations[Language] = Words(r.Vocabulary())
	return &out
}
