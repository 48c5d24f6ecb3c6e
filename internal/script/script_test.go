package script

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/rules"
)

const begin = "script: a\nfictional: true\ndate: 2026-11-24\nbegin: \"09:00\"\n"

func TestMistakesNameTheirPlace(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"title: a\n", "s:1:1: the name is missing"},
		{"script: a\ndate: 2026-02-30\nbegin: \"09:00\"\n", "s:2:7: date, begin or zone is not one"},
		{"script: a\nseed: x\ndate: 2026-11-24\nbegin: \"09:00\"\n", "s:2:7: keys made from a seed prove nothing"},
		{begin + "pace: fast\n", `s:5:7: "fast" is no time`},
		{begin + "device: a b\n", "cannot name a device"},
		{begin + "entries:\n  - away\n  - observed\n", `s:7:5: "observed" says nothing by itself`},
		{begin + "entries:\n  - [a]\n", "s:6:5: this is no entry"},
		{begin + "entries:\n  - {at: \"09:01\"}\n", "the entry does not say what happened"},
		{begin + "entries:\n  - {noted: a, acted: b}\n", "acted and noted stand in one entry"},
		{begin + "entries:\n  - {noted: a, at: noon}\n", `s:6:20: "noon" is no time`},
		{begin + "entries:\n  - {noted: a, happened: +2m}\n", "say when it happened as a time of day"},
		{begin + "entries:\n  - {noted: a, as: x}\n  - {noted: b, as: x}\n", `the label "x" stands twice`},
		{begin + "entries:\n  - {notd: a}\n", `s:6:6: the key "notd" is not known here`},
		{begin + "usual: {a: 1}\nusual: {b: 2}\n", "s:6:1: "},
	} {
		_, err := Parse("s", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got %v, want %q", c.text, err, c.want)
		}
	}
}

func TestTimes(t *testing.T) {
	s, err := Parse("s", []byte("script: a\ndate: 2026-11-24\nbegin: \"09:00\"\nzone: \"+01:00\"\nentries:\n  - {noted: a, at: \"10:31\", happened: \"10:30:05\"}\n  - {noted: b, at: +2m}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := s.day(s.Entries[0].At.day).Format(time.RFC3339); got != "2026-11-24T10:31:00+01:00" {
		t.Error(got)
	}
	if got := s.Entries[0].Happened; got != "2026-11-24T10:30:05+01:00" {
		t.Error(got)
	}
	if got := s.Entries[1].At; got.kind != afterSpan || got.span != 2*time.Minute {
		t.Error(got)
	}
}

// TestDemonstrationVisit checks the form of RFC 9562, 5.7: version 7, variant 10, and the time
// in the first 48 bits.
func TestDemonstrationVisit(t *testing.T) {
	id := DemonstrationVisit("x", time.UnixMilli(0x017F22E279B0)) // the time of RFC 9562, A.6
	if !strings.HasPrefix(id, "017f22e2-79b0-7") || !strings.ContainsRune("89ab", rune(id[19])) || len(id) != 36 {
		t.Error(id)
	}
	if id == DemonstrationVisit("y", time.UnixMilli(0x017F22E279B0)) {
		t.Error("two seeds gave one visit")
	}
}

// TestEveryVerbIsDocumented holds the package comment to the table of verbs.
func TestEveryVerbIsDocumented(t *testing.T) {
	b, err := os.ReadFile("script.go")
	if err != nil {
		t.Fatal(err)
	}
	doc, _, _ := strings.Cut(string(b), "\npackage script")
	for _, v := range verbNames() {
		if !strings.Contains(doc, v) {
			t.Errorf("the package comment does not name %s", v)
		}
	}
}

// TestEverydayValues: each stands under a limit that methods may name or a role that a field may have.
func TestEverydayValues(t *testing.T) {
	v, err := everydayVisit()
	if err != nil {
		t.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	if len(v.Readings) == 0 || len(v.Entries) == 0 {
		t.Fatal("there is nothing in it")
	}
	for limit, text := range v.Readings {
		if _, ok := limits.Limits[limit]; !ok {
			t.Errorf("%s is no limit", limit)
		}
		if _, err := instrument.ParseIndication(text); err != nil {
			t.Errorf("%s: %v", limit, err)
		}
	}
	for role, text := range v.Entries {
		if !slices.Contains(method.FieldRoles(), role) {
			t.Errorf("%s is no role of a field", role)
		}
		if text == "" {
			t.Errorf("%s is empty", role)
		}
	}
}

func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("../../examples/visits/*/script.yaml")
	if err != nil || len(files) == 0 {
		f.Fatal("no examples to begin with", err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(begin + "entries:\n  - away\n  - {observed: {step: x, shows: 1 V}, happened: \"09:01\", as: l, at: +1h}\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Parse("s", b)
		if err != nil {
			if _, ok := err.(yamldoc.Problems); !ok {
				t.Fatalf("%T names no place: %v", err, err)
			}
			return
		}
		for i := range s.Entries {
			v, ok := verbs[s.Entries[i].Verb]
			if !ok || s.Entries[i].body == nil && !v.bare {
				t.Fatalf("entry %d was accepted and means nothing", i)
			}
			if !strings.HasPrefix(s.Place(&s.Entries[i]), "s:") {
				t.Fatalf("entry %d has no place", i)
			}
		}
	})
}
