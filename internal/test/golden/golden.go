// Package golden compares what a test got with a file that was reviewed by eye.
package golden

import (
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference by eye")

// Update says that golden files are written anew.
func Update() bool { return *update }

// Check compares a text with the one in a file, or writes it there where -update is given.
func Check(t testing.TB, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("%s is not what was reviewed: run with -update and read the difference (-want +got):\n%s", file, diff)
	}
}
