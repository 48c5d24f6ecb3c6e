// Package say puts typed facts into words: reasons, causes, readings with their limits, brackets,
// times, who was told. It decides nothing, and nothing decides on what it says.
//
// A language is a folder below this one: files of templates, one a line, each under a key. What a
// method says in its own words stays in the method, by language.
//
// # Templates
//
//	lack.not-worn = Not worn: {items}.
//	count.step = {n} {n|step|steps}
//
// {name} is the argument of that name. {Name}, with a capital, begins a sentence: its first letter becomes a
// capital. {name|one|other} chooses by number, as many forms as the language has. {name.} ends the words of
// a person, or of a method, as a sentence. A line break is written \n, a space at an end \s. Lines that begin
// with # are remarks.
package say

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Language is the words of one language. It never changes after Load.
type Language struct {
	// Tag names the language as in RFC 5646.
	Tag       string
	templates map[string][]piece
	// form gives the form of a noun for a number, from 0.
	form func(n int) int
}

// piece is a part of a template: text, or an argument with what becomes of it.
type piece struct {
	text  string
	name  string
	upper bool
	stop  bool
	forms []string
}

// Load reads the templates of a language, each file's name with its text. form gives the form of a noun for a
// number, counted from 0. The error names the file and the line.
func Load(tag string, files map[string]string, form func(n int) int) (*Language, error) {
	l := &Language{Tag: tag, templates: map[string][]piece{}, form: form}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		number := 0
		for line := range strings.Lines(files[name]) {
			number++
			line = strings.TrimSpace(line)
			if line == "" || strings.HasPrefix(line, "#") {
				continue
			}
			key, text, ok := strings.Cut(line, "=")
			key = strings.TrimSpace(key)
			if !ok || key == "" {
				return nil, fmt.Errorf("%s, line %d: there is no key: write key = text", name, number)
			}
			if l.templates[key] != nil {
				return nil, fmt.Errorf("%s, line %d: the key %s stands twice: take one away", name, number, key)
			}
			pieces, err := parse(strings.NewReplacer(`\n`, "\n", `\s`, " ").Replace(strings.TrimSpace(text)))
			if err != nil {
				return nil, fmt.Errorf("%s, line %d: %w", name, number, err)
			}
			l.templates[key] = pieces
		}
	}
	return l, nil
}

func parse(text string) ([]piece, error) {
	list := []piece{}
	for text != "" {
		before, rest, ok := strings.Cut(text, "{")
		if before != "" {
			list = append(list, piece{text: before})
		}
		if !ok {
			break
		}
		inner, after, ok := strings.Cut(rest, "}")
		name, forms, plural := strings.Cut(inner, "|")
		p := piece{name: strings.TrimSuffix(name, "."), stop: strings.HasSuffix(name, ".")}
		if !ok || p.name == "" {
			return nil, fmt.Errorf("%q: a { without its name and }: write {name}", text)
		}
		if first, _ := utf8.DecodeRuneInString(p.name); unicode.IsUpper(first) {
			p.name, p.upper = lowerFirst(p.name), true
		}
		if plural {
			p.forms = strings.Split(forms, "|")
		}
		list, text = append(list, p), after
	}
	return list, nil
}

// Has reports whether there is a template under the key.
func (l *Language) Has(key string) bool { return l.templates[key] != nil }

// Keys lists the keys in order.
func (l *Language) Keys() []string { return slices.Sorted(maps.Keys(l.templates)) }

// Map returns the language with every text of its templates changed, arguments left as they are.
func (l *Language) Map(tag string, change func(string) string) *Language {
	out := &Language{Tag: tag, templates: map[string][]piece{}, form: l.form}
	for key, pieces := range l.templates {
		list := slices.Clone(pieces)
		for i := range list {
			list[i].text = change(list[i].text)
			list[i].forms = slices.Clone(list[i].forms)
			for j := range list[i].forms {
				list[i].forms[j] = change(list[i].forms[j])
			}
		}
		out.templates[key] = list
	}
	return out
}

// Say fills in the template under a key. args are names and values in turn; a value is text, a
// number, a time (its clock), or a list. What is missing is shown between ⟦ and ⟧: a test finds it.
func (l *Language) Say(key string, args ...any) string {
	pieces, ok := l.templates[key]
	if !ok {
		return "⟦" + key + "⟧"
	}
	var b strings.Builder
	for _, p := range pieces {
		if p.name == "" {
			b.WriteString(p.text)
			continue
		}
		v, ok := argument(args, p.name)
		if !ok {
			b.WriteString("⟦" + key + ": " + p.name + "⟧")
			continue
		}
		b.WriteString(l.fill(p, v))
	}
	return b.String()
}

func argument(args []any, name string) (any, bool) {
	for i := 0; i+1 < len(args); i += 2 {
		if args[i] == name {
			return args[i+1], true
		}
	}
	return nil, false
}

func (l *Language) fill(p piece, v any) string {
	if n, ok := v.(int); ok && len(p.forms) > 0 {
		return p.forms[min(l.form(n), len(p.forms)-1)]
	}
	text := ""
	switch v := v.(type) {
	case string:
		text = v
	case []string:
		text = l.List(v)
	case time.Time:
		text = Clock(v)
	default:
		text = fmt.Sprint(v)
	}
	if p.stop {
		text = sentence(text)
	}
	if p.upper {
		text = upperFirst(text)
	}
	return text
}

// List joins words as a sentence does.
func (l *Language) List(words []string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return l.Say("list.and", "before", strings.Join(words[:n-1], l.raw("list.comma")), "last", words[n-1])
	}
}

func (l *Language) raw(key string) string {
	if p := l.templates[key]; len(p) == 1 {
		return p[0].text
	}
	return ", "
}

// Either is the first of two keys or words where something is so, and the second where it is not.
func Either(is bool, yes, no string) string {
	if is {
		return yes
	}
	return no
}

// Clock is a time of day with the minute, Second with the second, Day a date.
func Clock(t time.Time) string { return t.Format("15:04") }

// Second is a time of day with the second.
func Second(t time.Time) string { return t.Format("15:04:05") }

// Day is a date, as ISO 8601 writes it.
func Day(t time.Time) string { return t.Format(time.DateOnly) }

// LongDay is a day as one says it, with its weekday.
func (l *Language) LongDay(t time.Time) string {
	return l.Say("day.long", "weekday", l.Say("weekday."+strconv.Itoa(int(t.Weekday()))), "day", t.Day(), "month", l.Say("month."+strconv.Itoa(int(t.Month()))))
}

// sentence ends words with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if last, _ := utf8.DecodeLastRuneInString(s); s == "" || strings.ContainsRune(".?!…", last) {
		return s
	}
	return s + "."
}

func upperFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// lowerFirst is for words that were written as a sentence and now stand inside one. An abbreviation
// keeps its capitals.
func lowerFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if next, _ := utf8.DecodeRuneInString(s[n:]); n == 0 || unicode.IsUpper(next) || unicode.IsDigit(next) {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
}
