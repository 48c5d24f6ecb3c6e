package world

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference by eye")

// catalogueSites are the positions of the golden files.
var catalogueSites = []struct {
	name string
	spec site.Spec
	min  int
}{
	{"tn-c-s-1", site.Spec{Arrangement: site.TNCS, Reference: true}, 60},
	{"tn-s-1", site.Spec{Arrangement: site.TNS, Reference: true}, 60},
	{"tt-1-switched-inverter", site.Spec{Arrangement: site.TT, Reference: true, Switched: true, Sources: []site.Source{site.Inverter}}, 60},
	{"tn-c-s-3", site.Spec{Arrangement: site.TNCS, Phases: 3, Reference: true}, 100},
	{"tn-s-3-ct", site.Spec{Arrangement: site.TNS, Phases: 3, Metering: site.CTOperated, Reference: true}, 100},
}

// Every departure of every arrangement changes an indication, or stands as
// invisible to these tests with the reason. The golden files are reviewed by eye.
func TestCatalogue(t *testing.T) {
	for _, c := range catalogueSites {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := expand(t, c.spec)
			v := site.Usual()
			healthy, err := Sign(s, &v)
			if err != nil {
				t.Fatal(err)
			}
			list := s.Departures()
			if len(list) < c.min {
				t.Errorf("%d departures, at least %d are wanted", len(list), c.min)
			}
			var b strings.Builder
			fmt.Fprintf(&b, "# %s: %d departures. What each changes against a healthy position, in %d readings in each of the states\n# %s; the first of each state. Regenerate: go test ./world -run TestCatalogue -update\n",
				c.name, len(list), len(Tests(s)), stateNames(s))
			visible := 0
			for _, d := range list {
				sig, err := Sign(s, &v, d)
				if err != nil {
					t.Errorf("%s: %v", d.ID, err)
					continue
				}
				diff := healthy.Against(sig)
				fmt.Fprintf(&b, "\n%s: %s\n", d.ID, d.Words)
				switch {
				case len(diff) > 0:
					visible++
					if d.Unseen != "" {
						t.Errorf("%s: said to be unseen, but %v", d.ID, diff[0])
					}
					for _, line := range summarise(diff) {
						fmt.Fprintf(&b, "  %s\n", line)
					}
				case d.Unseen != "":
					fmt.Fprintf(&b, "  invisible to these tests: %s\n", d.Unseen)
				default:
					fmt.Fprintf(&b, "  invisible to these tests: %s\n", reason(d, healthy, sig))
				}
			}
			t.Logf("%d departures, %d visible", len(list), visible)
			golden := filepath.Join("testdata", "catalogue", c.name+".txt")
			if *update {
				if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if b.String() != string(want) {
				t.Errorf("%s differs from what the model gives: run with -update and read the difference", golden)
			}
		})
	}
}

// reason says why a departure that conducts changes nothing.
func reason(d site.Departure, healthy, sig Signature) string {
	if most, share := healthy.Largest(sig); share > 0 {
		return fmt.Sprintf("the largest change is %.0f %% of what the instruments resolve (%v)", 100*share, most)
	}
	if d.Condition != "" {
		return "what the instrument shows is what it would show in order"
	}
	return "no reading of these tests depends on it while everything else is in order"
}

func stateNames(s *site.Site) string {
	var names []string
	for _, st := range States(s) {
		names = append(names, st.Name)
	}
	return strings.Join(names, ", ")
}

// summarise gives, for each state, how many readings differ and the most telling:
// a change of class before a change of number.
func summarise(diff []Difference) []string {
	var lines []string
	for i := 0; i < len(diff); {
		j, best := i, i
		for ; j < len(diff) && diff[j].State.Name == diff[i].State.Name; j++ {
			if telling(diff[j]) > telling(diff[best]) {
				best = j
			}
		}
		lines = append(lines, fmt.Sprintf("%3d in %v", j-i, diff[best]))
		i = j
	}
	return lines
}

func telling(d Difference) int {
	a, b := d.Indication.Shows(), d.Instead.Shows()
	switch {
	case d.Test.Kind == instrument.Continuity || d.Test.Kind == instrument.LoopTester:
		return 0
	case a != b && a != instrument.Value:
		return 3
	case a != b:
		return 2
	}
	return 1
}
