package diagnose

import (
	"testing"

	"meterwright/internal/fmascan"
	"meterwright/internal/samebits"
)

// digest is what internal/bits prints. It changes when the model or the engine does;
// then it is replaced, on purpose.
const digest = "44b282dd87c3affadc6bb2d71720b0f0a0e851a663ed38d0bfecef0775e7fe8e"

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
