// Package samebits holds a package's results to the same bits natively and in WebAssembly.
package samebits

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Here runs the command in a folder, such as ./internal/bits, and compares the digest that
// it prints with want.
func Here(t *testing.T, folder, want string) {
	t.Helper()
	if got := run(t, nil, "go", "run", folder); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// InWebAssembly is Here with the command built for WebAssembly and run by Node. Without
// Node the test fails, unless MW_ALLOW_MISSING=1 lets it be left out.
func InWebAssembly(t *testing.T, folder, want string) {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: the bits were NOT compared with those of WebAssembly, since node is not installed")
		}
		t.Fatalf("node is missing (%v): install it, or set MW_ALLOW_MISSING=1 to go without this comparison", err)
	}
	wasm := filepath.Join(t.TempDir(), "bits.wasm")
	run(t, []string{"GOOS=js", "GOARCH=wasm"}, "go", "build", "-o", wasm, folder)
	root := run(t, nil, "go", "env", "GOROOT")
	// A bare environment: wasm_exec refuses one that is too long.
	cmd := exec.Command(node, "--stack-size=8192", filepath.Join(root, "lib", "wasm", "wasm_exec_node.js"), wasm)
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
