package replay_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
)

// everything is a method that reads and records whatever findings compare, in no order that a visit would have.
func everything(t testing.TB) *visit.Machine {
	t.Helper()
	var steps []string
	step := func(id, does string) {
		steps = append(steps, fmt.Sprintf(`{"id":%q,"phase":"p","say":"S.",%s}`, id, does))
	}
	for _, k := range []string{"voltmeter", "clamp-meter", "loop-tester"} {
		step("prove-"+k, fmt.Sprintf(`"prove":{"with":%q}`, k))
	}
	reads := func(id, with, at, against, limit string) {
		step(id, fmt.Sprintf(`"observe":{"with":%q,"at":%q,"against":%q,"limit":%q}`, with, at, against, limit))
	}
	reads("l-e", "voltmeter", "socket.l", "socket.e", "declared-voltage")
	reads("n-e", "voltmeter", "socket.n", "socket.e", "neutral-earth")
	reads("l-n", "voltmeter", "socket.l", "socket.n", "declared-voltage")
	reads("on", "clamp-meter", "meter.l-in", "", "load-current")
	reads("off", "clamp-meter", "meter.l-in", "", "no-load-current")
	reads("z-e", "loop-tester", "meter.l-out", "earthing.met", "loop-tn-s")
	reads("z-n", "loop-tester", "meter.l-out", "meter.n-out", "loop-line-neutral")
	step("out", `"act":"withdraw-carrier"`)
	step("in", `"act":"refit-carrier"`)
	step("writes", `"record":{"fields":[{"id":"fault","role":"fault-current","words":"f","type":"number","unit":"kA"},
		{"id":"torque","role":"torque","words":"t","type":"number","unit":"N.m"},{"id":"figure","role":"torque-figure","words":"t","type":"number","unit":"N.m"},
		{"id":"pulses","role":"load-pulses","words":"p","type":"number"},{"id":"seconds","role":"load-seconds","words":"s","type":"number","unit":"s"},
		{"id":"constant","role":"load-constant","words":"c","type":"number"},{"id":"load","role":"load-estimate","words":"l","type":"number","unit":"W","optional":true},
		{"id":"from","role":"off-time","words":"o","type":"text"},{"id":"to","role":"on-time","words":"o","type":"text"}]}`)
	d, err := method.DecodeDocument([]byte(`{"method":"everything","edition":"1","title":"E","language":"en","country":"GB","for":{"phases":1,"metering":"whole-current"},
		"protection":[],"proofs":[],"stops":[],"make_safe":[],"phases":[{"id":"p","words":"P"}],"steps":[` + strings.Join(steps, ",") + `]}`))
	if err != nil {
		t.Fatal(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(d, nil, method.Job{Site: site.Spec{Arrangement: site.TNS}}, limits)
	if err != nil {
		t.Fatal(err)
	}
	m, err := visit.New(r)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// usual is what the visit reads and enters, in which everything fits. 238.1 V through 0.46 Ω is 518 A. 10 pulses in 15.6 s at
// 1,000 imp/kWh are 3.6 × 10⁶ × 10 / (1,000 × 15.6) = 2,308 W, by the definition of the constant.
var usual = map[string]string{"l-e": "238.1", "n-e": "1.2", "l-n": "238.0", "on": "9.70", "off": "0.02", "z-e": "0.46", "z-n": "0.21",
	"fault": "1.13", "torque": "2.5", "figure": "2.5", "pulses": "10", "seconds": "15.6", "constant": "1000", "load": "2300", "from": "09:06", "to": "09:06"}

// carriedOut is the case of a visit with something changed.
func carriedOut(t testing.TB, m *visit.Machine, change map[string]string) *replay.Case {
	t.Helper()
	is := maps.Clone(usual)
	maps.Copy(is, change)
	v := visit.Begin(m)
	n, at := 0, time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
	do := func(b visit.Body) {
		n++
		at = at.Add(30 * time.Second)
		r, err := v.Apply(visit.Event{Hash: fmt.Sprintf("%064d", n), Body: b, Wall: at, Mono: int64(n) * 30_000, Boot: "b"})
		if r != nil || err != nil {
			t.Fatalf("%s: %v, %v", visit.KindOf(b), r, err)
		}
	}
	do(visit.Opened{Job: "J", MethodHash: m.Hash, Fictional: true})
	for _, k := range []instrument.Kind{instrument.Voltmeter, instrument.Clamp, instrument.LoopTester} {
		do(visit.TookUp{Instrument: visit.Instrument{Kind: k, ID: "1", Due: "2027-03-01"}})
	}
	for i := range m.Method.Steps {
		switch s := &m.Method.Steps[i]; {
		case s.Prove != nil:
			model, _ := instrument.Lookup(instrument.Kind(s.Prove.With))
			do(visit.Proved{Kind: model.Kind, ID: "1", Source: visit.ProvingSource{Kind: model.ProvedOn[0]}, Shows: instrument.ShowValue(measure.MustDecimal("100"), model.Unit)})
		case s.Observe != nil:
			for _, text := range strings.Fields(is[s.ID]) {
				do(visit.Observed{Step: s.ID, Shows: instrument.ShowValue(measure.MustDecimal(text), s.Observe.Bounds.Unit)})
			}
		case s.Act != "":
			do(visit.Acted{Step: s.ID, Act: site.ActID(s.Act)})
		default:
			entries := map[string]string{}
			for _, f := range s.Record.Fields {
				if is[f.ID] != "" {
					entries[f.ID] = is[f.ID]
				}
			}
			do(visit.Recorded{Step: s.ID, Entries: entries})
		}
		if m.Method.Steps[i].ID == is["until"] {
			break
		}
	}
	return &replay.Case{Visit: v}
}

// One entry changed is one finding, at its step; what lies within the uncertainty is none.
func TestFindings(t *testing.T) {
	m := everything(t)
	for _, c := range []struct {
		change map[string]string
		step   string
		code   replay.FindingCode
	}{
		{nil, "", ""},
		{map[string]string{"fault": "0.52"}, "", ""}, // that of the earth loop
		{map[string]string{"fault": "11.3"}, "writes", replay.FindCurrent},
		{map[string]string{"fault": "0.113"}, "writes", replay.FindCurrent},
		{map[string]string{"z-n": "0.02", "fault": "6.2"}, "", ""}, // a loop that cannot be told from nought bounds nothing above
		{map[string]string{"load": "2000"}, "", ""},                // 15 % apart, and one pulse in ten is 10 %
		{map[string]string{"load": "1000"}, "writes", replay.FindLoad},
		{map[string]string{"constant": "10000"}, "writes", replay.FindLoad},
		{map[string]string{"load": ""}, "", ""}, // 9.70 A at 238.0 V are 2,309 W
		{map[string]string{"load": "", "seconds": "156", "pulses": "1", "constant": "4000"}, "writes", replay.FindLoad},
		{map[string]string{"on": "0.02"}, "off", replay.FindBefore},
		{map[string]string{"torque": "3.0"}, "writes", replay.FindTorque},
		{map[string]string{"torque": "2.6"}, "", ""},
		{map[string]string{"figure": "25"}, "writes", replay.FindTorque},
		{map[string]string{"from": "09:10"}, "", ""},
		{map[string]string{"from": "08:06"}, "writes", replay.FindTime},
		{map[string]string{"to": "21:06"}, "writes", replay.FindTime},
		{map[string]string{"to": "about six"}, "", ""},
		{map[string]string{"l-e": "283.1"}, "l-n", replay.FindVoltages}, // two digits exchanged
		{map[string]string{"n-e": "45.0"}, "", ""},                      // a neutral out of phase: possible, and remarked on elsewhere
		{map[string]string{"n-e": "45.0", "l-e": "238.0", "l-n": "150.0", "fault": "0.7"}, "l-n", replay.FindVoltages},
		{map[string]string{"z-n": "0.00 0.21"}, "", ""},
		{map[string]string{"z-n": "0.00", "until": "z-n"}, "z-n", replay.FindAgain},
		{map[string]string{"l-n": "2381", "until": "l-n"}, "l-n", replay.FindAgain},
		{map[string]string{"z-e": "0.79", "until": "z-e"}, "z-e", replay.FindAgain},
		{map[string]string{"z-n": "0.00 0.00", "fault": "0.52"}, "", ""}, // it counts as read, in doubt
	} {
		found := carriedOut(t, m, c.change).Findings()
		if c.code == "" {
			if len(found) > 0 {
				t.Errorf("%v: %+v", c.change, found)
			}
			continue
		}
		if len(found) != 1 || found[0].Code != c.code || found[0].Step != c.step || found[0].Event == "" {
			t.Errorf("%v: %+v, want %s at %s", c.change, found, c.code, c.step)
		}
	}
}

// A doubtful reading with which a visit went on, and what does not fit, need somebody.
func TestDoubtAndFindingsAreNeeds(t *testing.T) {
	m := everything(t)
	for name, x := range map[string]struct {
		change map[string]string
		want   []replay.NeedCode
	}{
		"fits":          {nil, nil},
		"doubtful":      {map[string]string{"z-e": "0.79 0.80", "fault": "1.13"}, []replay.NeedCode{replay.NeedDoubtful}},
		"plain at last": {map[string]string{"z-e": "0.79 0.46"}, nil},
		"nought":        {map[string]string{"z-n": "0.00 0.00", "fault": "0.52"}, []replay.NeedCode{replay.NeedDoubtful}},
		"does not fit":  {map[string]string{"torque": "5"}, []replay.NeedCode{replay.NeedFinding}},
	} {
		var got []replay.NeedCode
		for _, n := range carriedOut(t, m, x.change).Needs() {
			if n.Code == replay.NeedDoubtful || n.Code == replay.NeedFinding {
				got = append(got, n.Code)
			}
		}
		if !slices.Equal(got, x.want) {
			t.Errorf("%s: needs %v, want %v", name, got, x.want)
		}
	}
}
