package recordfile

import (
	"bytes"
	"crypto/rand"
	"os"
	"path/filepath"
	"testing"

	"meterwright/record"
)

func TestFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "visit.jsonl")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"one", "two"} {
		if err := f.Line([]byte(line)); err != nil {
			t.Fatal(err)
		}
	}
	a, err := record.NewAttachment(record.MediaText, []byte("a made-up note"), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	// Twice: the name is the hash of the content.
	for range 2 {
		if err := f.Attachment(a.Container(), a.Reference()); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "one\ntwo\n" {
		t.Errorf("%q, %v", b, err)
	}
	name := filepath.Join(AttachmentsOf(path), string(a.ID())[len("sha256:"):])
	kept, err := os.ReadFile(name)
	if err != nil || !bytes.Equal(kept, a.Container()) {
		t.Errorf("%q, %v", kept, err)
	}
	if _, err := a.Reference().Open(kept); err != nil {
		t.Error(err)
	}
	if _, err := Create(path); err == nil {
		t.Error("a record was overwritten")
	}
	if err := f.Line([]byte("three")); err == nil {
		t.Error("a closed file took a line")
	}
}

// TestALineIsNotChanged asks that the line feed is not written into the caller's memory.
func TestALineIsNotChanged(t *testing.T) {
	f, err := Create(filepath.Join(t.TempDir(), "visit.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	whole := []byte("one|two")
	if err := f.Line(whole[:3]); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if string(whole) != "one|two" {
		t.Errorf("%q", whole)
	}
}
