package rules

import (
	"bytes"
	_ "embed" // for the pack of Great Britain
	"encoding/json/jsontext"
	"encoding/json/v2"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"meterwright/measure"
)

//go:embed gb.json
var gbJSON []byte

// GB returns the rules of Great Britain. Each call reads the built-in file
// anew, so keep the pack rather than calling often.
func GB() *Pack {
	pack, err := Load(gbJSON)
	if err != nil {
		panic("rules: the built-in pack is broken: " + err.Error())
	}
	return pack
}

// Load reads a pack and checks it whole. An error names the path in the file,
// such as /supply/minimum_voltage, and the line and column where the file
// itself is malformed, and says how to mend it.
func Load(file []byte) (*Pack, error) {
	pack := new(Pack)
	if err := json.Unmarshal(file, pack, json.RejectUnknownMembers(true)); err != nil {
		return nil, fmt.Errorf("rules: %w", describe(file, err))
	}
	err := checkValue(reflect.ValueOf(pack).Elem(), "", "")
	if err == nil {
		err = pack.checkSense()
	}
	if err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	return pack, nil
}

// describe turns a decoder's error into one that says where in the file it is.
func describe(file []byte, err error) error {
	var (
		semantic  *json.SemanticError
		syntactic *jsontext.SyntacticError
	)
	switch {
	case errors.As(err, &semantic):
		cause := semantic.Err
		switch {
		case errors.Is(cause, json.ErrUnknownName):
			cause = errors.New("this name is not known: remove it or correct its spelling")
		case semantic.JSONKind == '0':
			cause = errors.New("a bare number cannot stand here: write it as a string, so that its digits are kept")
		case cause == nil:
			cause = fmt.Errorf("a JSON %s cannot stand here", semantic.JSONKind)
		}
		return fmt.Errorf("at %s (%s): %w", orRoot(string(semantic.JSONPointer)), place(file, semantic.ByteOffset), cause)
	case errors.As(err, &syntactic):
		cause := syntactic.Err
		switch {
		case errors.Is(cause, jsontext.ErrDuplicateName):
			cause = errors.New("this name stands twice in its object: keep one")
		case errors.Is(cause, io.ErrUnexpectedEOF):
			cause = errors.New("the file ends too soon: restore the rest of it")
		}
		return fmt.Errorf("at %s (%s): %w", orRoot(string(syntactic.JSONPointer)), place(file, syntactic.ByteOffset), cause)
	}
	return err
}

func place(file []byte, offset int64) string {
	before := file[:min(max(offset, 0), int64(len(file)))]
	line := bytes.Count(before, []byte{'\n'}) + 1
	column := len(before) - bytes.LastIndexByte(before, '\n')
	return fmt.Sprintf("line %d, column %d", line, column)
}

func orRoot(pointer string) string {
	if pointer == "" {
		return "the top of the file"
	}
	return pointer
}

type checker interface{ check() error }

// checkValue walks every field and refuses one that is missing, without a mark and a
// source, so that no number can slip in unmarked, or other than its tags say.
func checkValue(v reflect.Value, tag reflect.StructTag, path string) error {
	if c, ok := v.Interface().(checker); ok {
		err := c.check()
		if n, ok := c.(Number); ok && err == nil {
			err = n.fits(measure.Unit(tag.Get("unit")), tag.Get("is"))
		}
		if err != nil {
			return fmt.Errorf("at %s: %w", path, err)
		}
		if _, isScheme := c.(Scheme); !isScheme {
			return nil
		}
	}
	switch v.Kind() {
	case reflect.Struct:
		for field, value := range v.Fields() {
			if !field.IsExported() {
				continue
			}
			name, option, _ := strings.Cut(field.Tag.Get("json"), ",")
			if option == "omitzero" && value.IsZero() {
				continue
			}
			if err := checkValue(value, field.Tag, path+"/"+name); err != nil {
				return err
			}
		}
	case reflect.Slice:
		if v.IsNil() {
			return fmt.Errorf("at %s: the list is missing: give it, empty if there is nothing to say", path)
		}
		ids := map[string]bool{}
		for i := range v.Len() {
			row, at := v.Index(i), path+"/"+strconv.Itoa(i)
			if err := checkValue(row, "", at); err != nil {
				return err
			}
			if row.Kind() != reflect.Struct {
				continue
			}
			if id := row.FieldByName("ID"); id.IsValid() {
				if ids[id.String()] {
					return fmt.Errorf("at %s/id: the id %q stands twice: give each row its own", at, id)
				}
				ids[id.String()] = true
			}
		}
	case reflect.String:
		if v.String() == "" {
			return fmt.Errorf("at %s: the entry is missing or empty: give it", path)
		}
		if of := tag.Get("of"); of != "" && !slices.Contains(strings.Split(of, ","), v.String()) {
			return fmt.Errorf("at %s: it is %q: use %s", path, v, strings.ReplaceAll(of, ",", " or "))
		}
	}
	return nil
}
