//go:build !windows

package private

import (
	"errors"
	"os"
	"syscall"
)

// SyncOpen brings the names in an open folder to the disk. A file system that has no such call
// is not at fault.
func SyncOpen(d *os.File) error {
	if err := d.Sync(); !errors.Is(err, syscall.EINVAL) {
		return err
	}
	return nil
}

// beyond are the bits of a mode that let others than the owner in.
func beyond(m os.FileMode) os.FileMode { return m.Perm() & 0o077 }
