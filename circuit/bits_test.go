package circuit

import (
	"testing"

	"meterwright/internal/test/reproducible"
)

// digest is of the circuits that the bits program solves. It changes when the order of any sum
// does; then it is replaced, on purpose.
const digest = "ee38aae96115f4b4476fae212b526d27c0684a71540f3e7f9ece2923ff58b3dd"

func TestNoFusedInstructions(t *testing.T) {
	reproducible.NoFusedInstructions(t, ".", "meterwright/internal/test/reproducible/bits")
}

func TestSameBits(t *testing.T) { reproducible.SameBits(t, "circuit", digest) }
