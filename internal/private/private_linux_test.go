package private

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"meterwright/internal/test/syscalls"
)

// The environment of a child: the folder that it makes with a file in it, or the file that it closes.
const (
	childFolder = "MW_TEST_PRIVATE"
	childFile   = "MW_TEST_PRIVATE_CLOSE"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childFolder); dir != "" {
		if err := errors.Join(Folder(filepath.Join(dir, "folder")), Write(filepath.Join(dir, "folder", "file"), []byte("content"))); err != nil {
			_, _ = os.Stderr.WriteString(err.Error())
			os.Exit(1)
		}
		os.Exit(0)
	}
	if file := os.Getenv(childFile); file != "" {
		if err := Close(file); errors.Is(err, ErrOpen) {
			_, _ = os.Stdout.WriteString("open")
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// TestWriteIsOnTheDisk watches the calls: the folder's name is synced, then the file, before it has
// its name, and then the name.
func TestWriteIsOnTheDisk(t *testing.T) {
	dir := t.TempDir()
	var got []string
	for _, c := range syscalls.Writing(t, dir, childFolder+"="+dir) {
		if strings.Contains(c, "folder") || c == "fsync ." {
			// The passing name ends in digits of no meaning.
			words := strings.Fields(c)
			for i, w := range words {
				if strings.HasPrefix(w, "folder/file.new-") {
					words[i] = "folder/new"
				}
			}
			got = append(got, strings.Join(words, " "))
		}
	}
	if want := []string{"fsync .", "write folder/new", "fsync folder/new", "linkat folder/new folder/file", "unlinkat folder/new", "fsync folder"}; !slices.Equal(got, want) {
		t.Errorf("calls %q, want %q", got, want)
	}
}

func TestWriteOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := Write(path, []byte("first")); err != nil {
		t.Fatal(err)
	}
	if err := Write(path, []byte("second")); !errors.Is(err, fs.ErrExist) {
		t.Errorf("written over: %v", err)
	}
	b, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(b, []byte("first")) {
		t.Errorf("%q, %v", b, err)
	}
	all, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(all) != 1 {
		t.Errorf("there are %v, %v", all, err)
	}
	if err := Write(filepath.Join(path, "below"), nil); err == nil {
		t.Error("a file was written below a file")
	}
}

func TestClose(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "file")
	if err := Close(path); err != nil {
		t.Errorf("what is not there: %v", err)
	}
	if err := Write(path, nil); err != nil {
		t.Fatal(err)
	}
	for _, mode := range []fs.FileMode{0o600, 0o604, 0o640, 0o620, 0o602, 0o610, 0o777, 0o444} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if err := Close(path); err != nil {
			t.Error(err)
		}
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != mode&0o700 {
			t.Errorf("%v became %v, %v", mode, info.Mode(), err)
		}
	}
	for mode, shared := range map[fs.FileMode]bool{0o700: false, 0o755: false, 0o770: true, 0o702: true, 0o1777: true} {
		if err := syscall.Chmod(dir, uint32(mode)); err != nil {
			t.Fatal(err)
		}
		if err := Shared(dir); errors.Is(err, ErrOpen) != shared || !shared && err != nil {
			t.Errorf("a folder of mode %v: %v", mode, err)
		}
	}
	// Where the system does not allow it, or says yes and does nothing.
	for _, answer := range []string{"error=EPERM", "retval=0"} {
		if err := os.Chmod(path, 0o644); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(syscalls.Find(t), "-f", "-qq", "-o", filepath.Join(dir, "trace"), "-e", "signal=none", "-e", "inject=fchmodat,chmod:"+answer, os.Args[0])
		cmd.Env = append(os.Environ(), childFile+"="+path)
		if out, err := cmd.CombinedOutput(); err != nil || string(out) != "open" {
			t.Errorf("%s: %q, %v", answer, out, err)
		}
	}
}

func TestNoRoom(t *testing.T) {
	for err, want := range map[error]bool{syscall.ENOSPC: true, syscall.EDQUOT: true, syscall.EIO: false, nil: false} {
		if got := NoRoom(&fs.PathError{Op: "write", Err: err}); err != nil && got != want {
			t.Errorf("%v: %v", err, got)
		}
	}
	// The device that is always full (Linux, full(4)).
	f, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("this system has no device that is always full")
	}
	defer f.Close()
	if _, err := f.Write([]byte("x")); !NoRoom(err) {
		t.Errorf("%v", err)
	}
}
