package yamldoc

import (
	"errors"
	"strings"
	"testing"
)

func TestDigitsAreKept(t *testing.T) {
	d, err := Parse("f", []byte("a: 0.30\nb: 04127\nc: [1e3, 0x1F, -5, .5]\nd: \"10:31\"\ne: 10:31\nf: yes\ng: true\nh: |\n  two\n  lines\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := `{"a":"0.30","b":"04127","c":["1e3","0x1F","-5",".5"],"d":"10:31","e":"10:31","f":"yes","g":true,"h":"two\nlines\n"}`
	if got := string(d.JSON); got != want {
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
		{"a: x\nz: y\n", `f:2:1: the key "z" is not known here: check its spelling`},
		{"a: x\na: y\n", `f:2:1: `},
		{"a: [x\n", `f:1:`},
		{"a: {q: 1}\n", `f:1:4: this value does not fit here: write text`},
		{"n: many\n", `f:1:4: "many" is not a whole number`},
		{"l:\n  - x\n  - {y: 1}\n", `f:3:5: this value does not fit here: write text`},
		{"b: yes\n", `f:1:4: this value does not fit here: write true or false`},
		{"a:\n", `nothing stands here`},
		{"a: &x y\n", `f:1:4: anchors and aliases are not used here`},
		{"a: !!str y\n", `tags are not used here`},
		{"a: 1\n---\na: 2\n", `a second document begins here`},
		{"", "f: the file is empty"},
		{"# only a comment\n", "f: the file is empty"},
		{"a: \x00\n", "f:1:4: a control character (U+0000) stands here"},
		{"a: \xff\n", "f:1:4: this is not UTF-8 text"},
		{strings.Repeat("[", 50), "nested too deeply"},
		{strings.Repeat("- ", 50), "nested too deeply"},
		{strings.Repeat(" ", 200) + "a: 1", "nested too deeply"},
		{strings.Repeat("a", MaxBytes+1), "the file is too large"},
	} {
		d, err := Parse("f", []byte(c.text))
		if err == nil {
			err = d.Decode(&v)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.40q: got %v, want %q", c.text, err, c.want)
		}
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%.40q: %T is not an *Error", c.text, err)
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
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("%T is not an *Error", err)
			}
			return
		}
		if !d.JSON.IsValid() {
			t.Fatalf("%q gave JSON that is not valid: %s", b, d.JSON)
		}
	})
}
