package written_test

import (
	"bytes"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"meterwright/instrument"
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
		"title missing":       with(t, "title: T\n", ""),
		"no such phases":      with(t, "phases: 1", "phases: 2"),
		"no such metering":    with(t, "whole-current", "half-current"),
		"bad id":              with(t, "method: smallest", "method: Small"),
		"one answer":          with(t, "[yes, no]", "[yes]"),
		"two things in one":   with(t, step, step+"\n    act: fit-seals"),
		"no thing in one":     with(t, step+"\n", ""),
		"no such instrument":  with(t, step, "    take_up: {with: torch}"),
		"expect and limit":    with(t, step, "    observe: {with: voltmeter, at: meter.l-in, against: meter.n-in, limit: declared-voltage, expect: lit}"),
		"neither of the two":  with(t, step, "    observe: {with: voltmeter, at: meter.l-in, against: meter.n-in}"),
		"no such field":       with(t, step, "    record: {fields: [{id: a, words: A, type: colour}]}"),
		"no fields":           with(t, step, "    record: {fields: []}"),
		"stop and remark":     with(t, step, step+"\n    unexpected: {stop: a, remark: b}"),
		"scheme alone":        with(t, "stops: []", "stops: [{id: a, title: A, do: [a], owner: employer, scheme: service-termination}]"),
		"four things to do":   with(t, "stops: []", "stops: [{id: a, title: A, do: [a, b, c, d], owner: employer}]"),
		"no such cause":       with(t, "proofs: []", "proofs: [{id: a, words: A, undone: [rain]}]"),
		"no such entry":       with(t, "{id: a, words: A}", "{id: a, words: A, entry: [later]}"),
		"no steps":            small[:strings.Index(small, "steps:")] + "steps: []\n",
		"no values of a fact": with(t, "protection: []", "protection: []\nfacts: [{id: a, words: A, values: [b]}]"),
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
			for i := range typ.NumField() {
				name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
				if name == "bounds" {
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
				walk(where+"/"+name, typ.Field(i).Type, p)
			}
			if len(props) != want {
				t.Errorf("%s has %d keys, the language %d", where, len(props), want)
			}
		}
	}
	walk("", reflect.TypeFor[method.Document](), doc)

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
		{"indications", at("$defs", "step", "properties", "observe", "properties", "expect"), shows},
	} {
		slices.Sort(c.want)
		if got := words(c.got); !slices.Equal(got, c.want) {
			t.Errorf("%s: the schema has %q, the program %q", c.name, got, c.want)
		}
	}
}
