package storetest

import (
	"bytes"
	"crypto/sha256"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"meterwright/internal/store"
	"meterwright/record"
)

// Container returns a text attachment with a fixed salt; a real one is random.
func Container(tb testing.TB, text string) (record.Reference, []byte) {
	tb.Helper()
	salt := sha256.Sum256([]byte("salt of " + text))
	a, err := record.NewAttachment(record.MediaText, []byte(text), bytes.NewReader(salt[:]))
	if err != nil {
		tb.Fatal(err)
	}
	return a.Reference(), a.Container()
}

func (h harness) attachments(t *testing.T) {
	dir := t.TempDir()
	s, err := h.open(t.Context(), dir, options())
	if err != nil {
		t.Fatal(err)
	}
	ref, container := Container(t, "A. Person, 4 Example Row (fictional)")
	for range 2 {
		if got, err := s.PutAttachment(t.Context(), container); err != nil || got != ref {
			t.Fatalf("%+v, %v", got, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = h.at(t, dir, options())
	if got, err := s.Attachment(t.Context(), ref.ID); err != nil || !bytes.Equal(got, container) {
		t.Errorf("%q, %v", got, err)
	}
	other, _ := Container(t, "another")
	if _, err := s.Attachment(t.Context(), other.ID); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown one: %v", err)
	}
	for _, bad := range [][]byte{nil, []byte("nonsense"), container[:len(container)-1], append(slices.Clone(container), 'x')} {
		if _, err := s.PutAttachment(t.Context(), bad); !errors.Is(err, record.ErrAttachment) {
			t.Errorf("%.20q is taken: %v", bad, err)
		}
	}
	for _, bad := range [][2]string{{"", "why"}, {"who", ""}} {
		if err := s.EraseAttachment(t.Context(), ref.ID, bad[0], bad[1]); err == nil {
			t.Errorf("erased by %q because of %q", bad[0], bad[1])
		}
	}
	if err := s.EraseAttachment(t.Context(), "sha256:../../office.db", "who", "why"); err == nil {
		t.Error("an id that is none was erased")
	}
	for _, why := range []string{"asked for by the person", "a second time"} {
		if err := s.EraseAttachment(t.Context(), ref.ID, "person-1", why); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Attachment(t.Context(), ref.ID); !errors.Is(err, store.ErrErased) || !strings.Contains(err.Error(), "asked for by the person") {
		t.Errorf("after erasure: %v", err)
	}
	if _, err := s.PutAttachment(t.Context(), container); !errors.Is(err, store.ErrErased) {
		t.Errorf("put again after erasure: %v", err)
	}
	state, err := s.AttachmentState(t.Context(), ref.ID)
	if err != nil || state.By != "person-1" || state.Why != "asked for by the person" || !state.Erased.Equal(Clock()) || state.Bytes != ref.Bytes {
		t.Errorf("tombstone %+v, %v", state, err)
	}
}

// someErased: erasing some of many leaves the others as they are.
func (h harness) someErased(t *testing.T) {
	s := h.fresh(t, options())
	var refs []record.Reference
	var containers [][]byte
	for i := range 40 { // several in one directory, with some luck
		ref, c := Container(t, fmt.Sprint("content ", i))
		if _, err := s.PutAttachment(t.Context(), c); err != nil {
			t.Fatal(err)
		}
		refs, containers = append(refs, ref), append(containers, c)
	}
	for i, ref := range refs {
		if i%3 == 0 {
			if err := s.EraseAttachment(t.Context(), ref.ID, "person-1", "test"); err != nil {
				t.Fatal(err)
			}
		}
	}
	for i, ref := range refs {
		got, err := s.Attachment(t.Context(), ref.ID)
		if i%3 == 0 != errors.Is(err, store.ErrErased) || i%3 != 0 && !bytes.Equal(got, containers[i]) {
			t.Errorf("%d: %q, %v", i, got, err)
		}
	}
}

func (h harness) eraseBefore(t *testing.T) {
	s := h.fresh(t, options())
	ref, container := Container(t, "late")
	if err := s.EraseAttachment(t.Context(), ref.ID, "person-1", "withdrawn before it came"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.PutAttachment(t.Context(), container); !errors.Is(err, store.ErrErased) {
		t.Errorf("it is taken: %v", err)
	}
}

func (h harness) people(t *testing.T) {
	s := h.fresh(t, options())
	ctx := t.Context()
	for _, p := range [][2]string{{"person-2", "B. Fictional"}, {"person-1", "A. Fictional"}, {"person-1", "A. Fictional-Example"}} {
		if err := s.PutPerson(ctx, p[0], p[1]); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.PutKey(ctx, Key("one"), "person-9", "phone"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a key of nobody: %v", err)
	}
	for _, k := range []struct{ key, person, device string }{{"one", "person-1", "phone"}, {"two", "person-1", "tablet"}, {"three", "person-2", "phone"}, {"one", "person-1", "old phone"}} {
		if err := s.PutKey(ctx, Key(k.key), k.person, k.device); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.PutKey(ctx, Key("one"), "person-2", "phone"); !errors.Is(err, store.ErrConflict) {
		t.Errorf("a key changes hands: %v", err)
	}
	if err := s.PutKey(ctx, record.Key{}, "person-2", "phone"); err == nil {
		t.Error("a key of small order is taken")
	}
	if err := s.WithdrawKey(ctx, Key("two")); err != nil {
		t.Fatal(err)
	}
	if err := s.PutKey(ctx, Key("two"), "person-1", "tablet"); !errors.Is(err, store.ErrConflict) {
		t.Errorf("a withdrawn key comes back: %v", err)
	}
	if err := s.WithdrawKey(ctx, Key("nobody")); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown key: %v", err)
	}
	if err := s.WithdrawPerson(ctx, "person-2"); err != nil {
		t.Fatal(err)
	}
	if err := s.PutKey(ctx, Key("four"), "person-2", "phone"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a withdrawn person gets a key: %v", err)
	}
	people, err := s.People(ctx)
	if w := []store.Person{{ID: "person-1", Name: "A. Fictional-Example", Added: Clock()}, {ID: "person-2", Name: "B. Fictional", Added: Clock(), Withdrawn: Clock()}}; err != nil || !slices.Equal(people, w) {
		t.Errorf("people %+v, %v", people, err)
	}
	one, err := s.Key(ctx, Key("one"))
	if w := (store.DeviceKey{Key: Key("one"), Person: "person-1", Device: "old phone", Added: Clock()}); err != nil || one != w {
		t.Errorf("key %+v, %v", one, err)
	}
	if _, err := s.Key(ctx, Key("nobody")); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown key: %v", err)
	}
	keys, err := s.Keys(ctx)
	if err != nil || len(keys) != 3 {
		t.Fatalf("keys %+v, %v", keys, err)
	}
	for _, k := range keys {
		if k.Withdrawn.IsZero() != (k.Key == Key("one")) {
			t.Errorf("key %+v", k)
		}
	}
}

func (h harness) jobs(t *testing.T) {
	s := h.fresh(t, options())
	ctx := t.Context()
	job := func(ref, body string) store.Job { return store.Job{Reference: ref, Body: jsontext.Value(body)} }
	steps := []struct {
		batch string
		jobs  []store.Job
		count store.ImportCount
	}{
		{"monday", []store.Job{job("J-2", `{"reading":"04127.6","n":1.50}`), job("J-1", `{"a":"x","b":{"d":1,"c":2}}`)}, store.ImportCount{New: 2}},
		{"again", []store.Job{job("J-2", `{"n": 1.50, "reading": "04127.6"}`), job("J-1", `{"b":{"c":2,"d":1},"a":"\u0078"}`)}, store.ImportCount{Same: 2}},
		{"tuesday", []store.Job{job("J-1", `{"a":"x","b":{"d":1,"c":2}}`), job("J-2", `{"reading":"04127.60","n":1.50}`), job("J-3", `{}`)}, store.ImportCount{New: 1, Changed: 1, Same: 1}},
		{"digits", []store.Job{job("J-2", `{"reading":"04127.60","n":1.5}`)}, store.ImportCount{Changed: 1}},
		{"nothing", nil, store.ImportCount{}},
	}
	for _, step := range steps {
		if got, err := s.ImportJobs(ctx, step.batch, step.jobs); err != nil || got != step.count {
			t.Errorf("%s: %+v, %v, want %+v", step.batch, got, err, step.count)
		}
	}
	for _, bad := range [][]store.Job{{job("J-8", `{}`), job("J-9", `[]`)}, {job("J-8", `{}`), job("", `{}`)}, {job("J-8", `{}`), job("J-8", `{"a":1}`)}, {job("J-8", `{"a":1,"a":2}`)}, {job("J-8", ``)}} {
		if _, err := s.ImportJobs(ctx, "bad", bad); err == nil || !strings.Contains(err.Error(), "row") {
			t.Errorf("%s is taken: %v", bad, err)
		}
	}
	got, err := s.Job(ctx, "J-2")
	if err != nil || string(got.Body) != `{"n":1.5,"reading":"04127.60"}` || got.Batch != "digits" || !got.Changed.Equal(Clock()) {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.Job(ctx, "J-8"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a job of a bad import is there: %v", err)
	}
	page, err := s.Jobs(ctx, "J-1", 1)
	if err != nil || len(page) != 1 || page[0].Reference != "J-2" {
		t.Errorf("%+v, %v", page, err)
	}
}
