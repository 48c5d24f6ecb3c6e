package instrument

import (
	"strings"
	"testing"

	"meterwright/measure"
)

func TestParseIndication(t *testing.T) {
	for _, good := range []string{"lit", "dark", "over-range", "healthy", "wrong", "wrong: neutral lamp out", "238.1 V", "0.30 ohm", "-0.2 A", "forward", "reverse", "missing", "trips", "holds", "18 ms"} {
		i, err := ParseIndication(good)
		if err != nil {
			t.Errorf("%q: %v", good, err)
			continue
		}
		if i.String() != good {
			t.Errorf("%q is written back as %q", good, i)
		}
	}
	for bad, want := range map[string]string{
		"":                                   "nothing was read",
		"OK":                                 "no indication",
		"238,1 V":                            "decimal",
		"238.1V":                             "no indication",
		"238.1 volts":                        "no unit",
		"1e3 V":                              "digits",
		"wrong: ":                            "plain words",
		"wrong:  two spaces":                 "plain words",
		"wrong: a\nb":                        "plain words",
		"wrong: " + strings.Repeat("x", 121): "keep it under",
		"NaN V":                              "",
		"٣ V":                                "",
	} {
		_, err := ParseIndication(bad)
		if err == nil {
			t.Errorf("%q was read", bad)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want something with %q", bad, err, want)
		}
	}
}

func FuzzParseIndication(f *testing.F) {
	for _, s := range []string{"lit", "238.1 V", "wrong: a", "wrong: ", "0.30 ohm", "1e9 V", "\xff V", "-0 A", " V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		i, err := ParseIndication(s)
		if err != nil {
			return
		}
		if i.String() != s {
			t.Fatalf("%q is written back as %q", s, i)
		}
	})
}

func TestEveryKindCanBeProved(t *testing.T) {
	for _, m := range Models() {
		if len(m.ProvedOn) == 0 || len(m.Good) == 0 {
			t.Errorf("%s cannot be proved", m.Kind)
		}
		for _, g := range m.Good {
			if err := m.Allows(g); err != nil {
				t.Errorf("%s: %v", m.Kind, err)
			}
		}
		for _, s := range SourceKinds() {
			if Suits(s, m.Kind) != (indexOf(m.ProvedOn, s) >= 0) {
				t.Errorf("%s on %s", m.Kind, s)
			}
		}
	}
	// A proving unit of a few milliamperes lights no loaded lamp and excites no
	// capacitive tip; a socket tester needs a socket.
	for _, k := range []Kind{TestLamp, NonContact, SocketTester} {
		if Suits(ProvingUnit, k) {
			t.Errorf("a proving unit is said to prove a %s", k)
		}
	}
}

func indexOf[T comparable](list []T, x T) int {
	for i, y := range list {
		if x == y {
			return i
		}
	}
	return -1
}

func TestProvedBy(t *testing.T) {
	volts := func(s string) Indication { return ShowValue(measure.MustDecimal(s), "V") }
	for _, c := range []struct {
		kind    Kind
		shows   Indication
		nominal string
		want    bool
	}{
		{TwoPole, Show(Lit), "", true},
		{TwoPole, Show(Dark), "", false},
		{Voltmeter, volts("230"), "", true},
		{Voltmeter, volts("3"), "", false},
		{Voltmeter, Show(Over), "", false},
		{Voltmeter, volts("207"), "230 V", true},
		{Voltmeter, volts("206"), "230 V", false},
		{Voltmeter, volts("230"), "230 A", false},
		{Voltmeter, ShowValue(measure.MustDecimal("230"), "ohm"), "", false},
		{SocketTester, Show(Wrong), "", false},
		{LoopTester, ShowValue(measure.MustDecimal("1.00"), "ohm"), "1.00 ohm", true},
		{LoopTester, Show(Over), "", false},
		{"divining-rod", Show(Lit), "", false},
	} {
		if got := c.kind.ProvedBy(c.shows, c.nominal); got != c.want {
			t.Errorf("%s shows %s on %q: %v, want %v", c.kind, c.shows, c.nominal, got, c.want)
		}
	}
}
