package main

import (
	"fmt"

	"meterwright/method"
	"meterwright/method/lint"
	"meterwright/visit"
)

// mostStates is the most states that the search for one proof may take: several times what the largest
// method that comes with the program takes.
const mostStates = 1_000_000

// prover has the laws of the trade proved of a method, by walking every visit that it allows.
func prover() lint.Prover {
	p := visit.Proving{Limit: mostStates}
	return func(r *method.Resolved) ([]lint.Finding, error) {
		broken, err := p.Prove(r)
		if err != nil {
			return nil, err
		}
		var list []lint.Finding
		for _, f := range broken {
			list = append(list, lint.Finding{Code: lint.BreaksLaw, Problem: f.Breach.String(),
				Mend: fmt.Sprintf("look at the shortest visit that does it, of %d events: %s", len(f.Trace), f.Steps())})
		}
		return list, nil
	}
}
