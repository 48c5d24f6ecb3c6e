package report_test

import (
	"bytes"
	json "encoding/json/v2"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"meterwright/internal/jobs"
	"meterwright/internal/report"
	"meterwright/internal/script"
	"meterwright/internal/test/invented"
	"meterwright/rules"
)

var hashes = regexp.MustCompile(`[0-9a-f]{64}`)

// sheet returns what a copy says, as text, with one word for every hash and key.
func sheet(t *testing.T, lines [][]byte, v *invented.Visit, job *jobs.Job, c report.Copy) string {
	t.Helper()
	in, err := report.Read(report.File{Name: "visit.jsonl", Content: append(bytes.Join(lines, []byte("\n")), '\n')})
	if err != nil {
		t.Fatal(err)
	}
	in.Copy, in.Container, in.Pack, in.Job, in.Files = c, v.Container, rules.GB(), job, nil
	in.Language = english(t)
	s, err := report.Compose(in)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(s, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return hashes.ReplaceAllString(string(b), "HASH")
}

// TestNothingDependsOnAnID: with every id of the method drawn anew, every copy of every example
// says what it said. A copy that finds a field, a question or a restricted stop by its id loses
// it here, or shows it to somebody who must not read it.
func TestNothingDependsOnAnID(t *testing.T) {
	// Of a stop that is all that was found, too: no defect says beside it that it is restricted.
	stopAlone := func(_ *invented.Job, s *invented.Script) {
		s.Entries = slices.DeleteFunc(s.Entries, func(e script.Entry) bool { return e.Verb == "defect" })
	}
	visits := append(invented.Names(), "interference")
	for i, name := range visits {
		var changes []invented.Change
		if i == len(visits)-1 {
			changes = append(changes, stopAlone)
		}
		v, err := invented.Make(name, changes...)
		if err != nil {
			t.Fatal(err)
		}
		r, err := methodOf(v.Lines)
		if err != nil {
			t.Fatal(err)
		}
		for seed := range uint64(2) {
			names := drawNames(r, seed)
			lines, err := names.record(v.Lines)
			if err != nil {
				t.Fatal(err)
			}
			job := *v.Job
			job.Registers = append(job.Registers[:0:0], job.Registers...)
			for i := range job.Registers {
				job.Registers[i].Entry = names.Fields[job.Registers[i].Entry]
			}
			for _, c := range report.Copies() {
				want, got := sheet(t, v.Lines, v, v.Job, c), names.back(sheet(t, lines, v, &job, c))
				if diff := cmp.Diff(strings.Split(want, `"`), strings.Split(got, `"`)); diff != "" {
					t.Errorf("%s, copy for the %s (-as shipped +renamed):\n%s", name, c, diff)
				}
			}
		}
	}
}
