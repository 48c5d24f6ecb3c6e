//go:build !windows

package store

import (
	"errors"
	"os"
)

// SyncDir brings the names in a directory to the disk.
func SyncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(syncDir(d), d.Close())
}

func syncDir(d *os.File) error { return d.Sync() }
