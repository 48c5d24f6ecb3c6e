package recordfile

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"meterwright/internal/test/syscalls"
	"meterwright/record"
)

const childFolder = "MW_TEST_RECORDFILE"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childFolder); dir != "" {
		f, err := Create(filepath.Join(dir, "visit.jsonl"))
		if err == nil {
			a := record.Attachment{Media: record.MediaText, Content: []byte("a made-up note")}
			err = errors.Join(f.Line([]byte("one")), f.Attachment(a.Container(), a.Reference()), f.Line([]byte("two")), f.Close())
		}
		if err != nil {
			_, _ = os.Stderr.WriteString(err.Error())
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// TestEverythingIsOnTheDisk watches the calls: the record's name is synced, each line, and the
// attachment with its name before the line that names it.
func TestEverythingIsOnTheDisk(t *testing.T) {
	dir := t.TempDir()
	var got []string
	for _, c := range syscalls.Writing(t, dir, childFolder+"="+dir) {
		words := strings.Fields(c)
		for i, w := range words {
			if strings.HasPrefix(w, "visit.attachments/") { // names of hashes and of chance
				words[i] = "visit.attachments/FILE"
			}
		}
		if len(words) > 1 && (words[1] == "." || strings.HasPrefix(words[1], "visit")) {
			got = append(got, strings.Join(words, " "))
		}
	}
	want := []string{
		"fsync .", "write visit.jsonl", "fsync visit.jsonl",
		"fsync .", "write visit.attachments/FILE", "fsync visit.attachments/FILE", "linkat visit.attachments/FILE visit.attachments/FILE", "unlinkat visit.attachments/FILE", "fsync visit.attachments",
		"write visit.jsonl", "fsync visit.jsonl",
	}
	if !slices.Equal(got, want) {
		t.Errorf("calls\n%q, want\n%q", got, want)
	}
}
