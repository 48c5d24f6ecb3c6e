package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"meterwright/internal/private"
	"meterwright/record"
)

// A folder keeps files by hash: "ab/cdef…", written under "new/" first. A file that has its
// name is whole and on the disk.
type folder struct {
	root  *os.Root
	count atomic.Uint64
}

const newFiles = "new"

// prepare removes what an earlier process left half written.
func (f *folder) prepare() error {
	if err := f.root.RemoveAll(newFiles); err != nil {
		return fmt.Errorf("attachments: remove half-written files in %s: %w", f.at(newFiles), err)
	}
	if err := f.root.Mkdir(newFiles, 0o700); err != nil {
		return fmt.Errorf("attachments: make %s: %w", f.at(newFiles), err)
	}
	return nil
}

// at is a name as a person finds it.
func (f *folder) at(name string) string { return path.Join(f.root.Name(), name) }

// fileOf is the place of an attachment. The id has been checked.
func fileOf(id record.AttachmentID) (dir, name string) {
	digits := string(id[len("sha256:"):])
	return digits[:2], path.Join(digits[:2], digits[2:])
}

// write puts content on the disk under a passing name.
func (f *folder) write(content []byte) (temporary string, err error) {
	temporary = path.Join(newFiles, strconv.FormatUint(f.count.Add(1), 10))
	file, err := f.root.OpenFile(temporary, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return "", err
	}
	_, err = file.Write(content)
	if err == nil {
		err = file.Sync()
	}
	if err := errors.Join(err, file.Close()); err != nil {
		return "", errors.Join(err, f.root.Remove(temporary))
	}
	return temporary, nil
}

// name gives a written file its name for good.
func (f *folder) name(temporary string, id record.AttachmentID) error {
	dir, name := fileOf(id)
	switch err := f.root.Mkdir(dir, 0o700); {
	case err == nil:
		if err := f.sync("."); err != nil {
			return err
		}
	case !errors.Is(err, fs.ErrExist):
		return err
	}
	if err := f.root.Rename(temporary, name); err != nil {
		return err
	}
	return f.sync(dir)
}

// remove removes an attachment's file, durably, if it is there.
func (f *folder) remove(id record.AttachmentID) error {
	dir, name := fileOf(id)
	if err := f.root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := f.sync(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// each gives the id of every file that is older than a time.
func (f *folder) each(before time.Time, do func(record.AttachmentID) error) error {
	return fs.WalkDir(f.root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if name == newFiles {
				return fs.SkipDir
			}
			return err
		}
		id := record.AttachmentID("sha256:" + strings.ReplaceAll(name, "/", ""))
		if _, err := record.ParseReference(record.Reference{ID: id, Media: record.MediaText}.JSON()); err != nil {
			return nil // It is none of ours.
		}
		info, err := d.Info()
		if err != nil || !info.ModTime().Before(before) {
			return err
		}
		return do(id)
	})
}

func (f *folder) read(id record.AttachmentID) ([]byte, error) {
	_, name := fileOf(id)
	return f.root.ReadFile(name)
}

// sync brings the names in a directory to the disk.
func (f *folder) sync(dir string) error {
	d, err := f.root.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(private.SyncOpen(d), d.Close())
}
