package sqlite

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"meterwright/internal/test/chains"
	"meterwright/internal/test/syscalls"
)

// smallWork writes the work of one child: two visits, an attachment with every fifth batch.
func smallWork(t *testing.T) string {
	t.Helper()
	work := filepath.Join(t.TempDir(), "work")
	visits := [][][]byte{chains.Whole(t, chains.Visit(1), "one", 12), chains.Whole(t, chains.Visit(2), "two", 12)}
	writeWork(t, work, visits, func(int) int { return 1 })
	return work
}

// TestFullDisk lets the disk become full in mid-work and stay so: from then on each call says so,
// nothing more is promised, and what was promised holds.
func TestFullDisk(t *testing.T) {
	strace := syscalls.Find(t)
	work := smallWork(t)
	for _, c := range []struct{ calls, errno, of string }{
		{"pwrite64", "ENOSPC", "lines"}, {"pwrite64", "EDQUOT", "lines"}, {"write", "ENOSPC", "attachments"}, {"write", "EDQUOT", "attachments"},
	} {
		dir := filepath.Join(t.TempDir(), "store")
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		args := []string{"-f", "-qq", "-o", filepath.Join(t.TempDir(), "trace"), "-e", "signal=none"}
		when := 180 // the tables are made, and some lines are in them
		if c.of == "attachments" {
			when = 2
			for n := range 40 { // passing names; each try has another
				args = append(args, "-P", filepath.Join(dir, AttachmentsName, "new", strconv.Itoa(n)))
			}
		}
		cmd := exec.Command(strace, append(args, "-e", fmt.Sprintf("inject=%s:error=%s:when=%d+", c.calls, c.errno, when), os.Args[0])...)
		cmd.Env = append(os.Environ(), childFolder+"="+dir, childWork+"="+work, childClients+"=1")
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		lines := strings.Split(string(out), "\n")
		from := slices.Index(lines, "trouble full")
		if from < 1 {
			t.Errorf("%s of %s: the child never said that the disk is full after it had kept something: %s", c.errno, c.of, out)
			continue
		}
		for _, l := range lines[from:] {
			ours := c.of == "lines" && strings.HasPrefix(l, "ack ") || strings.HasPrefix(l, "kept ")
			if ours || strings.HasPrefix(l, "trouble") && l != "trouble full" {
				t.Errorf("%s of %s: with the disk full the child said %q", c.errno, c.of, l)
			}
		}
		p := newPromises()
		p.read(t, strings.NewReader(string(out)), func() {})
		p.hold(t, dir)
	}
}

// TestAttachmentIsOnTheDisk watches the calls: each attachment's file is synced before it has its
// name, and then the name is; of one that is erased the name's removal is.
func TestAttachmentIsOnTheDisk(t *testing.T) {
	work := smallWork(t)
	dir := filepath.Join(t.TempDir(), "store")
	calls := syscalls.Writing(t, dir, childFolder+"="+dir, childWork+"="+work, childClients+"=1")
	batches, err := readWork(work)
	if err != nil {
		t.Fatal(err)
	}
	for b := 0; b < len(batches); b += 5 {
		ref, _ := attachment(filepath.Base(work), b)
		digits := strings.TrimPrefix(string(ref.ID), "sha256:")
		passing, folder := fmt.Sprintf("%s/new/%d", AttachmentsName, b/5+1), AttachmentsName+"/"+digits[:2]
		rest := calls
		inOrder := []string{"write " + passing, "fsync " + passing, "fsync " + AttachmentsName, "renameat " + passing + " " + folder + "/" + digits[2:], "fsync " + folder}
		if b%10 == 0 { // it is erased
			inOrder = append(inOrder, "unlinkat "+folder+"/"+digits[2:], "fsync "+folder)
		}
		for _, want := range inOrder {
			i := slices.Index(rest, want)
			if i < 0 {
				t.Errorf("attachment of batch %d: no %q in its place in\n%s", b, want, strings.Join(calls, "\n"))
				break
			}
			rest = rest[i+1:]
		}
	}
}
