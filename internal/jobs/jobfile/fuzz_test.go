package jobfile

import (
	"os"
	"testing"

	"meterwright/internal/yamldoc"
	"meterwright/rules"
)

func FuzzParseYAML(f *testing.F) {
	b, err := os.ReadFile("../../../examples/visits/export/job.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte("job: J\naddress: a\nmeter_point: 9900000089193\nmeter: m\nsite: {arrangement: TT, phases: 3, units: [a, b]}\n"))
	f.Add([]byte("job: [\n"))
	f.Add([]byte("site: {arrangement: TN-S, rates: 99999999999999999999}\n"))
	f.Add([]byte("registers:\n  - {entry: x, digits: -1, earlier: [{on: 2026-02-30, reading: \"\"}]}\n"))
	format := rules.GB().MeterPoint
	f.Fuzz(func(t *testing.T, b []byte) {
		j, err := ParseYAML("job", b, format)
		if err != nil {
			if _, ok := err.(yamldoc.Problems); !ok {
				t.Fatalf("%T names no place: %v", err, err)
			}
			return
		}
		// What is accepted is kept and read again as it was.
		body, err := j.Body()
		if err != nil {
			t.Fatal(err)
		}
		if len(body) == 0 {
			t.Fatal("nothing is kept")
		}
		if f := j.Check(format); f != nil {
			t.Fatalf("accepted once and not again: %s: %s", f.At, f.Problem)
		}
	})
}

func FuzzParseCSV(f *testing.F) {
	f.Add([]byte("job,address,meter_point,meter,arrangement,method\nA,b,9900000089193,m,TT,gb\n"))
	f.Add([]byte("job,address,meter_point,meter,arrangement,method,registers,units,rates\nA,b,9900000089193,m,TT,gb,final-import 5 2026-01-01=1;x,a;b,2\n"))
	f.Add([]byte("\uFEFFjob,\"address\"\r\n"))
	f.Add([]byte("Job;Address;Meter Point;METER;arrangement;method\r\nA;b;9900000089193;m;TT;gb\r\nB;\"c;d\r\nC;\"e;f\";x\"y\r\n"))
	f.Add([]byte("\"\n\"\"\""))
	f.Add([]byte("job,address,meter_point,meter,arrangement,method\n,,,,\n"))
	format := rules.GB().MeterPoint
	f.Fuzz(func(t *testing.T, b []byte) {
		rows, err := ParseCSV(b, format)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without words")
			}
			return
		}
		seen := map[string]bool{}
		line := 1
		for _, r := range rows {
			if r.Line <= line || (r.Job == nil) == (r.Fault == nil) {
				t.Fatalf("%+v after line %d", r, line)
			}
			line = r.Line
			if r.Fault != nil {
				if r.Fault.Problem == "" {
					t.Fatalf("%+v names no reason", r)
				}
				continue
			}
			if f := r.Job.Check(format); f != nil || seen[r.Job.Reference] {
				t.Fatalf("job %q is not good, or stands twice", r.Job.Reference)
			}
			seen[r.Job.Reference] = true
		}
	})
}
