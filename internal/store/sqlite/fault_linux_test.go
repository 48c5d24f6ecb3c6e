package sqlite

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"meterwright/internal/test/chains"
	"meterwright/internal/test/syscalls"
)

// faults are the system calls that are failed, each with the errors that it is failed with.
// They are all those that a run makes on the store's files, except fchown and epoll_ctl,
// whose failure SQLite and Go ignore by design; TestFaults fails if a run makes others.
var faults = map[string][]string{
	"open": {"EIO", "EMFILE"}, "openat": {"EIO", "EMFILE"}, "close": {"EIO"},
	"read": {"EIO"}, "pread64": {"EIO"}, "write": {"EIO", "ENOSPC"}, "pwrite64": {"EIO", "ENOSPC"},
	"fsync": {"EIO"}, "fdatasync": {"EIO"}, "ftruncate": {"EIO"}, "fallocate": {"ENOSPC"},
	"unlink": {"EIO"}, "unlinkat": {"EIO"}, "renameat": {"EIO"}, "renameat2": {"EIO"}, "mkdirat": {"ENOSPC"},
	"stat": {"EIO"}, "lstat": {"EIO"}, "fstat": {"EIO"}, "newfstatat": {"EIO"}, "statx": {"EIO"},
	"fcntl": {"ENOLCK"}, "mmap": {"ENOMEM"}, "getdents64": {"EIO"}, "access": {"EIO"}, "faccessat": {"EIO"},
}

var ignored = []string{"fchown", "epoll_ctl"}

// TestFaults, on Linux because of strace, runs a child under it, which makes one system call on the store's files fail,
// once. After that failure the child must come to its end, with everything it has to do done,
// and every promise that it ever gave must hold. The calls are counted in a run without
// faults; by default some of each are failed, with MW_SOAK=1 all.
func TestFaults(t *testing.T) {
	strace := syscalls.Find(t)
	random := rand.New(rand.NewPCG(3, 4))
	work := filepath.Join(t.TempDir(), "work")
	var visits [][][]byte
	for v := range 4 {
		visits = append(visits, chains.Whole(t, chains.Visit(v), "one", 8))
	}
	lines := writeWork(t, work, visits, random.IntN)

	calls := faultRun(t, strace, work, lines, "", 0, "").calls
	var names []string
	for name := range calls {
		switch {
		case faults[name] != nil:
			names = append(names, name)
		case !slices.Contains(ignored, name):
			t.Errorf("a run calls %s on the store's files %d times, which no fault stands for here", name, calls[name])
		}
	}
	slices.Sort(names)
	for _, must := range []string{"fsync", "pwrite64", "ftruncate", "renameat", "unlink", "unlinkat"} {
		if calls[must] == 0 {
			t.Errorf("a run does not call %s on the store's files: the test is of no use", must)
		}
	}
	each := 6 // occurrences of each call
	if soak() {
		each = 1 << 30
	}
	type fault struct {
		call, errno string
		when        int
	}
	var all []fault
	for _, name := range names {
		n := min(each, calls[name])
		for i := range n {
			// The first and the last are among them: opening and closing are delicate.
			when := 1
			if n > 1 {
				when = 1 + i*(calls[name]-1)/(n-1)
			}
			all = append(all, fault{name, faults[name][i%len(faults[name])], when})
		}
	}
	var mu sync.Mutex
	next, troubled, hung := 0, 0, 0
	var wait sync.WaitGroup
	for range 2 {
		wait.Go(func() {
			for {
				mu.Lock()
				if next == len(all) || t.Failed() {
					mu.Unlock()
					return
				}
				f := all[next]
				next++
				mu.Unlock()
				r := faultRun(t, strace, work, lines, f.call, f.when, f.errno)
				if r.injected != 1 {
					t.Errorf("%s %d: %d calls were failed, not 1", f.call, f.when, r.injected)
				}
				mu.Lock()
				switch {
				case r.hung:
					hung++
				case r.troubles > 0:
					troubled++
				}
				mu.Unlock()
			}
		})
	}
	wait.Wait()
	var counts []string
	for _, name := range names {
		counts = append(counts, fmt.Sprintf("%s %d", name, calls[name]))
	}
	t.Logf("a run makes these calls on the store's files: %s", strings.Join(counts, ", "))
	t.Logf("%d runs, each with one call failed: in %d the caller was told and tried again, in %d the store got over it, in %d it stayed locked and was killed; every promise held, and but for the last all %d lines are there",
		next, troubled, next-troubled-hung, hung, lines)
}

