package measure

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestReadingIsShown(t *testing.T) {
	for _, tc := range []struct {
		value, spelled, text string
		unit                 Unit
	}{
		{"238.1", "V", "238.1 V", Volt},
		{"0.30", "ohm", "0.30 Ω", Ohm},
		{"0.30", "Ω", "0.30 Ω", Ohm},
		{"0.30", "\u2126", "0.30 Ω", Ohm}, // the old ohm sign
		{"04127.6", "kWh", "04127.6 kWh", KilowattHour},
		{"2.5", "N.m", "2.5 N·m", NewtonMetre},
		{"2.5", "N·m", "2.5 N·m", NewtonMetre},
		{"-3.5", "%", "-3.5 %", Percent},
		{"1000", "imp/kWh", "1000 imp/kWh", ImpulsePerKWh},
		{"1000", "imp", "1000 imp", Impulse},
		{"0.95", "1", "0.95", One},
	} {
		u, err := ParseUnit(tc.spelled)
		if r := (Reading{MustDecimal(tc.value), u}); err != nil || u != tc.unit || r.String() != tc.text {
			t.Errorf("%q: got %q in %q, %v", tc.text, r, string(u), err)
		}
	}
	for _, bad := range []string{"", "v", " V", "1,234"} {
		if u, err := ParseUnit(bad); err == nil || !strings.Contains(err.Error(), "use one of") {
			t.Errorf("%q is the unit %q, %v", bad, string(u), err)
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

func FuzzParseUnit(f *testing.F) {
	for _, s := range []string{"V", "Ω", "ohm", "\u2126", "%", "1", " V", "", "-", "\xff V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u, err := ParseUnit(s)
		if err != nil {
			return
		}
		for _, text := range []string{string(u), u.String()} {
			if back, err := ParseUnit(text); u != One && (err != nil || back != u || !u.Valid()) {
				t.Fatalf("%q was read as %q, and %q comes back as %q (%v)", s, string(u), text, string(back), err)
			}
		}
	})
}
