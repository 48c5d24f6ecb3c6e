package metering

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// TestMain raises the number of property checks for a soak run (MW_SOAK=1).
func TestMain(m *testing.M) {
	if os.Getenv("MW_SOAK") == "1" {
		if err := flag.Set("rapid.checks", "20000"); err != nil {
			fmt.Fprintln(os.Stderr, "raising the number of property checks:", err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}
