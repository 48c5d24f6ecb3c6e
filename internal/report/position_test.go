package report_test

import (
	"strings"
	"testing"

	"meterwright/internal/report"
	"meterwright/internal/test/invented"
)

// TestThreePhases sets a three-phase visit down.
func TestThreePhases(t *testing.T) {
	in, _ := input(t, "off", report.Full, func(j *invented.Job, s *invented.Script) {
		j.Site.Phases, j.Method, j.Registers = 3, "gb-three-phase-exchange", nil
		s.Entries, s.Usual = nil, nil
	})
	text := tool(t, "pdftotext", "-layout", save(t, "three-phase.pdf", write(t, in)), "-")
	for _, w := range []string{"l1", "l2", "l3", "three-phase position"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing", w)
		}
	}
}
