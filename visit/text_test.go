package visit

import (
	"reflect"
	"strings"
	"testing"
)

// TestTextsAreChecked puts what no text may hold into every text of every body in turn.
func TestTextsAreChecked(t *testing.T) {
	for name, text := range map[string]string{"control character": "a\x00b", "line break": "a\nb", "turned round": "a\u202eb", "isolated": "a\u2066b", "broken encoding": "a\xff", "replaced": "a\ufffdb", "too long": strings.Repeat("x", maxText+1)} {
		tried := 0
		for kind, decode := range decoders {
			body, err := decode([]byte("{}"))
			if err != nil {
				continue // A body that cannot be empty has texts like the others.
			}
			v := reflect.New(reflect.TypeOf(body)).Elem()
			v.Set(reflect.ValueOf(body))
			fillTexts(v, text, func() {
				tried++
				if err := checkTexts(v.Interface().(Body)); err == nil {
					t.Errorf("%s: %s is taken in %+v", kind, name, v.Interface())
				}
			})
		}
		if tried < 60 {
			t.Errorf("only %d texts were tried", tried)
		}
	}
	if err := checkTexts(Noted{Words: strings.Repeat("x", maxText)}); err != nil {
		t.Errorf("as long as may be: %v", err)
	}
	if err := checkTexts(Noted{Words: "naïve Ω ‹ok› 日本"}); err != nil {
		t.Errorf("plain words: %v", err)
	}
}

// fillTexts puts the text into each string below v in turn, and takes it out again.
func fillTexts(v reflect.Value, text string, check func()) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(text)
		check()
		v.SetString("")
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fillTexts(v.Field(i), text, check)
			}
		}
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		if v.Type().Elem().Kind() == reflect.String {
			v.SetMapIndex(reflect.ValueOf("k"), reflect.ValueOf(text).Convert(v.Type().Elem()))
			check()
		}
		v.SetZero()
	case reflect.Slice:
		if v.Type().Elem().Kind() != reflect.Uint8 {
			v.Set(reflect.MakeSlice(v.Type(), 1, 1))
			fillTexts(v.Index(0), text, check)
			v.SetZero()
		}
	}
}
