package sqlite

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"meterwright/internal/private"
	"meterwright/internal/store"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

// TestLostLines: a database that lost its last lines opens, says so at once, and the audit says so
// until they are back.
func TestLostLines(t *testing.T) {
	for name, lose := range map[string]func(t *testing.T, dir string, early []byte){
		"rows gone": func(t *testing.T, dir string, _ []byte) { execute(t, dir, `DELETE FROM lines WHERE accepted > 3`) },
		"an old copy": func(t *testing.T, dir string, early []byte) {
			if err := os.WriteFile(filepath.Join(dir, DatabaseName), early, 0o600); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			lines := chains.Whole(t, chains.Visit(1), "one", 5)
			var told []error
			opts := store.Options{Failed: func(err error) { told = append(told, err) }}
			submit := func(lines [][]byte) {
				s, err := Open(t.Context(), dir, opts)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := s.Submit(t.Context(), lines); err != nil {
					t.Fatal(err)
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
			}
			submit(lines[:3])
			early, err := os.ReadFile(filepath.Join(dir, DatabaseName))
			if err != nil {
				t.Fatal(err)
			}
			submit(lines)
			if len(told) > 0 {
				t.Fatalf("a whole database: %v", told)
			}
			lose(t, dir, early)
			s, err := Open(t.Context(), dir, opts)
			if err != nil {
				t.Fatal(err)
			}
			_, audit := s.Audit(t.Context())
			for _, err := range append(append(told, audit), s.Concerns()...) {
				if lost, ok := errors.AsType[*store.Lost](err); !ok || *lost != (store.Lost{Given: 5, Last: 3}) || !errors.Is(err, store.ErrDamaged) {
					t.Errorf("%v", err)
				}
			}
			if len(told) != 1 || len(s.Concerns()) != 1 {
				t.Errorf("told %v, concerns %v", told, s.Concerns())
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if name == "rows gone" {
				return
			}
			submit(lines) // a device hands in again what it holds
			told = nil
			submit(nil)
			if len(told) > 0 {
				t.Errorf("the lines are back: %v", told)
			}
		})
	}
}

// TestOthersAreKeptOut: what is kept is its owner's alone whatever the umask and the folder, also
// where an earlier run left it open; a folder that others can write in is said.
func TestOthersAreKeptOut(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	for round := range 2 {
		s, err := Open(t.Context(), dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Submit(t.Context(), chains.Whole(t, chains.Visit(round), "one", 3)); err != nil {
			t.Fatal(err)
		}
		_, container := chains.Container(t, fmt.Sprint("content ", round))
		if _, err := s.PutAttachment(t.Context(), container); err != nil {
			t.Fatal(err)
		}
		seen := 0
		err = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
			if err != nil || path == dir || filepath.Dir(filepath.Dir(path)) == filepath.Join(dir, AttachmentsName) {
				return err // what is within a closed folder is closed
			}
			info, err := d.Info()
			seen++
			if err == nil && info.Mode().Perm()&0o077 != 0 {
				t.Errorf("round %d: %s has mode %v", round, d.Name(), info.Mode())
			}
			return err
		})
		if err != nil || seen < 6 { // database, log, index of the log, lock, note, attachments
			t.Errorf("%d files and folders were looked at, %v", seen, err)
		}
		if c := s.Concerns(); len(c) != 1 || !errors.Is(c[0], private.ErrOpen) {
			t.Errorf("round %d: of a folder that all can write in it says %v", round, c)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{DatabaseName, lockName, givenName, AttachmentsName} {
			if err := os.Chmod(filepath.Join(dir, name), 0o755); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), dir, store.Options{})
	if err != nil || len(s.Concerns()) != 0 {
		t.Fatalf("a closed folder: %v, %v", s.Concerns(), err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestFullDatabase: a real answer of SQLite that there is no room is told as that.
func TestFullDatabase(t *testing.T) {
	dir := opened(t)
	db, err := openRaw(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`PRAGMA max_page_count = 1`); err != nil {
		t.Fatal(err)
	}
	_, err = db.Exec(`CREATE TABLE more AS SELECT zeroblob(1000000)`)
	if err == nil || !errors.Is(explainer(filepath.Join(dir, DatabaseName))(err), store.ErrFull) {
		t.Errorf("%v", err)
	}
}

// TestUnnamedAttachments: an attachment that no line names goes after a while; one that a line
// names stays, in whatever order the two came, and so does one that was erased.
func TestUnnamedAttachments(t *testing.T) {
	dir, now := t.TempDir(), clock()
	s, err := Open(t.Context(), dir, store.Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	refs := map[string]record.Reference{}
	put := func(name string) {
		ref, container := chains.Container(t, name)
		if refs[name], err = s.PutAttachment(t.Context(), container); err != nil || refs[name] != ref {
			t.Fatal(err)
		}
	}
	file := func(name string) string {
		ref, _ := chains.Container(t, name)
		digits := string(ref.ID)[len("sha256:"):]
		return filepath.Join(dir, AttachmentsName, digits[:2], digits[2:])
	}
	names := func(name string) string {
		ref, _ := chains.Container(t, name)
		return fmt.Sprintf(`{"a":[{"photograph":%s}]}`, ref.JSON())
	}
	d := chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().
		Add("noted", names("first the line")).Add("noted", names("first the attachment")).
		Observe(1, "").Add("noted", names("by a line that waits")).
		Add("noted", fmt.Sprintf(`{"words":%q}`, names("in words only")))
	submit := func(lines ...[]byte) {
		if _, err := s.Submit(t.Context(), lines); err != nil {
			t.Fatal(err)
		}
	}
	submit(d.Lines[:2]...)
	for _, name := range []string{"first the line", "first the attachment", "by a line that waits", "in words only", "never", "erased", "a lost row"} {
		put(name)
	}
	submit(d.Lines[2], d.Lines[4])
	if err := s.EraseAttachment(t.Context(), refs["erased"].ID, "person-1", "test"); err != nil {
		t.Fatal(err)
	}
	// As if the process had ended between the name of the file and the row.
	execute(t, dir, fmt.Sprintf(`DELETE FROM attachments WHERE id = '%s'`, refs["a lost row"].ID))
	if err := os.Chtimes(file("a lost row"), now, now); err != nil {
		t.Fatal(err)
	}
	remove := func(want int) {
		t.Helper()
		if n, err := s.RemoveUnnamed(t.Context()); n != want || err != nil {
			t.Errorf("%d are removed, not %d: %v", n, want, err)
		}
	}
	now = now.Add(store.KeepUnnamed)
	remove(0)
	put("young")
	now = now.Add(time.Second)
	if got, err := s.Audit(t.Context()); err != nil || got.Unnamed != 4 { // with the young one
		t.Errorf("%+v, %v", got, err)
	}
	remove(3)
	remove(0)
	submit(d.Lines[3:]...)
	for name, there := range map[string]bool{"first the line": true, "first the attachment": true, "by a line that waits": true, "young": true, "in words only": false, "never": false, "a lost row": false} {
		_, err := s.Attachment(t.Context(), refs[name].ID)
		if there != (err == nil) || !there && !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := os.Stat(file(name)); there == os.IsNotExist(err) {
			t.Errorf("the file of %s: %v", name, err)
		}
	}
	if _, err := s.Attachment(t.Context(), refs["erased"].ID); !errors.Is(err, store.ErrErased) {
		t.Errorf("a tombstone: %v", err)
	}
	put("never") // it was not erased
}
