package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
)

// opened makes a store with one visit, closes it, and returns its folder.
func opened(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "a folder? with #1 & 100% odd name")
	s, err := Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Submit(t.Context(), chains.Whole(t, chains.Visit(1), "one", 5)); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// refuses checks that the store does not open, with the error given and words of advice.
func refuses(t *testing.T, dir string, is error, words ...string) {
	t.Helper()
	s, err := Open(t.Context(), dir, store.Options{})
	if err == nil {
		t.Fatal(errors.Join(errors.New("it opens"), s.Close()))
	}
	if is != nil && !errors.Is(err, is) {
		t.Errorf("%v is not %v", err, is)
	}
	for _, w := range append(words, dir) {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%v does not say %q", err, w)
		}
	}
}

func execute(t *testing.T, dir, statement string) {
	t.Helper()
	db, err := openRaw(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(statement); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestOddFolderName(t *testing.T) {
	dir := opened(t)
	if _, err := os.Stat(filepath.Join(dir, DatabaseName)); err != nil {
		t.Error(err)
	}
}

func TestFolderNotWritable(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	refuses(t, file, nil, "the folder cannot be made", "right to write")
	refuses(t, filepath.Join(file, "below"), nil, "the folder cannot be made", "right to write")
}

func TestLockedInThisProcess(t *testing.T) {
	dir := opened(t)
	s, err := Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	refuses(t, dir, store.ErrLocked, "one process at a time")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(t.Context(), dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestLockedByAnotherProcess leaves a child in the middle of its work: its output is not read,
// and is more than a pipe holds.
func TestLockedByAnotherProcess(t *testing.T) {
	dir := opened(t)
	work := filepath.Join(t.TempDir(), "work")
	lines := chains.Whole(t, chains.Visit(2), "one", 20)
	var b bytes.Buffer
	for range 2000 {
		b.Write(append(bytes.Join(lines, []byte("\n")), "\n\n"...))
	}
	if err := os.WriteFile(work, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childFolder+"="+dir, childWork+"="+work, childClients+"=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(out, make([]byte, 1)); err != nil { // it has the store
		t.Fatal(err)
	}
	refuses(t, dir, store.ErrLocked, "stop the other one")
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err == nil {
		t.Error("the child was not killed")
	}
	// The lock ends with the process: nothing has to be tidied up.
	s, err := Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestNewerEdition(t *testing.T) {
	dir := opened(t)
	execute(t, dir, `INSERT INTO editions (version_id, is_applied) VALUES (99, TRUE)`)
	refuses(t, dir, store.ErrNewer, "edition 99", "use the newer program")
}

func TestOtherDatabase(t *testing.T) {
	dir := t.TempDir()
	execute(t, dir, `CREATE TABLE recipes (name TEXT)`)
	refuses(t, dir, store.ErrDamaged, "another program", "give another folder")
}

// TestDamagedFile spoils the database in several ways. Open, or what is done next, says so.
func TestDamagedFile(t *testing.T) {
	whole := opened(t)
	pages, err := os.ReadFile(filepath.Join(whole, DatabaseName))
	if err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func([]byte) []byte{
		"text":         func(b []byte) []byte { return []byte(strings.Repeat("this is no database. ", 500)) },
		"header":       func(b []byte) []byte { return append([]byte("spoiled spoiled!"), b[16:]...) },
		"cut":          func(b []byte) []byte { return b[:len(b)/2] },
		"second page":  func(b []byte) []byte { return overwrite(b, 4096) },
		"all the rest": func(b []byte) []byte { return overwrite(b, 4096, 8192, 12288, 16384, 20480, 24576, 28672, 32768) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, DatabaseName), spoil(bytes.Clone(pages)), 0o600); err != nil {
				t.Fatal(err)
			}
			s, err := Open(t.Context(), dir, store.Options{})
			if err == nil {
				_, err = s.Audit(t.Context())
				if err := s.Close(); err != nil {
					t.Error(err)
				}
			}
			if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "backup") {
				t.Errorf("%v", err)
			}
		})
	}
}

func overwrite(b []byte, from ...int) []byte {
	for _, at := range from {
		copy(b[at:], bytes.Repeat([]byte{0xa5}, 512))
	}
	return b
}

// TestAuditFinds alters the tables behind the store's back, one thing at a time.
func TestAuditFinds(t *testing.T) {
	for _, c := range []struct{ statement, says string }{
		{`DELETE FROM lines WHERE accepted = 3`, "acceptance number 3 is missing"},
		{`DELETE FROM lines WHERE accepted = 5`, "the last lines are missing"},
		{`UPDATE lines SET line = replace(line, 'person-7', 'person-8') WHERE accepted = 2`, "do not have its hash"},
		{`UPDATE lines SET hash = zeroblob(32) WHERE accepted = 2`, "do not have its hash"},
		{`UPDATE lines SET seq = 9 WHERE accepted = 5`, "lines up to"},
		{`UPDATE lines SET version = 1 WHERE accepted = 5`, "lines up to"},
		{`UPDATE versions SET head = zeroblob(32)`, "lines up to"},
		{`UPDATE versions SET next_seq = 6`, "lines up to"},
		{`UPDATE versions SET ended = FALSE`, "lines up to"},
		{`UPDATE chains SET visit = '019ab3f0-0000-7a10-8b20-000000000002'`, "wrong place"},
		{`UPDATE office SET last_accepted = 6`, "the last lines are missing"},
		{`INSERT INTO waiting SELECT c.visit, c.device_key, l.seq, l.hash, 0, l.line FROM lines l JOIN chains c ON c.chain = l.chain WHERE l.seq = 2`, "wait that need not"},
	} {
		dir := opened(t)
		execute(t, dir, c.statement)
		s, err := Open(t.Context(), dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Audit(t.Context()); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.statement, err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestRebuildMends spoils the summaries in every column, and a rebuild makes them what they
// were.
func TestRebuildMends(t *testing.T) {
	dir := t.TempDir()
	ctx := t.Context()
	opts := store.Options{Projector: projector{}, Now: clock}
	open := func() *store.Store {
		s, err := Open(ctx, dir, opts)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := open()
	for v := range 3 {
		if _, err := s.Submit(ctx, chains.Whole(t, chains.Visit(v), "one", 4)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.CatchUp(ctx); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before := dump(t, dir)
	execute(t, dir, `UPDATE summaries SET through = through + 5, nature = 'x', job = 'x', address = 'x', method = 'x', state = 'x', stop = 'x', supply_off_since = 1,
		person = 'x', opened = 1, opened_offset = 1, day = 'x', last = 1, last_offset = 1, outcome = 'x', discrepancies = 1, lines = 0, chains = 0, forks = 9, details = 'x'
		WHERE visit > '019ab3f0-0000-7a10-8b20-000000000000'`)
	execute(t, dir, `INSERT INTO summaries SELECT 'nothing', through, nature, job, address, method, state, stop, supply_off_since, person, opened, opened_offset, day, last, last_offset, outcome, discrepancies, lines, chains, forks, details FROM summaries LIMIT 1`)
	execute(t, dir, `DELETE FROM summaries WHERE visit = '019ab3f0-0000-7a10-8b20-000000000000'`)
	execute(t, dir, `INSERT INTO needs VALUES ('nothing', 'x', TRUE, 1, 0)`)
	execute(t, dir, `UPDATE needs SET need = 'x', danger = TRUE`)
	s = open()
	if err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if after := dump(t, dir); after != before {
		t.Errorf("the table was\n%s and is\n%s", before, after)
	}
}

// TestTakenStays: what was taken can be neither changed nor removed.
func TestTakenStays(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.PutPerson(t.Context(), "p-1", "One"), s.Close()); err != nil {
		t.Fatal(err)
	}
	db, err := openRaw(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(`INSERT INTO taken (number, visit, need, what, person, words, at) VALUES (1, 'v', 'n', '{}', 'p-1', 'rung', 1)`); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{`UPDATE taken SET person = 'p-2'`, `DELETE FROM taken`} {
		if _, err := db.Exec(text); err == nil {
			t.Errorf("%s is done", text)
		}
	}
}

// dump writes the summaries with what each visit needs, every column.
func dump(t *testing.T, dir string) string {
	t.Helper()
	db, err := openRaw(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query(`SELECT * FROM summaries s FULL JOIN needs n ON n.visit = s.visit ORDER BY s.visit, n.visit, n.need`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	values, pointers := make([]any, len(names)), make([]any, len(names))
	for i := range values {
		pointers[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(pointers...); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&b, values...)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestAttachmentFileDamaged: a file that is altered or lost is never given, and cured by the
// next device that has it. A file that should have been removed is removed on opening.
func TestAttachmentFileDamaged(t *testing.T) {
	dir := t.TempDir()
	ctx := t.Context()
	s, err := Open(ctx, dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ref, container := chains.Container(t, "content")
	digits := strings.TrimPrefix(string(ref.ID), "sha256:")
	file := filepath.Join(dir, AttachmentsName, digits[:2], digits[2:])
	for name, spoil := range map[string]func() error{
		"lost": func() error { return os.Remove(file) },
		"cut":  func() error { return os.Truncate(file, 20) },
		"altered": func() error {
			return os.WriteFile(file, bytes.Replace(container, []byte("content"), []byte("contend"), 1), 0o600)
		},
	} {
		if _, err := s.PutAttachment(ctx, container); err != nil {
			t.Fatal(err)
		}
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		if _, err := s.Attachment(ctx, ref.ID); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "backup") {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := s.PutAttachment(ctx, container); err != nil {
			t.Fatal(err)
		}
		if got, err := s.Attachment(ctx, ref.ID); err != nil || !bytes.Equal(got, container) {
			t.Errorf("%s, put again: %v", name, err)
		}
	}
	if err := s.EraseAttachment(ctx, ref.ID, "person-1", "test"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// As if the process had ended between tombstone and removal, and within a write.
	left := filepath.Join(dir, AttachmentsName, "new", "7")
	for _, name := range []string{file, left} {
		if err := os.WriteFile(name, container, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	execute(t, dir, `UPDATE attachments SET removed = FALSE`)
	if s, err = Open(ctx, dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{file, left} {
		if _, err := os.Stat(name); !os.IsNotExist(err) {
			t.Errorf("%s is still there: %v", name, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestRecentEnough(t *testing.T) {
	for version, good := range map[string]bool{"3.51.3": true, "3.51.10": true, "3.52.0": true, "4.0.0": true, "3.51.2": false, "3.50.9": false, "2.99.99": false, "3.51": false, "x": false} {
		if err := recentEnough(version); (err == nil) != good {
			t.Errorf("%s: %v", version, err)
		}
	}
}

// TestSettingsChecked: a database whose settings cannot be had is refused. In memory there is no
// write-ahead log.
func TestSettingsChecked(t *testing.T) {
	db, err := sql.Open("sqlite", "file::memory:?_synchronous=FULL")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := bring(context.Background(), db); err == nil || !strings.Contains(err.Error(), "local disk") {
		t.Errorf("%v", err)
	}
}
