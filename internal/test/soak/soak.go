// Package soak raises the number of property checks for a soak run (MW_SOAK=1).
package soak

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// On says that this is a soak run.
var On = os.Getenv("MW_SOAK") == "1"

// Main runs the tests of a package, each property in a soak run with so many checks.
func Main(m *testing.M, checks string) {
	flag.Parse()
	if On {
		if err := flag.Set("rapid.checks", checks); err != nil {
			fmt.Fprintln(os.Stderr, "raising the number of property checks:", err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}
