package circuit

import (
	"testing"

	"meterwright/internal/test/soak"
)

func TestMain(m *testing.M) { soak.Main(m, "5000") }

// times is how many circuits a test makes: ten times as many in a soak run.
func times(n int) int {
	if soak.On {
		return 10 * n
	}
	return n
}
