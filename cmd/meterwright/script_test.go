package main

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"meterwright": main})
}

// TestScripts runs the commands as a user types them.
func TestScripts(t *testing.T) {
	dir, err := filepath.Abs(examples)
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			e.Setenv("EXAMPLES", dir)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exit": exits, "full": full, "interrupted": interrupted, "edit": edit, "cut": cut, "big": big,
		},
	})
}

// exits runs meterwright and asks for an exit code: exit CODE ARGS…
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exit CODE ARGS…")
	}
	code := 0
	if err := ts.Exec("meterwright", args[1:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		code = exit.ExitCode()
	}
	if got := strconv.Itoa(code); got != args[0] {
		ts.Fatalf("exit code %s, want %s", got, args[0])
	}
}

// full runs meterwright with its output on a full disk, and asks for exit code 2: full ARGS…
func full(ts *testscript.TestScript, neg bool, args []string) {
	disk, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if errors.Is(err, os.ErrNotExist) {
		return // Only Linux has one.
	}
	ts.Check(err)
	cmd := command(ts, args)
	cmd.Stdout = disk
	var exit *exec.ExitError
	if err := cmd.Run(); neg || !errors.As(err, &exit) || exit.ExitCode() != exitUnread {
		ts.Fatalf("%v, want exit code %d", err, exitUnread)
	}
	ts.Check(disk.Close())
}

// interrupted runs meterwright until it has written a line, interrupts it and asks for exit code
// 0: interrupted ARGS…
func interrupted(ts *testscript.TestScript, neg bool, args []string) {
	cmd := command(ts, args)
	out, err := cmd.StdoutPipe()
	ts.Check(err)
	ts.Check(cmd.Start())
	in := bufio.NewReader(out)
	_, err = in.Peek(1)
	ts.Check(err)
	ts.Check(cmd.Process.Signal(os.Interrupt))
	_, err = io.Copy(ts.Stdout(), in)
	ts.Check(err)
	if err := cmd.Wait(); neg || err != nil {
		ts.Fatalf("%v, want exit code 0", err)
	}
}

// command is meterwright in the folder and environment of the script.
func command(ts *testscript.TestScript, args []string) *exec.Cmd {
	program, err := exec.LookPath("meterwright")
	ts.Check(err)
	cmd := exec.Command(program, args...)
	cmd.Dir = ts.MkAbs(".")
	return cmd
}

// edit replaces the first place of a text in a file: edit FILE OLD NEW
func edit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: edit FILE OLD NEW")
	}
	was := ts.ReadFile(args[0])
	if !strings.Contains(was, args[1]) {
		ts.Fatalf("%s does not hold %q", args[0], args[1])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.Replace(was, args[1], args[2], 1)), 0o600))
}

// cut takes bytes off the end of a file: cut FILE half-line|line|all
func cut(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: cut FILE half-line|line|all")
	}
	b := ts.ReadFile(args[0])
	lines := strings.SplitAfter(b, "\n")
	lines = lines[:len(lines)-1]
	last := lines[len(lines)-1]
	switch args[1] {
	case "half-line":
		b = strings.TrimSuffix(b, last) + last[:len(last)/2]
	case "line":
		b = strings.TrimSuffix(b, last)
	case "all":
		b = ""
	default:
		ts.Fatalf("cut %q is not known", args[1])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b), 0o600))
}

// big writes a file of many times one text: big FILE k|M TEXT
func big(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: big FILE k|M TEXT")
	}
	n := map[string]int{"k": 1 << 10, "M": 1 << 21}[args[1]]
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), bytes.Repeat([]byte(args[2]), n), 0o600))
}
