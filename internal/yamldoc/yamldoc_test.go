package yamldoc

import (
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
)

func TestDigitsAreKept(t *testing.T) {
	d, err := Parse("f", []byte("a: 0.30\nb: 04127\nc: [1e3, 0x1F, -5, .5]\nd: \"10:31\"\ne: 10:31\nf: yes\ng: true\nh: |\n  two\n  lines\n"))
	if err != nil {
		t.Fatal(err)
	}
	got, err := d.JSON(reflect.TypeFor[any]())
	if err != nil {
		t.Fatal(err)
	}
	want := `{"a":"0.30","b":"04127","c":["1e3","0x1F","-5",".5"],"d":"10:31","e":"10:31","f":"yes","g":"true","h":"two\nlines\n"}`
	if got := string(got); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestPlaces(t *testing.T) {
	var v struct {
		A string   `json:"a"`
		N int      `json:"n"`
		B bool     `json:"b"`
		L []string `json:"l"`
	}
	for _, c := range []struct{ text, want string }{
		{"a: x\nz: y\n", `f:2:1: the key "z" is not known here: did you mean a?`},
		{"a: x\na: y\n", `f:2:1: `},
		{"a: [x\n", `f:1:`},
		{"a: {q: 1}\n", `f:1:4: a mapping stands where text is wanted`},
		{"n: many\n", `f:1:4: "many" is not a whole number`},
		{"l:\n  - x\n  - {y: 1}\n", `f:3:5: a mapping stands where text is wanted`},
		{"b: yes\n", `f:1:4: "yes" is neither true nor false: write true or false`},
		{"a:\n", `f:1:3: nothing stands where text is wanted`},
		{"a: &x y\n", `f:1:4: anchors and aliases are not part of the language`},
		{"a: !!str y\n", `tags are not part of the language`},
		{"a: 1\n---\na: 2\n", `a second document begins here`},
		{"", "f:1:1: the file is empty"},
		{"# only a comment\n", "f:1:1: the file is empty"},
		{"a: \x00\n", "f:1:4: there is a control character (U+0000): delete it"},
		{"a: \xff\n", "f:1:4: this is not UTF-8: save"},
		{strings.Repeat("[", 50), "nested too deep"},
		{"l: {a: " + strings.Repeat("\n - ", 3) + strings.Repeat("- ", 201), "too much stands on one line"},
		{"l:\n " + strings.Repeat("- ", 30) + "1", "stands where text is wanted"},
		{strings.Repeat("a", MaxBytes+1), "keep it under 1048576"},
	} {
		d, err := Parse("f", []byte(c.text))
		if err == nil {
			err = d.Decode(&v)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.40q: got %v, want %q", c.text, err, c.want)
		}
		var e Problems
		if !errors.As(err, &e) {
			t.Errorf("%.40q: %T is no Problems", c.text, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"a: 0.30\n", "- go-on: {until: x}\n- away\n", "a: &x [*x]\n", "? a\n: b\n", "a: 'x''y'\n", "a: >-\n  b\n\n  c\n", "{a: [b, {c: d}]}", "\"a\\u0000\": 1\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		d, err := Parse("f", b)
		if err != nil {
			var e Problems
			if !errors.As(err, &e) {
				t.Fatalf("%T is no Problems", err)
			}
			return
		}
		out, err := d.JSON(reflect.TypeFor[any]())
		if err != nil {
			return
		}
		if !jsontext.Value(out).IsValid() {
			t.Fatalf("%q gave JSON that is not valid: %s", b, out)
		}
	})
}

// TestManyKeys: beyond the bound a file is refused before it is parsed, in every shape; a scalar
// within it is read. The parser takes time that grows with the square of the keys.
func TestManyKeys(t *testing.T) {
	for name, row := range map[string]string{"flat": "k%d: 1\n", "nested": "k%d:\n  a: 1\n", "list": "- k%d\n", "pairs": "- k%d: 1\n"} {
		var b strings.Builder
		for i := range 60_000 {
			fmt.Fprintf(&b, row, i)
		}
		if _, err := Parse("f", []byte(b.String())); err == nil || !strings.Contains(err.Error(), "more than 10000 keys and list entries: split the file") {
			t.Errorf("%s: %.200v", name, err)
		}
	}
	for name, row := range map[string]string{"sequence": "{k%d, ", "mapping": "k%d: 1, "} {
		var b strings.Builder
		b.WriteString("a: {")
		for i := range 60_000 {
			if i%100 == 99 {
				b.WriteString("\n ")
			}
			fmt.Fprintf(&b, strings.TrimPrefix(row, "{"), i)
		}
		if _, err := Parse("f", []byte(b.String()+"z: 1}\n")); err == nil || !strings.Contains(err.Error(), "more than 10000") {
			t.Errorf("%s in brackets: %.200v", name, err)
		}
	}
}
