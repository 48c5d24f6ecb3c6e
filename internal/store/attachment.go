package store

import (
	"context"
	"database/sql"
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

// An AttachmentState is what the store knows of an attachment without its content.
type AttachmentState struct {
	ID       record.AttachmentID
	Media    string
	Bytes    int64 // of the content
	Received time.Time
	// Erased is zero unless the attachment was erased. Then By and Why say by whom and why.
	Erased  time.Time
	By, Why string
}

// PutAttachment keeps a container, checked by its own hash, and returns its reference. When it
// returns without error the container is on the disk. The same container may be put any number
// of times. The error wraps ErrErased if it was erased: then it is not kept.
func (s *Store) PutAttachment(ctx context.Context, container []byte) (record.Reference, error) {
	a, err := record.ParseContainer(container)
	if err != nil {
		return record.Reference{}, fmt.Errorf("put attachment: %w", err)
	}
	ref := a.Reference()
	fail := func(err error) (record.Reference, error) {
		return record.Reference{}, s.while(err, "put attachment %s", ref.ID)
	}
	switch state, err := s.AttachmentState(ctx, ref.ID); {
	case err == nil && !state.Erased.IsZero():
		return fail(ErrErased)
	case err == nil:
		if kept, err := s.files.read(ref.ID); err == nil && string(kept) == string(container) {
			return ref, nil
		} // Else the file is missing or damaged, and this is the cure.
	case !errors.Is(err, ErrNotFound):
		return fail(err)
	}
	temporary, err := s.files.write(container)
	if err != nil {
		return fail(fmt.Errorf("write to %s: %w", s.files.root.Name(), err))
	}
	// The file gets its name within the transaction, so that an erasure comes either before,
	// and is seen here, or after, and finds the file.
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		err := exec(ctx, tx, `INSERT INTO attachments (id, media, bytes, received, erased, erased_by, erased_why, removed, named)
			VALUES ($1, $2, $3, $4, 0, '', '', FALSE, EXISTS (SELECT 1 FROM named WHERE id = $1)) ON CONFLICT (id) DO NOTHING`, string(ref.ID), ref.Media, ref.Bytes, micros(s.opts.Now()))
		if err != nil {
			return err
		}
		state, err := attachmentState(ctx, tx, ref.ID)
		if err != nil {
			return err
		}
		if !state.Erased.IsZero() {
			return ErrErased
		}
		return s.files.name(temporary, ref.ID)
	})
	if err != nil {
		// The file may have its name by now; without a row nothing leads to it, and a later
		// put, an erasure or RemoveUnnamed deals with it.
		if gone := s.files.root.Remove(temporary); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
		return fail(err)
	}
	return ref, nil
}

// Attachment returns the container, which fits its id: a file that does not is an error. The
// error wraps ErrNotFound or ErrErased where that is the case.
func (s *Store) Attachment(ctx context.Context, id record.AttachmentID) ([]byte, error) {
	fail := func(err error) ([]byte, error) { return nil, s.while(err, "attachment %s", id) }
	state, err := s.AttachmentState(ctx, id)
	if err != nil {
		return nil, err
	}
	if !state.Erased.IsZero() {
		return fail(fmt.Errorf("%w on %s by %s: %s", ErrErased, state.Erased.Format(time.DateOnly), state.By, state.Why))
	}
	container, err := s.files.read(id)
	if errors.Is(err, fs.ErrNotExist) {
		return fail(fmt.Errorf("its file is missing in %s: bring it back from a backup: %w", s.files.root.Name(), ErrDamaged))
	}
	if err != nil {
		return fail(err)
	}
	if _, err := (record.Reference{ID: id, Media: state.Media, Bytes: state.Bytes}).Open(container); err != nil {
		return fail(fmt.Errorf("its file in %s is altered: bring it back from a backup: %w: %w", s.files.root.Name(), ErrDamaged, err))
	}
	return container, nil
}

// AttachmentState tells about an attachment. The error wraps ErrNotFound if there is none.
func (s *Store) AttachmentState(ctx context.Context, id record.AttachmentID) (AttachmentState, error) {
	state, err := attachmentState(ctx, s.db.Read, id)
	return state, s.while(err, "attachment %.80q", string(id))
}

func attachmentState(ctx context.Context, q querier, id record.AttachmentID) (AttachmentState, error) {
	return first(collect(ctx, q, func(r *sql.Rows, a *AttachmentState) error {
		return r.Scan(&a.ID, &a.Media, &a.Bytes, when{&a.Received}, when{&a.Erased}, &a.By, &a.Why)
	}, `SELECT id, media, bytes, received, erased, erased_by, erased_why FROM attachments WHERE id = $1`, string(id)))
}

