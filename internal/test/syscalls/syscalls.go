// Package syscalls watches the calls that a program makes of the system, on Linux.
package syscalls

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Find returns where strace is. Without it the test fails, or is left out where that is allowed.
func Find(t *testing.T) string {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("strace is missing: left out is a test that watches or fails system calls")
		}
		t.Fatal("strace is missing: install it (Debian: apt-get install strace), or set MW_ALLOW_MISSING=1 to leave this test out")
	}
	return strace
}

// Writing runs this test program again, with the given environment besides, and returns the calls
// that bring files to the disk, in order, as "CALL PATH" or "CALL PATH PATH". Paths stand without
// the folder.
func Writing(t *testing.T, folder string, env ...string) []string {
	t.Helper()
	trace := filepath.Join(t.TempDir(), "trace")
	cmd := exec.Command(Find(t), "-f", "-qq", "-y", "-o", trace, "-e", "signal=none",
		"-e", "trace=write,pwrite64,fsync,fdatasync,renameat,renameat2,linkat,unlinkat,ftruncate", os.Args[0])
	cmd.Env = append(os.Environ(), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	b, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	short := func(text string) string {
		return strings.ReplaceAll(strings.ReplaceAll(text, folder+"/", ""), folder, ".")
	}
	var calls []string
	for line := range strings.Lines(string(b)) {
		m := call.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		words := []string{m[1]}
		switch m[1] {
		case "renameat", "renameat2", "linkat", "unlinkat":
		default:
			if file := opened.FindStringSubmatch(m[2]); file != nil {
				calls = append(calls, short(m[1]+" "+file[1]))
			}
			continue
		}
		for _, p := range named.FindAllStringSubmatch(m[2], -1) {
			name := p[2]
			if !filepath.IsAbs(name) {
				name = filepath.Join(p[1], name)
			}
			words = append(words, name)
		}
		calls = append(calls, short(strings.Join(words, " ")))
	}
	return calls
}

var (
	call = regexp.MustCompile(`^\d+ +([a-z0-9]+)\((.*)`)
	// opened is the file that a call is about, and named one that it names within a folder.
	opened = regexp.MustCompile(`^\d+<([^>]*)>`)
	named  = regexp.MustCompile(`(?:AT_FDCWD|\d+)<([^>]*)>, "([^"]*)"`)
)
