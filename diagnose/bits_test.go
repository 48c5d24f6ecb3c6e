package diagnose

import (
	"testing"

	"meterwright/internal/test/reproducible"
)

// digest is of the visits that the bits program has diagnosed. It changes when the model or the
// engine does; then it is replaced, on purpose.
const digest = "668b34789da7980c10a8677912b966caaff63b2a9b066c023609bc0fad2f60c0"

func TestNoFusedInstructions(t *testing.T) { reproducible.NoFusedInstructions(t, ".") }

func TestSameBits(t *testing.T) { reproducible.SameBits(t, "diagnosis", digest) }
