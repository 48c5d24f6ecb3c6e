package diagnose

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"meterwright/internal/fmascan"
)

// digest is what internal/bits prints. It changes when the model or the engine does;
// then it is replaced, on purpose.
const digest = "44b282dd87c3affadc6bb2d71720b0f0a0e851a663ed38d0bfecef0775e7fe8e"

// No fused multiply-add in diagnosis, on the processors whose compilers would make one.
func TestNoFusedInstructions(t *testing.T) {
	found, err := fmascan.Scan(t.Context(), ".", ".", "./internal/bits")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		t.Error(f)
	}
}

func goRun(t *testing.T, env []string, args ...string) string {
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

func TestSameBitsHere(t *testing.T) {
	if got := goRun(t, nil, "go", "run", "./internal/bits"); got != digest {
		t.Errorf("got %s, want %s", got, digest)
	}
}

func TestSameBitsInWebAssembly(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: the bits were NOT compared with those of WebAssembly, since node is not installed")
		}
		t.Fatalf("node is missing (%v): install it, or set MW_ALLOW_MISSING=1 to go without this comparison", err)
	}
	wasm := filepath.Join(t.TempDir(), "bits.wasm")
	goRun(t, []string{"GOOS=js", "GOARCH=wasm"}, "go", "build", "-o", wasm, "./internal/bits")
	root := goRun(t, nil, "go", "env", "GOROOT")
	// A bare environment: wasm_exec refuses one that is too long.
	cmd := exec.Command(node, "--stack-size=8192", filepath.Join(root, "lib", "wasm", "wasm_exec_node.js"), wasm)
	cmd.Env = []string{}
	out, err := cmd.CombinedOutput()
	if got := strings.TrimSpace(string(out)); err != nil || got != digest {
		t.Errorf("got %s (%v), want %s", got, err, digest)
	}
}
