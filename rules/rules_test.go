package rules

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"meterwright/measure"
)

// TestEveryNumberHasMarkAndSource walks the file itself, not our types: bare
// numbers are refused, a value stands only in an object with a mark and a
// source, and digits stand nowhere else but in names, titles and words.
func TestEveryNumberHasMarkAndSource(t *testing.T) {
	decoder := json.NewDecoder(bytes.NewReader(gbJSON))
	decoder.UseNumber()
	var file any
	if err := decoder.Decode(&file); err != nil {
		t.Fatal(err)
	}
	values := 0
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case json.Number, bool, nil:
			t.Errorf("%s: %v stands bare: wrap it with its mark and source", path, v)
		case []any:
			for i, e := range v {
				walk(fmt.Sprintf("%s/%d", path, i), e)
			}
		case string:
			last := path[strings.LastIndexByte(path, '/')+1:]
			if _, err := measure.ParseDecimal(v); err == nil && last != "value" && last != "class" && last != "edition" && last != "unit" && !strings.Contains(path, "/values/") {
				t.Errorf("%s: the number %q stands outside a value", path, v)
			}
		case map[string]any:
			_, one := v["value"]
			_, many := v["values"]
			if one || many {
				values++
				mark, _ := v["mark"].(string)
				source, _ := v["source"].(string)
				if !Mark(mark).Valid() || source == "" {
					t.Errorf("%s: mark %q, source %q", path, mark, source)
				}
			}
			for name, e := range v {
				walk(path+"/"+name, e)
			}
		}
	}
	walk("", file)
	if values < 100 {
		t.Errorf("only %d values were found: the walk misses some", values)
	}
}

func TestLoadRefusesAnyNumberStrippedOfItsOrigin(t *testing.T) {
	for _, name := range []string{"mark", "source", "unit", "value"} {
		lines := strings.Split(string(gbJSON), "\n")
		tried := 0
		for i, line := range lines {
			cut, ok := without(line, name)
			if !ok {
				continue
			}
			tried++
			broken := append(append(append([]string(nil), lines[:i]...), cut), lines[i+1:]...)
			_, err := Load([]byte(strings.Join(broken, "\n")))
			if err == nil {
				t.Errorf("line %d without its %s was accepted: %s", i+1, name, cut)
			} else if !strings.Contains(err.Error(), "at /") {
				t.Errorf("line %d without its %s: the error names no path: %v", i+1, name, err)
			}
		}
		if tried < 95 {
			t.Errorf("%s: only %d lines were tried", name, tried)
		}
	}
}

// without removes one member from a line that holds one object.
func without(line, name string) (string, bool) {
	open := strings.IndexByte(line, '{')
	if open < 0 || !strings.Contains(line, `"mark"`) {
		return "", false
	}
	end := strings.LastIndexByte(line, '}')
	if end < 0 {
		return "", false
	}
	var members map[string]json.RawMessage
	if json.Unmarshal([]byte(line[open:end+1]), &members) != nil || members[name] == nil {
		return "", false
	}
	delete(members, name)
	out, err := json.Marshal(members)
	if err != nil {
		return "", false
	}
	return line[:open] + string(out) + line[end+1:], true
}

