package jobs

import (
	"strings"
	"testing"
	"time"

	"meterwright/metering"
	"meterwright/rules"
)

const good = `job: J-1
fictional: true
address: 1 Example Row, Northmere (fictional)
meter_point: "99 0000 0089 193"
meter: M-1
site: {arrangement: TT}
`

func TestFaultsNameTheirPlace(t *testing.T) {
	for _, c := range []struct{ add, want string }{
		{"person: [a]\n", "j:7:9: "},
		{"hazards: [\"a\\nb\"]\n", "j:7:11: this has a line break"},
		{"overlays: x\n", "j:7:11: this value does not fit here: write a list"},
		{"kit: {instruments: [{kind: hammer, id: H, proved_on: {kind: proving-unit}}]}\n", `j:7:28: "hammer" is no kind of instrument`},
		{"kit: {instruments: [{kind: voltmeter, id: \"\", proved_on: {kind: proving-unit}}]}\n", "the voltmeter has no number"},
		// A proving unit of a few milliamperes cannot light a loaded lamp, common practice [P].
		{"kit: {instruments: [{kind: loaded-test-lamp, id: L, proved_on: {kind: proving-unit}}]}\n", `"proving-unit" does not suit a loaded test lamp`},
		{"kit: {protection: [{item: gloves, test_due: 2026-13-01}]}\n", "j:7:45: "},
		{"registers: [{entry: a, digits: 0}]\n", "j:7:"},
		{"registers: [{entry: a, digits: 5, earlier: [{on: 2026-02-02, reading: \"1\"}, {on: 2026-02-01, reading: \"2\"}]}]\n", "is not later than the reading before it"},
		{"registers: [{entry: a, digits: 3, earlier: [{on: 2026-02-02, reading: \"12345\"}]}]\n", "j:7:"},
	} {
		_, err := ParseYAML("j", []byte(good+c.add), rules.GB().MeterPoint)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got %v, want %q", c.add, err, c.want)
		}
	}
	if _, err := ParseYAML("j", []byte(good), rules.GB().MeterPoint); err != nil {
		t.Error(err)
	}
}

// TestSameJob asks that a row and a file of one job are kept alike.
func TestSameJob(t *testing.T) {
	text := good + `registers: [{entry: final-import, digits: 5, decimals: 1, earlier: [{on: 2026-05-24, reading: "04127.6"}]}]
hazards: [a dog, a ladder]
work: {fit_isolator: true}
`
	file, err := ParseYAML("j", []byte(text), rules.GB().MeterPoint)
	if err != nil {
		t.Fatal(err)
	}
	table, err := ParseCSV([]byte("job,address,meter_point,meter,arrangement,registers,hazards,fit_isolator,fictional\n"+
		"J-1,\"1 Example Row, Northmere (fictional)\",9900000089193,M-1,TT,final-import 5.1 2026-05-24=04127.6,a dog; a ladder,yes,yes\n"), rules.GB().MeterPoint, nil)
	if err != nil || len(table.Jobs) != 1 {
		t.Fatal(err, table)
	}
	a, _ := file.Body()
	b, _ := table.Jobs[0].Body()
	if string(a) != string(b) {
		t.Errorf("file %s\nrow  %s", a, b)
	}
}

func TestJudgeRollover(t *testing.T) {
	r := Register{Entry: "x", Digits: 5, Earlier: []Reading{{"2026-02-24", "97210"}, {"2026-05-24", "98330"}, {"2026-08-24", "99410"}}}
	f, err := r.Judge(rules.GB().Plausible, "00480", time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	// 100000 − 99410 + 480, by hand.
	if f.Plausibility != metering.Plausible || !f.Advance.RolledOver || f.Advance.Quantity.String() != "1070" {
		t.Errorf("%+v", f)
	}
}
