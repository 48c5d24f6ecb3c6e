package jobfile

import (
	"meterwright/internal/jobs"
	"meterwright/internal/yamldoc"
	"meterwright/rules"
)

// ParseYAML reads a job file. The error is a yamldoc.Problems.
func ParseYAML(file string, b []byte, format rules.MeterPointFormat) (*jobs.Job, error) {
	d, err := yamldoc.Parse(file, b)
	if err != nil {
		return nil, err
	}
	var j jobs.Job
	if err := d.Decode(&j); err != nil {
		return nil, err
	}
	if f := j.Check(format); f != nil {
		return nil, d.Errorf(f.At, f.Mend, "%s", f.Problem)
	}
	return &j, nil
}