// The values are those of the project's table of the trade; sources stand
// beside them in the pack.
func TestGBValues(t *testing.T) {
	p := GB()
	for _, tc := range []struct {
		name string
		got  Number
		want string
		mark Mark
	}{
		{"declared voltage, lower (ESQCR 2002 reg. 27)", p.Supply.MinimumVoltage, "216.2 V", Published},
		{"declared voltage, upper (ESQCR 2002 reg. 27)", p.Supply.MaximumVoltage, "253.0 V", Published},
		{"frequency, lower", p.Supply.MinimumFrequency, "49.5 Hz", Published},
		{"frequency, upper", p.Supply.MaximumFrequency, "50.5 Hz", Published},
		{"touch voltage (IEC 61140)", p.Touch.Limit, "50 V", Published},
		{"dead threshold", p.Touch.DeadThreshold, "50 V", Practice},
		{"proved dead lasts", p.Touch.ProvedDeadLasts, "30 min", Practice},
		{"declared fault current", p.Fault.DeclaredMaximum, "16 kA", Memory},
		{"minimum voltage factor (BS 7671)", p.Fault.CMin, "0.95", Published},
		{"temperature factor", p.Fault.TemperatureFactor, "0.8", Practice},
		{"R_A × IΔn (BS 7671 411.5.3)", p.TT.MaxTouchProduct, "50 V", Published},
		{"R_A stability", p.TT.UnstableAbove, "200 Ω", Published},
		{"in service, upper", p.InService.Upper, "2.5 %", Memory},
		{"in service, lower", p.InService.Lower, "-3.5 %", Memory},
		{"probe tip (GS38)", p.Probes.MaxTip, "4 mm", Published},
		{"probe tip, preferred (GS38)", p.Probes.PreferredTip, "2 mm", Published},
	} {
		if tc.got.Reading().String() != tc.want || tc.got.Mark != tc.mark {
			t.Errorf("%s: got %s, want %s [%s]", tc.name, tc.got, tc.want, string(tc.mark))
		}
	}
	for id, want := range map[string]string{"TN-C-S": "0.35 Ω", "TN-S": "0.80 Ω", "TT": "21 Ω"} {
		if e, err := p.EarthingByID(id); err != nil || e.MaxExternal.Reading().String() != want {
			t.Errorf("%s: %s, %v", id, e.MaxExternal, err)
		}
	}
	for id, want := range map[string]float64{"cu-pvc-in-cable": 115, "cu-pvc-separate": 143} {
		if c, err := p.ConductorByID(id); err != nil || c.K.Float() != want {
			t.Errorf("%s: %s, %v", id, c.K, err)
		}
	}
	for _, d := range p.Disconnect {
		if want := map[string]float64{"tn-distribution": 5, "tn-final": 0.4}[d.ID]; d.Time.Float() != want {
			t.Errorf("%s: %s, want %v s", d.ID, d.Time, want)
		}
	}
	if p.Emergency.Value != "105" || len(p.Gloves) != 2 || p.ID != "gb" || p.Edition == "" {
		t.Errorf("emergency %s, %d glove classes, pack %s %s", p.Emergency, len(p.Gloves), p.ID, p.Edition)
	}
	if got := p.Supply.Voltage().String(); got != "216.2 to 253" {
		t.Errorf("bands are %s", got)
	}
	if _, err := p.EarthingByID("IT"); err == nil || !strings.Contains(err.Error(), "TN-C-S, TN-S, TT") {
		t.Errorf("an unknown arrangement gave %v", err)
	}
}

// A declared voltage band is 230 V + 10 % and − 6 % by the regulations' words,
// so the numbers must follow from the percentages.
func TestDeclaredBandsFollowFromPercentages(t *testing.T) {
	s := GB().Supply
	for _, tc := range []struct {
		nominal, bound Number
		factor         string
	}{
		{s.NominalVoltage, s.MinimumVoltage, "0.94"}, {s.NominalVoltage, s.MaximumVoltage, "1.1"},
		{s.NominalFrequency, s.MinimumFrequency, "0.99"}, {s.NominalFrequency, s.MaximumFrequency, "1.01"},
	} {
		want, err := tc.nominal.Value.Mul(measure.MustDecimal(tc.factor))
		if err != nil || want.Cmp(tc.bound.Value) != 0 {
			t.Errorf("%s times %s is %s, the pack has %s", tc.nominal.Value, tc.factor, want, tc.bound.Value)
		}
	}
}

// For each fuse: a curve that holds at a current cannot melt at a smaller one
// in less time, and bigger ratings have bigger gates.
func TestFuseGatesAreConsistent(t *testing.T) {
	for _, s := range GB().Fuses {
		for i, f := range s.Fuses {
			if i > 0 && f.Rating.Value.Cmp(s.Fuses[i-1].Rating.Value) <= 0 {
				t.Errorf("%s: ratings do not rise at %s", s.ID, f.Rating)
			}
			for _, h := range f.Gates {
				for _, m := range f.Gates {
					if h.Kind == Holds && m.Kind == Melts && h.Time.Float() >= m.Time.Float() && h.Current.Float() >= m.Current.Float() {
						t.Errorf("%s %s: holds %s for %s but melts at %s within %s", s.ID, f.Rating.Value, h.Current.Value, h.Time.Value, m.Current.Value, m.Time.Value)
					}
				}
				if h.Current.Float() <= f.Rating.Float() {
					t.Errorf("%s %s: gate %s is not above the rating", s.ID, f.Rating.Value, h.Current.Value)
				}
			}
			for j := range f.Gates {
				if i > 0 && f.Gates[j].Current.Float() <= s.Fuses[i-1].Gates[j].Current.Float() {
					t.Errorf("%s %s: gate %d does not rise with the rating", s.ID, f.Rating.Value, j)
				}
			}
		}
	}
}

func TestCategoryAlwaysCarriesItsScheme(t *testing.T) {
	p := GB()
	all := p.Categories()
	if len(all) != 3 {
		t.Errorf("the pack holds %d categories, want A, B and C of one scheme", len(all))
	}
	for _, c := range all {
		if c.Scheme == "" || c.Title == "" || c.Edition == "" || c.Code == "" || c.Meaning == "" {
			t.Errorf("%+v", c)
		}
	}
}

