package site

import (
	"strings"
	"testing"
)

func TestExpand(t *testing.T) {
	for _, s := range []Spec{
		{Arrangement: TNS}, {Arrangement: TNCS}, {Arrangement: TT},
		{Arrangement: TNCS, Switched: true, Rates: 2, Export: true, Isolator: true, Sources: Sources()[:4], Units: []string{"house", "off-peak"}},
		{Arrangement: TNS, Phases: 3}, {Arrangement: TT, Phases: 3},
		{Arrangement: TNCS, Phases: 3, Metering: CTOperated},
	} {
		st, err := Expand(s)
		if err != nil {
			t.Fatalf("%+v: %v", s, err)
		}
		if _, ok := st.Point("cutout.e"); ok == (s.Arrangement == TT) {
			t.Errorf("%s: earth terminal at the cut-out: %v", s.Arrangement, ok)
		}
		for _, a := range st.Acts {
			for _, set := range a.Sets {
				w, _, ok := st.Switch(set.Switch)
				if !ok || set.Position != w.Home && set.Position != w.Away {
					t.Errorf("%s sets %s to %q", a.ID, set.Switch, set.Position)
				}
			}
			for _, p := range a.Touches {
				if _, ok := st.Point(p); !ok {
					t.Errorf("%s touches %s, which is no point", a.ID, p)
				}
			}
		}
		seen := map[PointID]bool{}
		for _, p := range st.Points {
			if seen[p.ID] || p.ID.Part() == "" || p.ID.Place() == "" || p.Words == "" {
				t.Errorf("point %q stands twice or has no name", p.ID)
			}
			seen[p.ID] = true
		}
	}
}

func TestValidateSaysHowToMend(t *testing.T) {
	for name, c := range map[string]struct {
		spec Spec
		want string
	}{
		"no arrangement":     {Spec{}, "write TN-S, TN-C-S or TT"},
		"two phases":         {Spec{Arrangement: TT, Phases: 2}, "write 1 or 3"},
		"ct single-phase":    {Spec{Arrangement: TT, Metering: CTOperated}, "phases: 3"},
		"switched polyphase": {Spec{Arrangement: TT, Phases: 3, Switched: true}, "leave it out"},
		"terminals":          {Spec{Arrangement: TT, Terminals: []string{"l-in", "l-in", "n-in", "n-out"}}, "copy the order"},
		"unit name":          {Spec{Arrangement: TT, Units: []string{"House!"}}, "lower-case"},
		"unit twice":         {Spec{Arrangement: TT, Units: []string{"a", "a"}}, "name each once"},
		"source":             {Spec{Arrangement: TT, Sources: []Source{"windmill"}}, "write inverter"},
		"rates":              {Spec{Arrangement: TT, Rates: 9}, "1 to 8"},
	} {
		err := c.spec.Validate()
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want something with %q", name, err, c.want)
		}
	}
}

func TestMatch(t *testing.T) {
	st, err := Expand(Spec{Arrangement: TNCS, Metalwork: []string{"box", "pipe"}})
	if err != nil {
		t.Fatal(err)
	}
	for pattern, want := range map[string]string{
		"meter.*":         "meter.l-in meter.n-in meter.n-out meter.l-out",
		"meter.line:*":    "meter.l-in meter.l-out",
		"meter.neutral:*": "meter.n-in meter.n-out",
		"metalwork.*":     "metalwork.box metalwork.pipe",
		"testblock.*":     "",
		"cutout.n":        "cutout.n",
	} {
		ids, err := st.Match(pattern)
		if err != nil {
			t.Errorf("%s: %v", pattern, err)
		}
		var got []string
		for _, id := range ids {
			got = append(got, string(id))
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: %s, want %s", pattern, got, want)
		}
	}
	for _, bad := range []string{"meter.x", "nothing.*", "", "meter", "meter.earthy:*x"} {
		if _, err := st.Match(bad); err == nil {
			t.Errorf("%q matched", bad)
		}
	}
}
