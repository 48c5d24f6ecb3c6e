package world

import (
	"testing"

	"meterwright/internal/test/reproducible"
)

// digest is of the positions that the bits program reads. It changes when the model does; then it
// is replaced, on purpose.
const digest = "b91428ff7760ed19ebbdbcb9aa401a6dd364d3e21fb9701574a07ada15f67a9b"

func TestNoFusedInstructions(t *testing.T) {
	reproducible.NoFusedInstructions(t, "../site", "../instrument", ".", "../internal/test/randomworld")
}

func TestSameBits(t *testing.T) { reproducible.SameBits(t, "world", digest) }
