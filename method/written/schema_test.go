package written_test

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"meterwright/instrument"
	"meterwright/internal/test/pseudo"
	"meterwright/method"
	"meterwright/method/written"
)

// compile returns the two schemas and the document that holds them.
func compile(t *testing.T) (forMethod, forOverlay *jsonschema.Schema, doc map[string]any) {
	t.Helper()
	var err error
	c := jsonschema.NewCompiler()
	for _, name := range []written.Kind{written.Method, written.Overlay, written.Translation} {
		b, err := written.Schema(name)
		if err != nil {
			t.Fatal(err)
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if err := c.AddResource("file:///"+string(name)+".schema.json", v); err != nil {
			t.Fatal(err)
		}
		if name == written.Method {
			doc = v.(map[string]any)
		}
	}
	if forMethod, err = c.Compile("file:///method.schema.json"); err != nil {
		t.Fatal(err)
	}
	if forOverlay, err = c.Compile("file:///overlay.schema.json"); err != nil {
		t.Fatal(err)
	}
	return forMethod, forOverlay, doc
}

func TestShippedFilesKeepTheSchema(t *testing.T) {
	forMethod, forOverlay, _ := compile(t)
	files, err := written.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		schema := forMethod
		if f.Overlay {
			schema = forOverlay
		}
		b, err := written.JSON(f.Name, f.Text, written.KindOf(f.Text))
		if err != nil {
			t.Fatal(err)
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(v); err != nil {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
}

func TestSchemaRefusesWhatParseRefuses(t *testing.T) {
	forMethod, forOverlay, _ := compile(t)
	step := "    inspect: {answers: [yes, no]}"
	for name, text := range map[string]string{
		"title missing":             with(t, "title: T\n", ""),
		"language missing":          with(t, "language: en\n", ""),
		"no such language":          with(t, "language: en", "language: English"),
		"reading of nothing":        with(t, step, "    record: {fields: [{id: a, words: A, type: reading}]}"),
		"no such role":              with(t, step, "    record: {fields: [{id: a, words: A, type: text, role: colour}]}"),
		"no such direction":         with(t, step, "    record: {fields: [{id: a, words: A, type: reading, role: final-register, direction: up}]}"),
		"no such step role":         with(t, step, step+"\n    role: colour"),
		"no such omission":          with(t, step, step+"\n    may: [sleep]"),
		"silent supplier":           with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: supplier}]"),
		"told what is not his":      with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: supplier, restricted: true, consumer: A}]"),
		"keep off for nothing":      with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: employer, keep_off: [metal]}]"),
		"no such thing to keep off": with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: employer, consumer: A, keep_off: [grass]}]"),
		"open to the consumer":      with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: supplier, restricted: false}]"),
		"no such phases":            with(t, "phases: 1", "phases: 2"),
		"no such metering":          with(t, "whole-current", "half-current"),
		"bad id":                    with(t, "method: smallest", "method: Small"),
		"one answer":                with(t, "[yes, no]", "[yes]"),
		"two things in one":         with(t, step, step+"\n    act: fit-seals"),
		"no thing in one":           with(t, step+"\n", ""),
		"no such instrument":        with(t, step, "    take_up: {with: torch}"),
		"expect and limit":          with(t, step, "    observe: {with: voltmeter, at: meter.l-in, against: meter.n-in, limit: declared-voltage, expect: lit}"),
		"neither of the two":        with(t, step, "    observe: {with: voltmeter, at: meter.l-in, against: meter.n-in}"),
		"no such field":             with(t, step, "    record: {fields: [{id: a, words: A, type: colour}]}"),
		"no fields":                 with(t, step, "    record: {fields: []}"),
		"otherwise nothing":         with(t, step, step+"\n    otherwise: [{answers: [no], owner: employer}]"),
		"otherwise anything":        with(t, step, step+"\n    otherwise: [{remark: b, owner: employer}]"),
		"otherwise two limits":      with(t, step, step+"\n    otherwise: [{within: touch-voltage, above: neutral-earth, remark: b, owner: employer}]"),
		"stop and remark":           with(t, step, step+"\n    unexpected: {stop: a, remark: b}"),
		"scheme alone":              with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: employer, scheme: service-termination}]"),
		"four things to do":         with(t, "stops: []", "stops: [{id: a, title: A, do: [a, b, c, d], owner: employer}]"),
		"no such cause":             with(t, "proofs: []", "proofs: [{id: a, words: A, undone: [rain]}]"),
		"no such entry":             with(t, "{id: a, words: A}", "{id: a, words: A, entry: [later]}"),
		"no steps":                  small[:strings.Index(small, "steps:")] + "steps: []\n",
		"no values of a fact":       with(t, "protection: []", "protection: []\nfacts: [{id: a, words: A, values: [b]}]"),
	} {
		if _, err := written.Parse("m.yaml", []byte(text)); err == nil {
			t.Errorf("%s: parsed", name)
		}
		b, err := written.JSON("m.yaml", []byte(text), written.Method)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if forMethod.Validate(v) == nil {
			t.Errorf("%s: the schema accepts it", name)
		}
	}
	for name, text := range map[string]string{
		"two things in one": overlay + "  - move: {phase: dead, before: meter}\n    relax: {remove: [labels]}\n",
		"nothing in one":    overlay + "  - {}\n",
		"no changes":        strings.TrimSuffix(overlay, "\n") + " []\n",
	} {
		b, err := written.JSON("o.yaml", []byte(text), written.Overlay)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if forOverlay.Validate(v) == nil {
			t.Errorf("%s: the schema accepts it", name)
		}
		if _, err := written.ParseOverlay("o.yaml", []byte(text)); err == nil {
			t.Errorf("%s: parsed", name)
		}
	}
}

