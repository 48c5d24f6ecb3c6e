package jobfile

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"meterwright/rules"
)

const good = `job: J-1
fictional: true
address: 1 Example Row, Northmere (fictional)
meter_point: "99 0000 0089 193"
meter: M-1
method: gb-single-phase-exchange
site: {arrangement: TT}
`

func TestFaultsNameTheirPlace(t *testing.T) {
	for _, c := range []struct{ add, want string }{
		{"person: [a]\n", "j:8:9: "},
		{"hazards: [\"a\\nb\"]\n", "j:8:11: this has a line break"},
		{"overlays: x\n", "j:8:11: the text \"x\" stands where a list is wanted: write [one, two]"},
		{"kit: {instruments: [{kind: hammer, id: H, proved_on: {kind: proving-unit}}]}\n", `j:8:28: "hammer" is no kind of instrument`},
		{"kit: {instruments: [{kind: voltmeter, id: \"\", proved_on: {kind: proving-unit}}]}\n", "the voltmeter has no number"},
		// A proving unit of a few milliamperes cannot light a loaded lamp, common practice [P].
		{"kit: {instruments: [{kind: loaded-test-lamp, id: L, proved_on: {kind: proving-unit}}]}\n", `"proving-unit" does not suit a loaded test lamp`},
		{"kit: {protection: [{item: gloves, test_due: 2026-13-01}]}\n", "j:8:45: "},
		{"registers: [{entry: a, digits: 0}]\n", "j:8:"},
		{"registers: [{entry: a, digits: 5, earlier: [{on: 2026-02-02, reading: \"1\"}, {on: 2026-02-01, reading: \"2\"}]}]\n", "is not later than the reading before it"},
		{"registers: [{entry: a, digits: 5, earlier: [{on: 2026-12-02, reading: \"1\"}]}]\nappointment: 2026-11-24 09:00\n", "is after the appointment on 2026-11-24"},
		{"appointment: 2026-13-40 09:00\n", "begins like a date"},
		{"registers: [{entry: a, digits: 3, earlier: [{on: 2026-02-02, reading: \"12345\"}]}]\n", "j:8:"},
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
	a, _ := file.Body()
	for name, text := range map[string]string{
		"commas":     "job,address,meter_point,meter,arrangement,method,registers,hazards,fit_isolator,fictional\n" + `J-1,"1 Example Row, Northmere (fictional)",9900000089193,M-1,TT,gb-single-phase-exchange,final-import 5.1 2026-05-24=04127.6,a dog; a ladder,yes,yes`,
		"semicolons": "\uFEFFJob; Address ;Meter Point;METER;arrangement;Method;registers;hazards;fit-isolator;Fictional\r\n" + `J-1;1 Example Row, Northmere (fictional);9900000089193;M-1;TT;gb-single-phase-exchange;final-import 5.1 2026-05-24=04127.6;"a dog; a ladder";YES;yes` + "\r\n",
		"tabs":       strings.ReplaceAll("job|address|meter_point|meter|arrangement|method|registers|hazards|fit_isolator|fictional\nJ-1|1 Example Row, Northmere (fictional)|9900000089193|M-1|TT|gb-single-phase-exchange|final-import 5.1 2026-05-24=04127.6|a dog; a ladder|yes|yes", "|", "\t"),
	} {
		rows, err := ParseCSV([]byte(text), rules.GB().MeterPoint)
		if err != nil || len(rows) != 1 || rows[0].Fault != nil {
			t.Errorf("%s: %v %+v", name, err, rows)
			continue
		}
		if b, _ := rows[0].Job.Body(); string(a) != string(b) {
			t.Errorf("%s\nfile %s\nrow  %s", name, a, b)
		}
	}
}

// TestRowsDoNotHideOneAnother: quotation marks that make no sense cost their own row alone.
func TestRowsDoNotHideOneAnother(t *testing.T) {
	rows, err := ParseCSV([]byte(`job,address,meter_point,meter,arrangement,method
A,one,9900000089193,m,TT,gb
B,t"wo,9900000089193,m,TT,gb
C,"thr"ee,9900000089193,m,TT,gb
D,four,9900000089194,m,TT,gb
E,"five
E,of two lines",9900000089193,m,TT,gb
F,"six,9900000089193,m,TT,gb
G,seven,9900000089193,m,TT,gb
A,eight,9900000089193,m,TT,gb
H,nine
`), rules.GB().MeterPoint)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, r := range rows {
		text := fmt.Sprint(r.Line, " ")
		if r.Fault == nil {
			text += r.Job.Reference
		} else {
			text += r.Fault.Column + ": " + r.Fault.Problem
		}
		got = append(got, text)
	}
	want := []string{"2 A", `3 : bare " in non-quoted-field`, `4 : extraneous or missing " in quoted-field`, "5 meter_point: ", "6 address: ", `8 : extraneous or missing " in quoted-field`, "9 G",
		`10 job: the reference "A" stands in line 2 already`, "11 : 2 cells, and the header has 6"}
	if !slices.EqualFunc(got, want, strings.HasPrefix) {
		t.Errorf("got %q", got)
	}
}

func TestFilesThatAreNoTable(t *testing.T) {
	const header = "job,address,meter_point,meter,arrangement,method\n"
	for _, c := range []struct{ text, want string }{
		{"", "the file is empty"},
		{"job,colour\n", `column 2: "colour" is no column`},
		{"job,Job\n", "stands twice"},
		{"job,meter\n", `"address" is missing`},
		{"job,address,meter_point,meter,arrangement\n", `"method" is missing`},
		{"\xff", "not UTF-8"},
		{header + "\x00", "zero byte"},
		{strings.Repeat("x", MaxCSV+1), "in several files"},
		{header + strings.Repeat("a\n", MaxRows+1), "divide the file"},
		{header + strings.Repeat("a\"\n", maxStray+1), "line 52: more than 50 rows have stray"},
	} {
		if rows, err := ParseCSV([]byte(c.text), rules.GB().MeterPoint); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.40q: %d rows, %v, want %q", c.text, len(rows), err, c.want)
		}
	}
}