func TestNumberIsShownBesideItsSource(t *testing.T) {
	e, err := GB().EarthingByID("TN-C-S")
	if err != nil {
		t.Fatal(err)
	}
	if got := e.MaxExternal.String(); got != "0.35 Ω (common practice in the trade [P])" {
		t.Errorf("got %q", got)
	}
}

func TestLoadSaysWhereAndHowToMend(t *testing.T) {
	for _, tc := range []struct{ old, new, want string }{
		{`"value": "216.2"`, `"value": 216.2`, "/supply/minimum_voltage/value (line 12"},
		{`"value": "216.2"`, `"value": 216.2`, "write it as a string"},
		{`"value": "216.2"`, `"value": "216,2"`, "comma"},
		{`"minimum_voltage"`, `"minimum_volts"`, "/supply/minimum_volts"},
		{`"minimum_voltage"`, `"minimum_volts"`, "correct its spelling"},
		{`"minimum_voltage"`, `"nominal_voltage"`, "stands twice"},
		{`"value": "216.2"`, `"value": "253.1"`, "at /supply/minimum_voltage: the value 253.1 lies above"},
		{`"unit": "ohm"`, `"unit": "V"`, `at /earthing/0/max_external_impedance: the unit is "V"`},
		{`"unit": "ohm"`, `"unit": "ohms"`, "use one of"},
		{`"TN-S"`, `"TN-C-S"`, "stands twice"},
		{`"kind": "melts"`, `"kind": "blows"`, "use holds or melts"},
		{`"43"]`, `"43", "47"]`, "13 weights for 12 digits"},
		{`"43"]`, `"43.5"]`, "whole number"},
		{`"2", "4", "4", "3"`, `"2", "4", "4"`, "they must hold 13"},
		{`"id": "gb"`, `"id": ""`, "at /id"},
		{`"law": [`, `"laws": [`, "/laws"},
		{`"loop": "supply"`, `"loop": "all"`, "use supply or supply-and-electrode"},
		{`"value": "16"`, `"value": "-16"`, "greater than nought"},
		{`"core_digits": {"value": "12"`, `"core_digits": {"value": "12.0"`, "at /meter_point/core_digits: the value is 12.0: it must be a whole number"},
	} {
		broken := bytes.Replace(gbJSON, []byte(tc.old), []byte(tc.new), 1)
		if bytes.Equal(broken, gbJSON) {
			t.Errorf("%s is not in the file", tc.old)
			continue
		}
		if _, err := Load(broken); err == nil {
			t.Errorf("%s for %s was accepted", tc.new, tc.old)
		} else if !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s for %s: error %q does not say %q", tc.new, tc.old, err, tc.want)
		}
	}
	if _, err := Load(gbJSON[:len(gbJSON)/2]); err == nil || !strings.Contains(err.Error(), "ends too soon") {
		t.Errorf("half a file: %v", err)
	}
	for _, bad := range []string{"", "null", "[]", "{}", "{}{}", `"gb"`} {
		if _, err := Load([]byte(bad)); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}

// FuzzLoad edits the pack of Great Britain: it cuts bytes out at a place and
// puts others in. A cut longer than the file leaves only what is put in.
func FuzzLoad(f *testing.F) {
	at := func(text string) uint32 { return uint32(bytes.Index(gbJSON, []byte(text))) }
	f.Add(uint32(0), uint32(0), []byte(""))
	f.Add(uint32(0), uint32(1<<30), []byte("{}"))
	f.Add(uint32(0), uint32(1<<30), []byte(`{"id":"x","meter_point":{"weights":{"values":["1"]}}}`))
	f.Add(at("216.2"), uint32(5), []byte("0"))
	f.Add(at(`"43"]`), uint32(4), []byte(`"999999999999999999"`))
	f.Add(at(`"edition"`), uint32(9), []byte(`"\u0065dition"`))
	f.Fuzz(func(t *testing.T, at, cut uint32, insert []byte) {
		start := min(int(at), len(gbJSON))
		end := min(start+int(cut), len(gbJSON))
		file := slices.Concat(gbJSON[:start], insert, gbJSON[end:])
		p, err := Load(file)
		if err != nil {
			if p != nil || !strings.HasPrefix(err.Error(), "rules: ") {
				t.Fatalf("pack %v with error %v", p, err)
			}
			return
		}
		if again, err := Load(file); err != nil || !reflect.DeepEqual(again, p) {
			t.Fatalf("accepted, and then read as %+v, %v", again, err)
		}
		if band := p.Supply.Voltage(); band.Check() != nil || p.ID == "" || !p.Supply.MinimumVoltage.Mark.Valid() {
			t.Fatalf("accepted without sense: %s", band)
		}
	})
}

func BenchmarkGB(b *testing.B) {
	for b.Loop() {
		GB()
	}
}