// The schema knows the keys of the Go types and the words of package instrument.
func TestSchemaKnowsEveryKey(t *testing.T) {
	_, _, doc := compile(t)
	at := func(path ...string) map[string]any {
		v := doc
		for _, p := range path {
			next, ok := v[p].(map[string]any)
			if !ok {
				t.Fatalf("the schema has no %s", strings.Join(path, "/"))
			}
			v = next
		}
		return v
	}
	var walk func(where string, typ reflect.Type, schema map[string]any)
	walk = func(where string, typ reflect.Type, schema map[string]any) {
		if r, ok := schema["$ref"].(string); ok {
			schema = at("$defs", strings.TrimPrefix(r, "#/$defs/"))
		}
		switch typ.Kind() {
		case reflect.Pointer:
			walk(where, typ.Elem(), schema)
		case reflect.Slice:
			items, ok := schema["items"].(map[string]any)
			if !ok {
				t.Fatalf("%s has no items", where)
			}
			walk(where+"/items", typ.Elem(), items)
		case reflect.Struct:
			props, _ := schema["properties"].(map[string]any)
			want := 0
			for _, f := range reflect.VisibleFields(typ) {
				name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
				if name == "bounds" || f.Anonymous {
					continue
				}
				want++
				p, ok := props[name].(map[string]any)
				if !ok {
					t.Errorf("%s has no key %s", where, name)
					continue
				}
				if p["description"] == nil {
					t.Errorf("%s/%s has no description", where, name)
				}
				walk(where+"/"+name, f.Type, p)
			}
			if len(props) != want {
				t.Errorf("%s has %d keys, the language %d", where, len(props), want)
			}
		}
	}
	walk("", reflect.TypeFor[method.Document](), doc)
	b, err := written.Schema(written.Translation)
	if err != nil {
		t.Fatal(err)
	}
	translation, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	walk("translation", reflect.TypeFor[method.Translation](), translation.(map[string]any))

	words := func(v map[string]any) []string {
		var out []string
		for _, w := range v["enum"].([]any) {
			out = append(out, w.(string))
		}
		slices.Sort(out)
		return out
	}
	var kinds, sources, causes, shows []string
	for _, m := range instrument.Models() {
		kinds = append(kinds, string(m.Kind))
		for _, s := range m.Shows {
			if s != instrument.Value && !slices.Contains(shows, string(s)) {
				shows = append(shows, string(s))
			}
		}
	}
	for _, s := range instrument.SourceKinds() {
		sources = append(sources, string(s))
	}
	for _, c := range method.Causes() {
		causes = append(causes, string(c))
	}
	for _, c := range []struct {
		name string
		got  map[string]any
		want []string
	}{
		{"kinds", at("$defs", "kind"), kinds},
		{"sources", at("$defs", "step", "properties", "prove", "properties", "on", "items"), sources},
		{"causes", at("$defs", "cause"), causes},
		{"owners", at("properties", "stops", "items", "properties", "owner"), plain(method.Owners())},
		{"roles of fields", at("$defs", "field", "properties", "role"), plain(method.FieldRoles())},
		{"roles of steps", at("$defs", "step", "properties", "role"), plain(method.StepRoles())},
		{"roles of stops", at("properties", "stops", "items", "properties", "role"), plain(method.StopRoles())},
		{"roles of facts", at("properties", "facts", "items", "properties", "role"), plain(method.FactRoles())},
		{"omissions", at("$defs", "step", "properties", "may", "items"), plain(method.Omissions())},
		{"indications", at("$defs", "step", "properties", "observe", "properties", "expect"), shows},
	} {
		slices.Sort(c.want)
		if got := words(c.got); !slices.Equal(got, c.want) {
			t.Errorf("%s: the schema has %q, the program %q", c.name, got, c.want)
		}
	}
}

func plain[T ~string](list []T) []string {
	var out []string
	for _, x := range list {
		out = append(out, string(x))
	}
	return out
}

// A whole translation of each shipped method keeps the schema, and resolves.
func TestSchemaOfATranslation(t *testing.T) {
	b, err := written.Schema(written.Translation)
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.AddResource("file:///t.json", v); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("file:///t.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range library(t).Methods {
		var file strings.Builder
		fmt.Fprintf(&file, "translation: %s\nedition: %q\nlanguage: %s\nwords:\n", d.ID, d.Edition, pseudo.Language)
		for key, text := range pseudo.Words(d.Vocabulary()) {
			fmt.Fprintf(&file, "  %q: %q\n", key, text)
		}
		b, err := written.JSON("t.yaml", []byte(file.String()), written.Translation)
		if err != nil {
			t.Fatal(err)
		}
		if v, err = jsonschema.UnmarshalJSON(bytes.NewReader(b)); err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(v); err != nil {
			t.Errorf("%s: %v", d.ID, err)
		}
		tr, err := written.ParseTranslation("t.yaml", []byte(file.String()))
		if err != nil {
			t.Fatal(err)
		}
		// Only the words of the position are still to be added.
		var faults method.Faults
		if err := d.Check(tr); !errors.As(err, &faults) {
			t.Errorf("%s: %v", d.ID, err)
		}
		for _, f := range faults {
			if !strings.HasPrefix(f.Problem, "the words for points.") && !strings.HasPrefix(f.Problem, "the words for switches.") &&
				!strings.HasPrefix(f.Problem, "the words for positions.") && !strings.HasPrefix(f.Problem, "the words for acts.") {
				t.Errorf("%s: %v", d.ID, f)
			}
		}
	}
}
