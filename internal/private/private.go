// Package private keeps files that their owner alone may read, so that they are on the disk
// when a call returns.
package private

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// ErrOpen is wrapped where others can read or change what they should not, and that could not
// be mended.
var ErrOpen = errors.New("open to others")

// Folder makes a folder that is its owner's alone, and closes one that is there already.
func Folder(path string) error {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return err
	}
	return errors.Join(Close(path), Sync(filepath.Dir(path)))
}

// Close takes from everybody but the owner every right to a file or a folder. The error wraps
// ErrOpen where others keep a right. What is not there is not looked at.
func Close(path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if beyond(info.Mode()) == 0 {
		return nil
	}
	err = os.Chmod(path, info.Mode().Perm()&^0o077)
	if err == nil {
		// Some file systems take a mode and keep their own.
		if info, err = os.Stat(path); err == nil && beyond(info.Mode()) == 0 {
			return nil
		}
	}
	return errors.Join(fmt.Errorf("%s is %w: take the rights of group and others from it (chmod go-rwx), or keep it on another disk", path, ErrOpen), err)
}

// Shared says, as an error that wraps ErrOpen, that others may put files into a folder or take
// some away. The folder is left as it is: it may serve others too.
func Shared(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if beyond(info.Mode())&0o022 == 0 {
		return nil
	}
	return fmt.Errorf("the folder %s is %w: they can remove what is kept in it or put other files in its place; make it its owner's alone (chmod 700)", path, ErrOpen)
}

// Write makes a file with this content that was not there before, whole or not at all. The
// error wraps fs.ErrExist where it is there.
func Write(path string, content []byte) error {
	dir, name := filepath.Split(path)
	f, err := Temporary(dir, name+".new-*", content)
	if err != nil {
		return err
	}
	// A link, unlike a renaming, never takes the place of another file.
	err = os.Link(f, path)
	if gone := os.Remove(f); err != nil || gone != nil {
		return errors.Join(err, gone)
	}
	return Sync(filepath.Dir(path))
}

// Temporary makes a file with this content under a name of its own like the pattern, or none.
func Temporary(dir, pattern string, content []byte) (name string, err error) {
	f, err := os.CreateTemp(dir, pattern) // with mode 0600
	if err != nil {
		return "", err
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return "", errors.Join(err, os.Remove(f.Name()))
	}
	return f.Name(), nil
}

// NoRoom reports whether an error says that a disk, or what this user may have of it, is full.
func NoRoom(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// Sync brings the names in a folder to the disk.
func Sync(folder string) error {
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(SyncOpen(d), d.Close())
}
