package visit_test

import (
	"fmt"

	"meterwright/visit"
	"meterwright/visit/laws"
)

// A method of which every proof was taken away lets nothing be known: the laws say of what.
func ExampleProving() {
	r := *machine().Method
	r.Proofs = nil
	for i := range r.Steps {
		r.Steps[i].Needs, r.Steps[i].Supports = nil, nil
	}
	found, err := (&visit.Proving{Limit: 100_000}).Prove(&r)
	if err != nil {
		fmt.Println(err)
	}
	for _, f := range found {
		if f.Act == "withdraw-carrier" && f.Needs == laws.NilLoad {
			fmt.Println(f.Breach)
		}
	}
	// Output:
	// withdraw-carrier was accepted without bracketed evidence: nil load (withdraw-carrier)
}
