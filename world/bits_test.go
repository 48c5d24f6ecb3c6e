package world

import (
	"testing"

	"meterwright/internal/fmascan"
	"meterwright/internal/samebits"
)

// digest is what internal/bits prints. It changes when the model does; then it is
// replaced, on purpose.
const digest = "b91428ff7760ed19ebbdbcb9aa401a6dd364d3e21fb9701574a07ada15f67a9b"

// No fused multiply-add in the model, on the processors whose compilers would
// make one.
func TestNoFusedInstructions(t *testing.T) {
	found, err := fmascan.Scan(t.Context(), "..", "./site", "./instrument", "./world", "./internal/randomworld", "./world/internal/bits")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		t.Error(f)
	}
}

func TestSameBitsHere(t *testing.T) { samebits.Here(t, "./internal/bits", digest) }

func TestSameBitsInWebAssembly(t *testing.T) { samebits.InWebAssembly(t, "./internal/bits", digest) }
