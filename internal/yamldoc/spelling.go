package yamldoc

import (
	"reflect"
	"slices"
	"strings"
)

// key is the key of a field of a struct; a struct that is embedded has none.
func key(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if name == "-" || !f.IsExported() {
		return ""
	}
	return name
}

func embedded(f reflect.StructField) bool {
	return f.Anonymous && f.Type.Kind() == reflect.Struct && f.Tag.Get("json") == ""
}

// fields returns the keys that a struct knows, in the order of its fields.
func fields(t reflect.Type) []string {
	var names []string
	for f := range t.Fields() {
		if embedded(f) {
			names = append(names, fields(f.Type)...)
		} else if k := key(f); k != "" {
			names = append(names, k)
		}
	}
	return names
}

// field returns the type of the value that belongs to a key.
func field(t reflect.Type, name string) (reflect.Type, bool) {
	for f := range t.Fields() {
		if embedded(f) {
			if inner, ok := field(f.Type, name); ok {
				return inner, true
			}
		} else if key(f) == name && name != "" {
			return f.Type, true
		}
	}
	return nil, false
}

func unknownMend(t reflect.Type, key string, hidden []string) string {
	names := slices.DeleteFunc(fields(t), func(n string) bool { return slices.Contains(hidden, n) })
	if near := nearest(key, names); near != "" {
		return "did you mean " + near + "?"
	}
	return "use one of " + strings.Join(names, ", ")
}

// nearest returns the word that a misspelt one most likely stands for, or "".
func nearest(word string, words []string) string {
	best, at := "", len(word)/3+2
	word = strings.ToLower(strings.ReplaceAll(word, "-", "_"))
	for _, w := range words {
		if d := distance(word, w, at); d < at {
			best, at = w, d
		}
	}
	return best
}

// distance is the number of letters to insert, delete, change or exchange with
// their neighbour that turns a into b, or limit if it is not less than that.
func distance(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	before, row := make([]int, len(b)+1), make([]int, len(b)+1)
	var two []int
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		two, before, row = before, row, make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := before[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(change, before[j]+1, row[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], two[j-2]+1)
			}
		}
	}
	return min(row[len(b)], limit)
}
