package circuit

import (
	"flag"
	"os"
	"testing"
)

// A soak run (MW_SOAK=1) makes ten times as many circuits.
var soak = os.Getenv("MW_SOAK") == "1"

func TestMain(m *testing.M) {
	flag.Parse()
	if soak {
		if err := flag.Set("rapid.checks", "5000"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

func times(n int) int {
	if soak {
		return 10 * n
	}
	return n
}
