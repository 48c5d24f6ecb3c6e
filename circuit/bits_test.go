package circuit

import (
	"testing"

	"meterwright/internal/fmascan"
	"meterwright/internal/samebits"
)

// digest is what internal/bits prints. It changes when the order of any sum
// does; then it is replaced, on purpose.
const digest = "ee38aae96115f4b4476fae212b526d27c0684a71540f3e7f9ece2923ff58b3dd"

// No fused multiply-add in the package, on the processors whose compilers
// would make one.
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
