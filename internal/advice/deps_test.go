package advice

import (
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// TestAdviceRunsInABrowser: it compiles for a browser, and reaches no disk, network, database or YAML
// of its own.
func TestAdviceRunsInABrowser(t *testing.T) {
	cmd := exec.Command("go", "list", "-deps", ".")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	deps := strings.Fields(string(out))
	for _, banned := range []string{"net/http", "database/sql", "github.com/goccy/go-yaml", "meterwright/method/written", "meterwright/internal/field", "meterwright/internal/store"} {
		if slices.Contains(deps, banned) {
			t.Errorf("advice reaches %s", banned)
		}
	}
	build := exec.Command("go", "build", "-o", os.DevNull, ".")
	build.Env = cmd.Env
	if out, err := build.CombinedOutput(); err != nil {
		t.Errorf("it does not compile for a browser: %v\n%s", err, out)
	}
}
