package diagnose

import (
	"testing"

	"meterwright/internal/fmascan"
	"meterwright/internal/samebits"
)

// digest is what internal/bits prints. It changes when the model or the engine does;
// then it is replaced, on purpose.
const digest = "668b34789da7980c10a8677912b966caaff63b2a9b066c023609bc0fad2f60c0"

// No fused multiply-add in diagnosis, on the processors whose compilers would make one.
func TestNoFusedInstructions(t *testing.T) {
	found, err := fmascan.Scan(t.Context(), ".", ".", "./internal/bits")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		t.Error(f)
	}
}

func TestSameBitsHere(t *testing.T) { samebits.Here(t, "./internal/bits", digest) }

func TestSameBitsInWebAssembly(t *testing.T) { samebits.InWebAssembly(t, "./internal/bits", digest) }
