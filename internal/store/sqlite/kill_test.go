package sqlite

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"meterwright/internal/test/chains"
)

// TestKill kills a process with SIGKILL in mid-write, again and again on one store, each time
// after a random number of promises, and looks for every promise after it.
func TestKill(t *testing.T) {
	kills := 30
	if soak() {
		kills = 200
	}
	const visits, length = 16, 8
	random := rand.New(rand.NewPCG(1, 2))
	dir := t.TempDir()
	promised := newPromises()
	var stored, offered int64
	middle := 0
	for k := range kills {
		var work [][][]byte
		for v := range visits {
			work = append(work, chains.Whole(t, chains.Visit(k*visits+v), fmt.Sprint("device ", v%5), length))
		}
		file := filepath.Join(t.TempDir(), fmt.Sprintf("work-%d", k))
		offered += int64(writeWork(t, file, work, random.IntN))
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childFolder+"="+dir, childWork+"="+file, childClients+"=3")
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		left := 1 + random.IntN(visits*length/2)
		promised.read(t, out, func() {
			if left--; left == 0 {
				if err := cmd.Process.Kill(); err != nil {
					t.Error(err)
				}
			}
		})
		if err := cmd.Wait(); err == nil && left > 0 {
			t.Fatalf("kill %d: the child ended by itself with %d promises to go", k, left)
		}
		if len(promised.trouble) > 0 {
			t.Fatalf("kill %d: %s", k, promised.trouble)
		}
		if !promised.done {
			middle++
		}
		promised.done = false
		stored = promised.hold(t, dir)
		if t.Failed() {
			t.Fatalf("after kill %d", k)
		}
	}
	if middle < kills/2 {
		t.Errorf("only %d of %d kills came before the work was done", middle, kills)
	}
	lines := int64(len(promised.numbers))
	t.Logf("%d kills, %d of them in mid-work; %d lines were on offer, %d acknowledged as accepted and all there once, %d more stored without a word; %d attachments acknowledged, %d erased",
		kills, middle, offered, lines, stored-lines, len(promised.kept), len(promised.gone))
}
