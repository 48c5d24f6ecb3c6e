package field_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// TestFieldNeedsNothingOfAServer: the pages are to run in a browser as well, so nothing that they
// reach may be a database, a driver, YAML or the office.
func TestFieldNeedsNothingOfAServer(t *testing.T) {
	cmd := exec.Command("go", "list", "-deps", ".")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, banned := range []string{"database/sql", "meterwright/internal/store/sqlite", "modernc.org/sqlite", "github.com/goccy/go-yaml", "meterwright/internal/store", "meterwright/internal/office", "meterwright/internal/jobs/jobfile", "meterwright/internal/jobs/intake", "meterwright/internal/yamldoc", "meterwright/method/written"} {
		for dep := range strings.FieldsSeq(string(out)) {
			if dep == banned {
				t.Errorf("the field reaches %s", dep)
			}
		}
	}
}
