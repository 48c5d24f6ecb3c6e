package measure

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestParseReading(t *testing.T) {
	for _, tc := range []struct {
		in, text string
		unit     Unit
	}{
		{"238.1 V", "238.1 V", Volt},
		{"238.1V", "238.1 V", Volt},
		{"0.30 ohm", "0.30 Ω", Ohm},
		{"0.30 Ω", "0.30 Ω", Ohm},
		{"0.30 \u2126", "0.30 Ω", Ohm}, // the old ohm sign
		{"04127.6 kWh", "04127.6 kWh", KilowattHour},
		{"2.5 N.m", "2.5 N·m", NewtonMetre},
		{"2.5 N·m", "2.5 N·m", NewtonMetre},
		{"-3.5%", "-3.5 %", Percent},
		{"1000 imp/kWh", "1000 imp/kWh", ImpulsePerKWh},
		{"1000 imp", "1000 imp", Impulse},
		{"0.95 1", "0.95", One},
	} {
		r, err := ParseReading(tc.in)
		if err != nil {
			t.Errorf("%q: %v", tc.in, err)
			continue
		}
		if r.Unit != tc.unit || r.String() != tc.text {
			t.Errorf("%q: got %q in %q", tc.in, r, string(r.Unit))
		}
	}
}

func TestParseReadingSaysHowToMend(t *testing.T) {
	for in, want := range map[string]string{
		"":         "enter digits",
		"238.1":    "add one, such as \"238.1 V\"",
		"238.1 ":   "add one, such as \"238.1 V\"",
		"V":        "unit \"V\"",
		"238.1  V": "unit",
		"238.1 v":  "use one of",
		"1,234 V":  "comma",
		"1e3 V":    "write all the digits",
		"+5 V":     "leave it out",
		"5. V":     "remove the point",
		"0.951":    "add one",
	} {
		r, err := ParseReading(in)
		if err == nil {
			t.Errorf("%q was accepted as %q", in, r)
		} else if in != "V" && !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %q does not say %q", in, err, want)
		}
	}
}

func TestUnitsAreClosedAndDistinct(t *testing.T) {
	data, text := map[string]bool{}, map[string]bool{}
	for _, row := range units {
		u := row.unit
		if data[string(u)] || text[u.String()] {
			t.Errorf("unit %q stands twice", string(u))
		}
		data[string(u)], text[u.String()] = true, true
		if got, err := ParseUnit(string(u)); err != nil || got != u || !u.Valid() {
			t.Errorf("unit %q does not parse: %q, %v", string(u), got, err)
		}
		for _, r := range string(u) {
			if r > 126 {
				t.Errorf("unit %q is not plain ASCII in data", string(u))
			}
		}
	}
	if Unit("furlong").Valid() || Unit("").Valid() {
		t.Error("an unknown unit is valid")
	}
}

func TestReadingJSON(t *testing.T) {
	const text = `{"value":"0.30","unit":"ohm"}`
	var r Reading
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		t.Fatal(err)
	}
	if out, err := json.Marshal(r); err != nil || string(out) != text {
		t.Errorf("re-encodes as %s (%v)", out, err)
	}
	if err := json.Unmarshal([]byte(`{"value":"0.30","unit":"Ω"}`), &r); err == nil {
		t.Error("the text spelling was accepted in data")
	}
}

func FuzzParseReading(f *testing.F) {
	for _, s := range []string{"238.1 V", "0.30 Ω", "0.30ohm", "5 %", "0.95 1", "1,2 V", "V", "", "-", "5  V", "1e3 V", "\xff V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := ParseReading(s)
		if err != nil {
			return
		}
		if !r.Unit.Valid() || !strings.HasPrefix(s, r.Value.String()) {
			t.Fatalf("%q was read as %q %q", s, r.Value, string(r.Unit))
		}
		back, err := ParseReading(r.Value.String() + " " + string(r.Unit))
		if err != nil || back != r {
			t.Fatalf("%q was read as %+v, which comes back as %+v (%v)", s, r, back, err)
		}
		if r.Unit == One {
			return
		}
		if back, err = ParseReading(r.String()); err != nil || back != r {
			t.Fatalf("%q is shown as %q, which comes back as %+v (%v)", s, r, back, err)
		}
	})
}
