package sitefile

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"meterwright/site"
)

func TestExamples(t *testing.T) {
	files, err := filepath.Glob("../../examples/sites/*.yaml")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d examples (%v), at least eight are wanted", len(files), err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		p, err := Parse(filepath.Base(f), b)
		if err != nil {
			t.Error(err)
			continue
		}
		if !strings.Contains(p.Name, "(fictional)") {
			t.Errorf("%s is not marked as fictional", f)
		}
		if len(p.Site.Departures()) < 60 {
			t.Errorf("%s has %d departures", f, len(p.Site.Departures()))
		}
	}
}

func TestValuesAreTaken(t *testing.T) {
	p, err := Parse("f.yaml", []byte("name: x\narrangement: TT\nswitches: {carrier: out}\nvalues:\n  rod-ohm: 0.5e2\ndepartures: [open/tail.n]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if p.Values[site.RodOhm] != 50 || len(p.Departures) != 1 || p.Switching == (site.Switching{}) {
		t.Errorf("got %+v", p)
	}
}

// Every wrong file is refused with its place and the way to mend it.
func TestWrongFiles(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"arrangement: TT\n", "f.yaml:1:1: the site has no name: write name:"},
		{"name: x\narrangement: TN-C\n", `f.yaml:2:14: arrangement: "TN-C" is not known`},
		{"name: x\narrangement: TT\nphases: 2\n", "f.yaml:3:9: phases: 2 is not possible"},
		{"name: x\narrangement: TT\nvalues: {rod: 5}\n", `"rod" is no parameter`},
		{"name: x\narrangement: TT\nvalues: {rod-ohm: -5}\n", "f.yaml:3:19: rod-ohm: -5 ohm is beyond anything possible"},
		{"name: x\narrangement: TT\nvalues: {rod-ohm: NaN}\n", "f.yaml:3:"},
		{"name: x\narrangement: TT\nvalues: {rod-ohm: many}\n", "f.yaml:3:"},
		{"name: x\narrangement: TT\nswitches: {carrier: away}\n", `carrier cannot be "away": write "in" or "out"`},
		{"name: x\narrangement: TT\nswitches: {fuse: out}\n", `"fuse" is no switch here: the switches are main.house`},
		{"name: x\narrangement: TT\ndepartures: [open/tail]\n", `f.yaml:3:14: "open/tail" is no departure of this position: it has open/service.l`},
		{"name: x\narrangement: TT\ndepartures: [open/tail.n, open/tail.n]\n", "stands twice"},
		{"name: x\narrangement: TT\ncolour: red\n", `f.yaml:3:1: the key "colour" is not known here`},
	} {
		_, err := Parse("f.yaml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got %v, want %s", c.text, err, c.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("name: x\narrangement: TT\nvalues: {rod-ohm: 5}\n"))
	f.Add([]byte("name: x\narrangement: TN-S\nphases: 3\nmetering: ct-operated\ndepartures: [open/ct.l1]\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Parse("f", b)
		if err != nil {
			return
		}
		if _, err := p.Site.Compile(&p.Values, p.Switching, p.Departures...); err != nil {
			t.Errorf("accepted, but: %v", err)
		}
	})
}

// TestTolerances: a value is believed within what is written behind it, otherwise within a tenth; what
// has one credible value alone is taken as it stands.
func TestTolerances(t *testing.T) {
	p, err := Parse("f.yaml", []byte("name: x\narrangement: TN-S\nphases: 3\nmetering: ct-operated\nvalues: {main-m: 200 ± 5, service-m: 20 +/- 0.5, rod-ohm: 50, ct-ratio: 60}\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []site.Stated{{ID: site.MainM, Value: 200, Within: 5}, {ID: site.ServiceM, Value: 20, Within: 0.5},
		{ID: site.RodOhm, Value: 50, Within: 5}, {ID: site.TransformerRatio, Value: 60}}
	for _, w := range want {
		if !slices.Contains(p.Stated, w) {
			t.Errorf("%+v is not in %+v", w, p.Stated)
		}
		if p.Values[w.ID] != w.Value {
			t.Errorf("%v: %g, want %g", w.ID, p.Values[w.ID], w.Value)
		}
	}
	if len(p.Stated) != len(want) {
		t.Errorf("%d are stated, want %d", len(p.Stated), len(want))
	}
	for text, want := range map[string]string{
		"20 ± -1":  "f.yaml:3:18: \"-1\" is no tolerance",
		"20 ± few": "is no tolerance",
		"20 ± 20":  "is no tolerance",
		"± 2":      "is not a number",
		"20 ± NaN": "is no tolerance",
	} {
		if _, err := Parse("f.yaml", []byte("name: x\narrangement: TT\nvalues: {main-m: \""+text+"\"}\n")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %s", text, err, want)
		}
	}
}
