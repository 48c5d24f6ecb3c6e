package main

import (
	"fmt"
	"slices"

	"meterwright/method"
	"meterwright/method/lint"
	"meterwright/visit"
	"meterwright/visit/laws"
)

// mostStates is the most states that the search for one proof may take: several times what the largest
// method that comes with the program takes.
const mostStates = 1_000_000

// prover has the laws of the trade proved of a method, by walking every visit that it allows: at a
// position without what a job can add, or at one with it too.
func prover(all bool) lint.Prover {
	p := visit.Proving{Limit: mostStates}
	return func(r *method.Resolved) ([]lint.Finding, error) {
		if r.Claims.Rates > 1 && !all {
			return nil, nil
		}
		broken, err := p.Prove(r)
		if err != nil {
			return nil, err
		}
		bare := slices.ContainsFunc(r.TakesAway, func(a method.Away) bool { return a.Kind == method.AwayProtection })
		var list []lint.Finding
		for _, f := range broken {
			// Work without protection that an overlay took away is named by what it takes away.
			if bare && slices.Contains([]laws.Law{laws.WithoutProtection, laws.ProbedBare, laws.GlovesOff}, f.Law) {
				continue
			}
			list = append(list, lint.Finding{Code: lint.BreaksLaw, Problem: f.Breach.String(),
				Mend: fmt.Errorf("look at the shortest visit that does it, of %d events: %s", len(f.Trace), f.Steps()).Error()})
		}
		return list, nil
	}
}