type faultResult struct {
	calls    map[string]int
	injected int
	troubles int
	hung     bool
}

// callLine is a line of strace: process, call, and whatever follows.
var callLine = regexp.MustCompile(`^\d+ +([a-z0-9_]+)\(`)

// faultRun lets a child work in a new folder and fails the call with the given number, if one
// is given.
func faultRun(t *testing.T, strace, work string, lines int, call string, when int, errno string) faultResult {
	t.Helper()
	parent, err := os.MkdirTemp(filepath.Dir(work), "run-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(parent)
	dir := filepath.Join(parent, "store")
	if err := os.Mkdir(dir, 0o700); err != nil { // so that strace sees all that happens in it
		t.Fatal(err)
	}
	trace := filepath.Join(parent, "trace")
	args := []string{"-f", "-qq", "-o", trace, "-e", "signal=none"}
	for _, p := range touchedPaths(t, work) {
		args = append(args, "-P", filepath.Join(dir, p))
	}
	args = append(args, "-e", "trace=%file,%desc,%memory")
	if call != "" {
		args = append(args, "-e", fmt.Sprintf("inject=%s:error=%s:when=%d", call, errno, when))
	}
	// A run takes a fifth of a second. If SQLite cannot give back a lock, which fcntl does not
	// refuse in practice, it stays locked until the process ends: each statement then fails
	// after ten seconds. That is allowed; the process is killed instead, and what it promised
	// must hold all the same. Any other call must not make it hang.
	mayHang := call == "fcntl"
	limit := 30 * time.Second
	if mayHang {
		limit = 3 * time.Second
	}
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	cmd := exec.CommandContext(ctx, strace, append(args, os.Args[0])...)
	// Strace, asked to end, ends its child with it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.Env = append(os.Environ(), childFolder+"="+dir, childWork+"="+work, childClients+"=1")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	promised := newPromises()
	promised.read(t, out, func() {})
	what := fmt.Sprintf("%s %d failed with %s", call, when, errno)
	err = cmd.Wait()
	hung := mayHang && ctx.Err() != nil
	if err != nil && !hung {
		t.Errorf("%s: the child ended with %v: %s%s", what, err, stderr.String(), promised.trouble)
	}
	// A line that was promised to wait is accepted without a further word.
	told := maps.Clone(promised.waiting)
	for hash := range promised.numbers {
		told[hash] = true
	}
	if !hung && (!promised.done || len(told) != lines) {
		t.Errorf("%s: the child is done: %v, with %d of %d lines promised, after %s", what, promised.done, len(told), lines, promised.trouble)
	}
	if n := promised.hold(t, dir); n != int64(lines) && !hung {
		t.Errorf("%s: %d lines are stored, not %d", what, n, lines)
	}
	if t.Failed() {
		t.Logf("%s; trouble: %s", what, promised.trouble)
	}
	r := faultResult{calls: map[string]int{}, troubles: len(promised.trouble), hung: hung}
	file, err := os.Open(trace)
	if err != nil {
		t.Fatal(err)
	}
	in := bufio.NewScanner(file)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		if m := callLine.FindStringSubmatch(in.Text()); m != nil {
			r.calls[m[1]]++
		}
		if strings.Contains(in.Text(), "(INJECTED)") {
			r.injected++
		}
	}
	if err := errors.Join(in.Err(), file.Close()); err != nil {
		t.Fatal(err)
	}
	return r
}

// touchedPaths are all files and folders that a run of the work touches, within the store's
// folder.
func touchedPaths(t *testing.T, work string) []string {
	t.Helper()
	paths := []string{".", DatabaseName, DatabaseName + "-wal", DatabaseName + "-shm", DatabaseName + "-journal", lockName, lockName + "-journal", givenName,
		AttachmentsName, AttachmentsName + "/new"}
	batches, err := readWork(work)
	if err != nil {
		t.Fatal(err)
	}
	for b := 0; b < len(batches); b += 5 {
		ref, _ := attachment(filepath.Base(work), b)
		digits := strings.TrimPrefix(string(ref.ID), "sha256:")
		paths = append(paths, fmt.Sprintf("%s/new/%d", AttachmentsName, b/5+1), AttachmentsName+"/"+digits[:2], AttachmentsName+"/"+digits[:2]+"/"+digits[2:])
	}
	return paths
}
