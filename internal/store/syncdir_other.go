//go:build !windows

package store

import "os"

func syncDir(d *os.File) error { return d.Sync() }