// EraseAttachment removes the content for good, with its salt, and leaves a tombstone that
// says who did it and why. An attachment that is not here yet can be erased too: it is not
// taken when it comes. Erasing again changes nothing, the tombstone included.
func (s *Store) EraseAttachment(ctx context.Context, id record.AttachmentID, who, why string) error {
	fail := func(err error) error { return s.while(err, "erase attachment %.80q", string(id)) }
	if _, err := record.ParseReference(record.Reference{ID: id, Media: record.MediaText}.JSON()); err != nil {
		return fail(err)
	}
	if who == "" || why == "" {
		return fail(errors.New("say who erases it and why"))
	}
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		now := micros(s.opts.Now())
		if err := exec(ctx, tx, `INSERT INTO attachments (id, media, bytes, received, erased, erased_by, erased_why, removed, named)
			VALUES ($1, '', 0, 0, 0, '', '', FALSE, FALSE) ON CONFLICT (id) DO NOTHING`, string(id)); err != nil {
			return err
		}
		return exec(ctx, tx, `UPDATE attachments SET erased = $1, erased_by = $2, erased_why = $3, removed = FALSE WHERE id = $4 AND erased = 0`, now, who, why, string(id))
	})
	if err != nil {
		return fail(err)
	}
	// From here on nobody is given the content; if the process ends, sweep goes on.
	return fail(s.removeErased(ctx, id))
}

// removeErased removes the file of a tombstone and notes that it is gone.
func (s *Store) removeErased(ctx context.Context, id record.AttachmentID) error {
	if err := s.files.remove(id); err != nil {
		return fmt.Errorf("remove its file from %s: %w", s.files.root.Name(), err)
	}
	return s.exec(ctx, `UPDATE attachments SET removed = TRUE WHERE id = $1 AND erased > 0`, string(id))
}

// sweep removes files that an earlier process had no time to remove.
func (s *Store) sweep(ctx context.Context) error {
	ids, err := collect(ctx, s.db.Read, only[record.AttachmentID], `SELECT id FROM attachments WHERE erased > 0 AND NOT removed`)
	for _, id := range ids {
		if err == nil {
			err = s.removeErased(ctx, id)
		}
	}
	return s.while(err, "finish erasing attachments")
}

// KeepUnnamed is for how long an attachment is kept that no line names: the line may come later
// than the attachment, or never.
const KeepUnnamed = 30 * 24 * time.Hour

// RemoveUnnamed removes attachments that no line names KeepUnnamed after they came, files that
// nothing leads to among them, and returns how many it removed. They are not erased: the same
// attachment is taken when it comes again.
func (s *Store) RemoveUnnamed(ctx context.Context) (int, error) {
	before := s.opts.Now().Add(-KeepUnnamed)
	ids, err := s.unnamed(ctx, before)
	removed := 0
	for _, id := range ids {
		if err != nil {
			break
		}
		// The file goes within the transaction, so that the same attachment comes either
		// before, and is named or young here, or after, and gets its file anew.
		err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
			err := exec(ctx, tx, `DELETE FROM attachments WHERE id = $1 AND NOT named AND erased = 0 AND received < $2`, string(id), micros(before))
			if err != nil {
				return err
			}
			if _, err := attachmentState(ctx, tx, id); !errors.Is(err, ErrNotFound) {
				return err
			}
			removed++
			return s.files.remove(id)
		})
	}
	return removed, s.while(err, "remove attachments that no line names")
}

// unnamed lists the attachments that came before a time and that no line names, and then the
// files as old that no row leads to.
func (s *Store) unnamed(ctx context.Context, before time.Time) ([]record.AttachmentID, error) {
	ids, err := collect(ctx, s.db.Read, only[record.AttachmentID], `SELECT id FROM attachments WHERE NOT named AND erased = 0 AND received < $1 ORDER BY id`, micros(before))
	if err != nil {
		return nil, err
	}
	err = s.files.each(before, func(id record.AttachmentID) error {
		_, err := attachmentState(ctx, s.db.Read, id)
		if errors.Is(err, ErrNotFound) {
			ids, err = append(ids, id), nil
		}
		return err
	})
	return ids, err
}

// A folder keeps files by hash: "ab/cdef…", written under "new/" first. A file that has its
// name is whole and on the disk.
type folder struct {
	root  *os.Root
	count atomic.Uint64
}

const newFiles = "new"

// prepare removes what an earlier process left half written.
func (f *folder) prepare() error {
	err := f.root.RemoveAll(newFiles)
	if err == nil {
		err = f.root.Mkdir(newFiles, 0o700)
	}
	if err != nil {
		return fmt.Errorf("attachments: make %s anew: %w", f.at(newFiles), err)
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
