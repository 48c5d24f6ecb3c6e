//go:build !windows

package main

import (
	"bufio"
	"encoding/json"
	"net"
	"net/url"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestTerminate: told to end, the server ends with exit 0; told again while somebody still sends, it
// ends at once.
func TestTerminate(t *testing.T) {
	for _, again := range []bool{false, true} {
		cmd := exec.Command("meterwright", "serve", "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--json")
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		line, err := bufio.NewReader(out).ReadBytes('\n')
		var told struct{ Address string }
		if err != nil || json.Unmarshal(line, &told) != nil {
			t.Fatalf("%s, %v", line, err)
		}
		at, err := url.Parse(told.Address)
		if err != nil {
			t.Fatal(err)
		}
		if again {
			c, err := net.Dial("tcp", at.Host)
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			if _, err := c.Write([]byte("POST /field/look HTTP/1.1\r\nHost: " + at.Host + "\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 9\r\nExpect: 100-continue\r\n\r\n")); err != nil {
				t.Fatal(err)
			}
			// The handler reads the body, which never comes.
			if line, err := bufio.NewReader(c).ReadString('\n'); err != nil || !strings.Contains(line, "100") {
				t.Fatalf("%q, %v", line, err)
			}
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		tick := time.NewTicker(10 * time.Millisecond)
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		for running := true; running; {
			select {
			case <-ended:
				running = false
			case <-tick.C:
				if again {
					_ = cmd.Process.Signal(syscall.SIGTERM)
				}
			}
		}
		status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
		if !ok || status.Signaled() != again || !again && status.ExitStatus() != 0 {
			t.Errorf("told again: %v; it ended with %v", again, cmd.ProcessState)
		}
	}
}
