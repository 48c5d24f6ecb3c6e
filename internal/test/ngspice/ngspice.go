// Package ngspice solves decks in another program, for the tests that hold our node voltages against it.
package ngspice

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Path is that of Debian's ngspice. Without it the comparison is not made, and that is a
// failure unless MW_ALLOW_MISSING=1 says that it is known.
func Path(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("ngspice")
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: node voltages were NOT compared with ngspice, which is not installed")
		}
		t.Fatalf("ngspice is missing (%v): install it, or set MW_ALLOW_MISSING=1 to go without this comparison", err)
	}
	return path
}

// Voltages solves n decks in one process, each as write writes it, and returns the voltages that were
// printed by the node's number, deck by deck.
func Voltages(t testing.TB, n int, write func(deck int, to io.Writer) error) []map[int]complex128 {
	t.Helper()
	program, dir := Path(t), t.TempDir()
	file := func(name string, b []byte) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	var main bytes.Buffer
	main.WriteString("* all decks\n.control\n")
	for i := range n {
		var b bytes.Buffer
		if err := write(i, &b); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&main, "echo deck %d\nsource %s\ndestroy all\nremcirc\n", i, file(fmt.Sprintf("d%d.cir", i), b.Bytes()))
	}
	main.WriteString("quit\n.endc\n.end\n")
	cmd := exec.Command(program, "-b", file("all.cir", main.Bytes()))
	var notes bytes.Buffer
	cmd.Stderr = &notes // its progress notes would come in the middle of lines
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ngspice: %v\n%s\n%s", err, out, notes.Bytes())
	}
	got := make([]map[int]complex128, n)
	var at map[int]complex128
	for line := range strings.Lines(string(out)) {
		var deck int
		if _, err := fmt.Sscanf(line, "deck %d", &deck); err == nil {
			at = map[int]complex128{}
			got[deck] = at
			continue
		}
		name, value, ok := strings.Cut(line, ") = ")
		if !ok || !strings.HasPrefix(name, "v(n") {
			continue
		}
		re, im, _ := strings.Cut(strings.TrimSpace(value), ",")
		node, err1 := strconv.Atoi(name[3:])
		r, err2 := strconv.ParseFloat(re, 64)
		i, err3 := strconv.ParseFloat(im, 64)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatalf("ngspice printed %q", line)
		}
		at[node] = complex(r, i)
	}
	return got
}
