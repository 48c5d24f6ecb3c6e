package main

import (
	"bytes"
	json "encoding/json/v2"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

const example = "../../examples/sites/terrace-tn-c-s.yaml"

// typed carries a command out as it is typed.
func typed(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(&streams{ctx: t.Context(), in: strings.NewReader(""), out: &out, err: &errs}, args); code != exitGood {
		return out.String(), fmt.Errorf("exit %d: %s", code, errs.String())
	}
	return out.String(), nil
}

func TestPredictReversedPEN(t *testing.T) {
	out, err := typed(t, "predict", "--site", example, "--departure", "reversed/service", "--switch", "main.house=off", "--switch", "carrier=out", "--json")
	if err != nil {
		t.Fatal(err)
	}
	var p prediction
	if err := json.Unmarshal([]byte(out), &p); err != nil {
		t.Fatal(err)
	}
	if v := p.Nodes["metalwork.box"]; math.Hypot(v[0], v[1]) < 140 {
		t.Errorf("metalwork stands at %v", v)
	}
	found := 0
	for _, m := range p.Measurements {
		if m.From == "metalwork.box" && m.To == "reference.independent" && m.Indication.String() == "lit" {
			found++
		}
	}
	if found != 1 {
		t.Errorf("the detector from metalwork to the reference is not lit")
	}
	if len(p.Touch) < 10 || !strings.Contains(p.State, "carrier out") {
		t.Errorf("touch %d rows, state %q", len(p.Touch), p.State)
	}
}

// The deck and the prediction of the same arguments agree, node by node, in a
// program that shares nothing with ours.
func TestNetlistAgreesWithPredict(t *testing.T) {
	program, err := exec.LookPath("ngspice")
	if err != nil {
		t.Fatalf("ngspice is missing (%v): install it", err)
	}
	args := []string{"--site", example, "--departure", "open/service.n", "--attach", "voltmeter:meter.l-in,meter.n-in", "--attach", "loaded-test-lamp:earthing.met,cutout.l-supply"}
	deck, err := typed(t, append([]string{"netlist"}, args...)...)
	if err != nil {
		t.Fatal(err)
	}
	text, err := typed(t, append([]string{"predict", "--json"}, args...)...)
	if err != nil {
		t.Fatal(err)
	}
	var p prediction
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write := func(name, text string) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	all := write("all.cir", "* one deck\n.control\nsource "+write("one.cir", deck)+"\nquit\n.endc\n.end\n")
	out, err := exec.Command(program, "-b", all).Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	name := map[string]string{}
	for line := range strings.Lines(deck) {
		var n string
		if _, err := fmt.Sscanf(line, "* node %s = ", &n); err == nil {
			_, full, _ := strings.Cut(strings.TrimSpace(line), " = ")
			name[n] = full
		}
	}
	compared := 0
	for line := range strings.Lines(string(out)) {
		var n string
		var re, im float64
		at, rest, ok := strings.Cut(line, ") = ")
		if !ok {
			continue
		}
		n = strings.TrimPrefix(at, "v(")
		if _, err := fmt.Sscanf(strings.Replace(strings.TrimSpace(rest), ",", " ", 1), "%g %g", &re, &im); err != nil {
			t.Fatalf("ngspice printed %q", line)
		}
		want := p.Nodes[name[n]]
		if math.Hypot(want[0]-re, want[1]-im) > 1e-6*math.Hypot(re, im)+1e-9 {
			t.Errorf("%s: %g%+gi, ngspice %g%+gi", name[n], want[0], want[1], re, im)
		}
		compared++
	}
	if compared != len(p.Nodes) || compared != len(name) {
		t.Errorf("%d of %d nodes compared, %d named in the deck", compared, len(p.Nodes), len(name))
	}
}

func TestDepartures(t *testing.T) {
	out, err := typed(t, "departures", "--site", example, "--json")
	if err != nil {
		t.Fatal(err)
	}
	var list struct {
		Departures []struct {
			ID string `json:"id"`
		} `json:"departures"`
	}
	if err := json.Unmarshal([]byte(out), &list); err != nil || len(list.Departures) < 60 {
		t.Errorf("%d departures, %v", len(list.Departures), err)
	}
	if out, err = typed(t, "departures", "--site", example); err != nil || !strings.Contains(out, "open/tail.n") {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestTwoGroups(t *testing.T) {
	solar := "../../examples/sites/solar-tn-c-s.yaml"
	args := []string{"--site", solar, "--departure", "back-feed/battery", "--switch", "carrier=out"}
	out, err := typed(t, append([]string{"predict", "--json"}, args...)...)
	if err != nil || !strings.Contains(out, "out_of_step") {
		t.Errorf("%v\n%.500s", err, out)
	}
	if out, err = typed(t, append([]string{"netlist", "--group", "1"}, args...)...); err != nil || !strings.Contains(out, "sources of group 1") {
		t.Errorf("%v\n%.500s", err, out)
	}
}

// Wrong arguments are refused with what would be right.
func TestWrongArguments(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--departure", "open/everything"}, `"open/everything" is no departure of this position: it has open/`},
		{[]string{"--departure", "gone"}, "the departures command lists them"},
		{[]string{"--departure", "open/tail.n", "--departure", "open/tail.n"}, "is there already"},
		{[]string{"--switch", "carrier"}, "write NAME=STATE"},
		{[]string{"--switch", "carrier=off"}, `carrier cannot be "off": write "in" or "out"`},
		{[]string{"--switch", "fuse=out"}, `"fuse" is no switch here`},
		{[]string{"--attach", "voltmeter"}, "write KIND:POINT,POINT"},
		{[]string{"--attach", "ohmmeter:meter.l-in,meter.n-in"}, `"ohmmeter" is no kind of instrument: write one of socket-tester`},
		{[]string{"--attach", "voltmeter:meter.l-in"}, "a voltmeter is put on 2 points, not on 1"},
		{[]string{"--attach", "voltmeter:meter.l-in,meter.x"}, `"meter.x" is no test point here: that part has`},
		{[]string{"--attach", "voltmeter:meter.l-in,meter.l-in"}, "is named twice"},
		{[]string{"--attach", "voltmeter:meter.l-in,meter.*"}, "is a pattern: name one point"},
		{[]string{"--attach", "loop-tester:meter.l-in,meter.n-in"}, "it cannot stay on"},
	} {
		_, err := typed(t, append([]string{"predict", "--site", example}, c.args...)...)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: got %v, want %s", c.args, err, c.want)
		}
	}
	if _, err := typed(t, "predict", "--site", "absent.yaml"); err == nil || !strings.HasPrefix(err.Error(), "exit 2: ") {
		t.Errorf("got %v", err)
	}
	if _, err := typed(t, "netlist", "--site", example, "--group", "1"); err == nil || !strings.Contains(err.Error(), "no group 1 here") {
		t.Errorf("got %v", err)
	}
}

func TestDiagnose(t *testing.T) {
	seen := "../../examples/seen/terrace-lamp-dark.yaml"
	do := func(seen string, asJSON bool) (string, error) {
		args := []string{"diagnose", "--site", example, "--seen", seen}
		if asJSON {
			args = append(args, "--json")
		}
		return typed(t, args...)
	}
	out, err := do(seen, true)
	if err != nil {
		t.Fatal(err)
	}
	var x diagnosed
	if err := json.Unmarshal([]byte(out), &x); err != nil || len(x.Groups) == 0 || len(x.Next) == 0 {
		t.Fatalf("%v\n%s", err, out)
	}
	if first := fmt.Sprint(x.Groups[0].Departures); !strings.Contains(first, "blown/lamp") || x.Groups[0].Probability < 0.5 {
		t.Errorf("first is %s with %g", first, x.Groups[0].Probability)
	}
	if out, err = do(seen, false); err != nil || !strings.Contains(out, "the loaded test lamp has a blown lamp") || !strings.Contains(out, "is not a finding") || strings.Contains(out, "blown/lamp") || strings.Contains(out, "0.9") {
		t.Errorf("%v\n%s", err, out)
	}
	for text, want := range map[string]string{
		"seen:\n  - {instrument: voltmeter, on: [meter.l-in, meter.n-in], shows: lit}\n": `:2:5: diagnose: observation 1: a voltmeter cannot show "lit"`,
		"seen:\n  - {instrument: voltmeter, on: [meter.l-in], shows: 230 V}\n":           "a voltmeter is put on 2 points, not on 1",
		"seen:\n  - {instrument: voltmeter, on: [meter.l-in, meter.n-in], shows: 9}\n":   `"9" is no indication`,
		"seen:\n  - {switch: carrier, to: away}\n":                                       `write "in" or "out"`,
		"seen:\n  - {switch: carrier, to: out, shows: lit}\n":                            "a switch and a reading stand together",
	} {
		file := filepath.Join(t.TempDir(), "seen.yaml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := do(file, false); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}

// TestStatedIsBelieved: what a site file states of a position is neither guessed nor asked for again. A
// departure that is stated to be there explains what it does, and nothing further is wrong; a loop is
// long or short by the main that it is measured on.
func TestStatedIsBelieved(t *testing.T) {
	write := func(name, text string) string {
		file := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	const head = "name: made up (fictional)\narrangement: TN-C-S\nreference: true\nmetalwork: [box]\n"
	do := func(stated, seen string) *diagnosed {
		t.Helper()
		out, err := typed(t, "diagnose", "--site", write("site.yaml", head+stated), "--seen", write("seen.yaml", seen), "--json")
		if err != nil {
			t.Fatal(err)
		}
		var x diagnosed
		if err := json.Unmarshal([]byte(out), &x); err != nil {
			t.Fatal(err)
		}
		return &x
	}
	nothing := func(x *diagnosed) float64 {
		for _, g := range x.Groups {
			for _, ids := range g.Departures {
				if len(ids) == 0 {
					return g.Probability
				}
			}
		}
		return 0
	}

	// The lamp of this kit is known to be blown.
	dark := "seen:\n  - {instrument: loaded-test-lamp, on: [cutout.n, cutout.l-supply], shows: dark}\n" +
		"  - {instrument: voltmeter, on: [cutout.n, cutout.l-supply], shows: 236.0 V}\n"
	if x := do("", dark); nothing(x) > 0.3 {
		t.Errorf("a dark lamp on a live supply is nothing wrong with %.3f", nothing(x))
	}
	x := do("departures: [blown/lamp]\n", dark)
	if nothing(x) < 0.7 {
		t.Errorf("with the lamp stated to be blown, nothing further wrong has %.3f: %v", nothing(x), x.Groups)
	}
	if fmt.Sprint(x.Stated.Departures) != "[blown/lamp]" {
		t.Errorf("stated: %v", x.Stated)
	}

	// By Ohm's law, out and back, the short main gives 0.015 + 2·30·0.0002 + 2·6·0.000868 = 0.04 Ω, the long
	// one 0.08 + 2·500·0.00032 + 2·30·0.000868 = 0.45 Ω.
	loop := "seen:\n  - {instrument: loop-tester, on: [cutout.l-supply, cutout.n], shows: 0.46 ohm}\n" +
		"  - {instrument: loop-tester, on: [cutout.l-supply, earthing.met], shows: 0.46 ohm}\n"
	short := "values: {main-m: 30 ± 3, service-m: 6 ± 1, main-ohm-per-km: 0.2 ± 0.02, transformer-ohm: 0.015 ± 0.001}\n"
	long := "values: {main-m: 500 ± 10, service-m: 30 ± 2, main-ohm-per-km: 0.32 ± 0.01, transformer-ohm: 0.08 ± 0.02}\n"
	near, far, unknown := nothing(do(short, loop)), nothing(do(long, loop)), nothing(do("", loop))
	if !(near < 0.2 && near < unknown && far > 0.8 && far > unknown+0.1) {
		t.Errorf("nothing wrong has %.3f where the main is short, %.3f where it is long, %.3f where it is not known", near, far, unknown)
	}
}

// TestPredictBelievesTheSiteFile: the prediction takes values and departures as they are stated.
func TestPredictBelievesTheSiteFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	loop := func(stated string) float64 {
		t.Helper()
		if err := os.WriteFile(file, []byte("name: made up (fictional)\narrangement: TN-S\n"+stated), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := typed(t, "predict", "--site", file, "--json")
		if err != nil {
			t.Fatal(err)
		}
		var p prediction
		if err := json.Unmarshal([]byte(out), &p); err != nil {
			t.Fatal(err)
		}
		for _, m := range p.Measurements {
			if m.Instrument == "loop-tester" && m.From == "cutout.l-supply" && m.To == "cutout.n" {
				return m.Shown
			}
		}
		t.Fatal("no loop")
		return 0
	}
	// Out and back: 100 m more of main at 0.20 Ω/km is 0.040 Ω, by Ohm's law.
	if more := loop("values: {main-m: 250}\n") - loop("values: {main-m: 150}\n"); math.Abs(more-0.040) > 0.004 {
		t.Errorf("100 m of main more give %.4f Ω", more)
	}
	if with := loop("departures: [failing/service.n]\n"); with < loop("")+0.05 {
		t.Errorf("a failing joint of the service leaves the loop at %.3f Ω", with)
	}
}
