package sqlite

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"meterwright/internal/store"
	"meterwright/record"
)

// The environment of a child: the folder of the store, the file with its work, and how many
// clients do it at once.
const (
	childFolder  = "MW_STORE_CHILD"
	childWork    = "MW_STORE_CHILD_WORK"
	childClients = "MW_STORE_CHILD_CLIENTS"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childFolder); dir != "" {
		if err := child(dir, os.Getenv(childWork), os.Getenv(childClients)); err != nil {
			fmt.Println("failed", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// child does the work in a file and says on standard output what it was promised:
//
//	ack HASH NUMBER     a line is accepted
//	wait HASH           a line waits
//	kept ID             an attachment is kept
//	gone ID             an attachment is erased
//	trouble TEXT        something failed; it is tried again. The text is "full" for a full disk
//	done                all work is done and the store is closed
//
// With one client, all system calls on the store's files are made by one thread, so that
// strace, which counts by thread, fails the one that it is told to.
func child(dir, work, clients string) error {
	runtime.LockOSThread()
	n, err := strconv.Atoi(clients)
	if err != nil {
		return err
	}
	batches, err := readWork(work)
	if err != nil {
		return err
	}
	var out sync.Mutex
	say := func(format string, args ...any) {
		out.Lock()
		defer out.Unlock()
		fmt.Printf(format+"\n", args...)
	}
	const tries = 4
	ctx := context.Background()
	var s *store.Store
	for try := 1; ; try++ {
		s, err = Open(ctx, dir, store.Options{Projector: projector{}, Follow: n > 1, Now: clock})
		if err == nil {
			break
		}
		say("trouble %q", err.Error())
		if try == tries {
			return err
		}
	}
	again := func(do func() error) {
		for range tries {
			err := do()
			if err == nil {
				return
			}
			if errors.Is(err, store.ErrFull) {
				say("trouble full")
			} else {
				say("trouble %q", err.Error())
			}
		}
	}
	client := func(c int) {
		for b := c; b < len(batches); b += n {
			again(func() error {
				receipts, err := s.Submit(ctx, batches[b])
				for _, r := range receipts {
					switch r.Status {
					case store.Accepted:
						say("ack %s %d", r.Hash, r.Number)
					case store.Waiting:
						say("wait %s", r.Hash)
					}
				}
				return err
			})
			if b%5 == 0 {
				ref, container := attachment(filepath.Base(work), b)
				again(func() error {
					_, err := s.PutAttachment(ctx, container)
					if err == nil {
						say("kept %s", ref.ID)
					}
					return err
				})
				if b%10 == 0 {
					again(func() error {
						err := s.EraseAttachment(ctx, ref.ID, "person-1", "test")
						if err == nil {
							say("gone %s", ref.ID)
						}
						return err
					})
				}
			}
			if b%7 == 0 {
				again(func() error { return s.CatchUp(ctx) })
			}
		}
	}
	if n == 1 {
		client(0)
	} else {
		var wait sync.WaitGroup
		for c := range n {
			wait.Go(func() { client(c) })
		}
		wait.Wait()
	}
	if err := s.Close(); err != nil {
		say("trouble %q", err.Error())
	}
	say("done")
	return nil
}

// attachment is the one that goes with a batch. It makes no use of testing.
func attachment(work string, batch int) (record.Reference, []byte) {
	text := fmt.Sprintf("attachment of batch %d of %s", batch, work)
	a := record.Attachment{Media: record.MediaText, Content: []byte(text)}
	copy(a.Salt[:], text)
	return a.Reference(), a.Container()
}

// A job is the work of one child: visits, of which batches come in no order, some twice.
func writeWork(t *testing.T, file string, visits [][][]byte, random func(n int) int) (lines int) {
	t.Helper()
	var batches [][][]byte
	for _, v := range visits {
		v = slices.Clone(v)
		lines += len(v)
		if i := random(len(v) - 1); i > 0 { // two neighbours exchanged, so that one may wait
			v[i], v[i+1] = v[i+1], v[i]
		}
		for len(v) > 0 {
			n := min(1+random(5), len(v))
			batches = append(batches, v[:n])
			if random(6) == 0 {
				batches = append(batches, v[:n])
			}
			v = v[n:]
		}
	}
	var b bytes.Buffer
	for _, batch := range batches {
		for _, line := range batch {
			b.Write(line)
			b.WriteByte('\n')
		}
		b.WriteByte('\n')
	}
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return lines
}

func readWork(file string) ([][][]byte, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var batches [][][]byte
	for _, batch := range bytes.Split(bytes.TrimSuffix(b, []byte("\n\n")), []byte("\n\n")) {
		batches = append(batches, bytes.Split(batch, []byte("\n")))
	}
	return batches, nil
}

// promises are what children were told, over all of their lives.
type promises struct {
	numbers map[string]int64 // by hash of an accepted line
	waiting map[string]bool
	kept    map[record.AttachmentID]bool
	gone    map[record.AttachmentID]bool
	trouble []string
	done    bool
}

func newPromises() *promises {
	return &promises{numbers: map[string]int64{}, waiting: map[string]bool{}, kept: map[record.AttachmentID]bool{}, gone: map[record.AttachmentID]bool{}}
}

// read takes in a child's output, whole lines only, and calls each after every promise.
func (p *promises) read(t *testing.T, out io.Reader, each func()) {
	t.Helper()
	for in := bufio.NewReader(out); ; {
		line, err := in.ReadString('\n')
		if err != nil {
			return // the end, perhaps within a line
		}
		words := strings.Fields(line)
		switch words[0] {
		case "ack":
			n, err := strconv.ParseInt(words[2], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			if before := p.numbers[words[1]]; before != 0 && before != n {
				t.Errorf("line %s was given the numbers %d and %d", words[1], before, n)
			}
			p.numbers[words[1]] = n
		case "wait":
			p.waiting[words[1]] = true
		case "kept":
			p.kept[record.AttachmentID(words[1])] = true
		case "gone":
			p.gone[record.AttachmentID(words[1])] = true
		case "trouble":
			p.trouble = append(p.trouble, line)
			continue
		case "done":
			p.done = true
			continue
		default:
			t.Errorf("a child said %q", line)
			continue
		}
		each()
	}
}

// hold opens the store and compares it with the promises. It returns how many lines it has.
func (p *promises) hold(t *testing.T, dir string) int64 {
	t.Helper()
	ctx := t.Context()
	waits := waitingIn(t, dir)
	s, err := Open(ctx, dir, store.Options{Projector: projector{}, Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	report, err := s.Audit(ctx) // numbers without gaps, every line once and in its place
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]int64{}
	for after := int64(0); after < report.Lines; {
		page, err := s.Accepted(ctx, after, 1000)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range page {
			if twice := there[l.Hash.String()]; twice != 0 {
				t.Errorf("line %s stands twice: %d and %d", l.Hash, twice, l.Number)
			}
			there[l.Hash.String()] = l.Number
			after = l.Number
		}
	}
	for hash, n := range p.numbers {
		if there[hash] != n {
			t.Errorf("line %s was promised with number %d and has %d", hash, n, there[hash])
		}
	}
	for hash := range p.waiting {
		if there[hash] == 0 && !waits[hash] {
			t.Errorf("line %s was promised to wait and is lost", hash)
		}
	}
	for id := range p.kept {
		if _, err := s.Attachment(ctx, id); err != nil && !strings.Contains(err.Error(), store.ErrErased.Error()) {
			t.Error(err)
		}
	}
	for id := range p.gone {
		if state, err := s.AttachmentState(ctx, id); err != nil || state.Erased.IsZero() {
			t.Errorf("attachment %s was erased and is %+v, %v", id, state, err)
		}
		digits := strings.TrimPrefix(string(id), "sha256:")
		if _, err := os.Stat(filepath.Join(dir, AttachmentsName, digits[:2], digits[2:])); !os.IsNotExist(err) {
			t.Errorf("the file of attachment %s was erased: %v", id, err)
		}
	}
	if err := s.CatchUp(ctx); err != nil {
		t.Fatal(err)
	}
	caughtUp := listing(t, s)
	if err := s.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if rebuilt := listing(t, s); rebuilt != caughtUp {
		t.Errorf("summaries differ after a rebuild:\n%s\n%s", caughtUp, rebuilt)
	}
	return report.Lines
}

// openRaw opens the database of a store that is closed, behind the store's back.
func openRaw(dir string) (*sql.DB, error) {
	return sql.Open("sqlite", dsn(filepath.Join(dir, DatabaseName)))
}

// waitingIn reads the hashes of waiting lines from the file itself.
func waitingIn(t *testing.T, dir string) map[string]bool {
	t.Helper()
	db, err := openRaw(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	waits := map[string]bool{}
	rows, err := db.Query(`SELECT lower(hex(hash)) FROM waiting`)
	if err != nil {
		if strings.Contains(err.Error(), "no such table") { // the process ended before there was one
			return waits
		}
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var hash string
		if err := rows.Scan(&hash); err != nil {
			t.Fatal(err)
		}
		waits[hash] = true
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return waits
}

func listing(t *testing.T, s *store.Store) string {
	t.Helper()
	var b strings.Builder
	for f := (store.Filter{}); ; {
		page, err := s.Visits(t.Context(), f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range page.Visits {
			fmt.Fprintf(&b, "%+v\n", m)
		}
		if f.After = page.Next; f.After == "" {
			return b.String()
		}
	}
}
