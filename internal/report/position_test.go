package report_test

import (
	"fmt"
	"strings"
	"testing"

	"meterwright/internal/report"
	summarytest "meterwright/internal/test/invented"
	"meterwright/site"
)

// TestPosition: whatever a job may claim, every shape lies within the picture, and every conductor
// ends on a test point or at the edge from where the supply comes.
func TestPosition(t *testing.T) {
	orders := [][]string{nil, {"l-in", "l-out", "n-in", "n-out"}, {"n-out", "l-out", "l-in", "n-in"}}
	for _, phases := range []int{1, 3} {
		for _, arrangement := range site.Arrangements() {
			for i, order := range orders {
				for _, spec := range []site.Spec{
					{Arrangement: arrangement, Phases: phases, Terminals: order},
					{Arrangement: arrangement, Phases: phases, Terminals: order, NoSocket: true, Reference: true, Metalwork: []string{"box", "pipe", "unit", "screw", "door", "rail"}, Units: []string{"house", "garage"}},
					{Arrangement: arrangement, Phases: phases, Switched: phases == 1 && order == nil, Metering: map[bool]site.Metering{true: site.CTOperated, false: site.WholeCurrent}[phases == 3 && order == nil]},
				} {
					if phases == 3 && order != nil || spec.Validate() != nil {
						continue
					}
					checkPicture(t, fmt.Sprintf("%d phases, %s, order %d", phases, arrangement, i), report.Position(spec, map[string]int{"meter.l-in": 3, "reference.independent": 1}))
				}
			}
		}
	}
}

func checkPicture(t *testing.T, name string, p report.Picture) {
	t.Helper()
	dots := map[[2]float64]bool{}
	for _, s := range p.Shapes {
		for i := 0; i+1 < len(s.Points); i += 2 {
			if x, y := s.Points[i], s.Points[i+1]; x <= 0 || x >= p.W || y <= 0 || y >= p.H {
				t.Errorf("%s: %s %q at %g, %g is outside %g by %g", name, s.Kind, s.Text, x, y, p.W, p.H)
			}
		}
		if s.Kind == "dot" {
			dots[[2]float64{s.Points[0], s.Points[1]}] = true
		}
	}
	near := func(x, y float64) bool {
		for _, dy := range []float64{0, -16, 16} {
			if dots[[2]float64{x, y + dy}] {
				return true
			}
		}
		return y <= 20
	}
	for _, s := range p.Shapes {
		if s.Kind != "line" || s.Colour == "ink" {
			continue
		}
		n := len(s.Points)
		if !near(s.Points[0], s.Points[1]) || !near(s.Points[n-2], s.Points[n-1]) {
			t.Errorf("%s: a %s conductor ends nowhere: %v", name, s.Colour, s.Points)
		}
	}
	if p.Says == "" {
		t.Errorf("%s: no description", name)
	}
}

// TestThreePhases sets a three-phase visit down.
func TestThreePhases(t *testing.T) {
	in, _ := input(t, "off", report.Full, func(j *summarytest.Job, s *summarytest.Script) {
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
