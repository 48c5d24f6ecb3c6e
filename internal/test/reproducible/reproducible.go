// Package reproducible holds arithmetic to the same bits on every processor.
//
// What the model says is recorded and judged in a browser and in the office, so
// that two processors must not differ in a single bit. SameBits has a digest
// reckoned natively and in WebAssembly; NoFusedInstructions finds, on any machine,
// where another processor would round once instead of twice.
package reproducible

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// program prints a digest for each subject; see its package comment.
const program = "meterwright/internal/test/reproducible/bits"

// SameBits compares the digest that the bits program prints for a subject with want,
// natively and in WebAssembly run by Node. Without Node the test fails, unless
// MW_ALLOW_MISSING=1 lets it be left out.
func SameBits(t *testing.T, subject, want string) {
	t.Run("here", func(t *testing.T) {
		if got := run(t, nil, "go", "run", program, subject); got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	})
	t.Run("in WebAssembly", func(t *testing.T) { inWebAssembly(t, subject, want) })
}

func inWebAssembly(t *testing.T, subject, want string) {
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: the bits were NOT compared with those of WebAssembly, since node is not installed")
		}
		t.Fatalf("node is missing (%v): install it, or set MW_ALLOW_MISSING=1 to go without this comparison", err)
	}
	wasm := filepath.Join(t.TempDir(), "bits.wasm")
	run(t, []string{"GOOS=js", "GOARCH=wasm"}, "go", "build", "-o", wasm, program)
	root := run(t, nil, "go", "env", "GOROOT")
	// A bare environment: wasm_exec refuses one that is too long.
	cmd := exec.Command(node, "--stack-size=8192", filepath.Join(root, "lib", "wasm", "wasm_exec_node.js"), wasm, subject)
	cmd.Env = []string{}
	out, err := cmd.CombinedOutput()
	if got := strings.TrimSpace(string(out)); err != nil || got != want {
		t.Errorf("got %s (%v), want %s", got, err, want)
	}
}

func run(t *testing.T, env []string, args ...string) string {
	t.Helper()
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), env...)
	var notes bytes.Buffer
	cmd.Stderr = &notes
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", args, err, notes.Bytes())
	}
	return strings.TrimSpace(string(out))
}
