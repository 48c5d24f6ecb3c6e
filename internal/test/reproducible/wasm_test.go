// Package reproducible holds arithmetic to the same bits on every processor.
//
// What the model says is recorded and judged in a browser and in the office, so
// that two processors must not differ in a single bit. The tests named TestSameBits
// compare digests where they run; here they run in WebAssembly, and code is searched
// for places where another processor would round once instead of twice.
package reproducible

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	// Their code is compiled by other processes: these lines, and rerun, let the test
	// cache notice that it has changed.
	_ "meterwright/circuit"
	_ "meterwright/diagnose"
	_ "meterwright/world"
)

// rerun reads the tests of the model, which nobody can import.
func rerun(t *testing.T) {
	t.Helper()
	files, err := filepath.Glob("../../../*/*_test.go")
	if err != nil || len(files) == 0 {
		t.Fatal("no tests of the model found", err)
	}
	for _, f := range files {
		if _, err := os.ReadFile(f); err != nil {
			t.Fatal(err)
		}
	}
}

// TestWebAssembly runs the digests in Node. Without Node it fails, unless
// MW_ALLOW_MISSING=1 lets it be left out.
func TestWebAssembly(t *testing.T) {
	rerun(t)
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: the bits were NOT compared with those of WebAssembly, since node is not installed")
		}
		t.Fatalf("node is missing (%v): install it, or set MW_ALLOW_MISSING=1 to go without this comparison", err)
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	runner := filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "wasm_exec_node.js")
	for _, pkg := range []string{"circuit", "world", "diagnose"} {
		t.Run(pkg, func(t *testing.T) {
			wasm := filepath.Join(t.TempDir(), "test.wasm")
			build := exec.Command("go", "test", "-c", "-o", wasm, "meterwright/"+pkg)
			build.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
			if out, err := build.CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			run := exec.Command(node, "--stack-size=8192", runner, wasm, "-test.run=^TestSameBits$", "-test.v")
			run.Env = []string{} // wasm_exec refuses an environment that is too long
			out, err := run.CombinedOutput()
			if err != nil || !strings.Contains(string(out), "--- PASS: TestSameBits") {
				t.Errorf("%v\n%s", err, out)
			}
		})
	}
}
