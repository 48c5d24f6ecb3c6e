package visit

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxText is the longest text, in bytes, that an event carries.
const maxText = 2000

// checkTexts refuses what no text of a record may hold, in whatever part of a body it stands: broken
// encoding, control characters, characters that turn the direction of the text round, and text
// without end. What must not be empty is for each kind of event to say.
func checkTexts(b Body) error {
	if b == nil {
		return nil
	}
	return textsIn("", reflect.ValueOf(b))
}

func textsIn(name string, v reflect.Value) error {
	switch v.Kind() {
	case reflect.String:
		if err := plain(v.String()); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if !f.IsExported() {
				continue
			}
			tag, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if err := textsIn(tag, v.Field(i)); err != nil {
				return err
			}
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return textsIn(name, v.Elem())
		}
	case reflect.Slice:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			return nil // JSON, which has been read already.
		}
		for i := range v.Len() {
			if err := textsIn(name, v.Index(i)); err != nil {
				return err
			}
		}
	case reflect.Map:
		for it := v.MapRange(); it.Next(); {
			if err := errors.Join(textsIn(name, it.Key()), textsIn(it.Key().String(), it.Value())); err != nil {
				return err
			}
		}
	}
	return nil
}

func plain(s string) error {
	switch {
	case len(s) > maxText:
		return fmt.Errorf("this is %d bytes long: keep it under %d", len(s), maxText)
	case !utf8.ValidString(s):
		return errors.New("this is not text: write it again")
	case strings.ContainsFunc(s, hidden):
		return errors.New("this has a line break or a character that cannot be seen: write it again on one line")
	}
	return nil
}

func hidden(r rune) bool {
	return r == utf8.RuneError || unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}
