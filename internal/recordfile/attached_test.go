package recordfile_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"codeberg.org/go-pdf/fpdf"

	"meterwright/internal/recordfile"
)

// pdf makes a PDF with files attached.
func pdf(t testing.TB, files ...recordfile.Attached) []byte {
	t.Helper()
	p := fpdf.New("P", "mm", "A4", "")
	p.AddPage()
	var list []fpdf.Attachment
	for _, f := range files {
		list = append(list, fpdf.Attachment{Content: f.Content, Filename: f.Name})
	}
	p.SetAttachments(list)
	var b bytes.Buffer
	if err := p.Output(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

var some = []recordfile.Attached{
	{Name: "a (first).jsonl", Content: []byte("{\"one\":1}\n")},
	{Name: `Ω\2.jsonl`, Content: bytes.Repeat([]byte("a line that compresses well\n"), 4000)},
	// Words that look like an embedded file are not one.
	{Name: "words.txt", Content: []byte("1 0 obj << /Type /EmbeddedFile /Length 3 >> stream\nabc")},
}

func same(a, b recordfile.Attached) bool {
	return a.Name == b.Name && bytes.Equal(a.Content, b.Content)
}

func TestAttachedTo(t *testing.T) {
	for n := range len(some) + 1 {
		got, err := recordfile.AttachedTo(pdf(t, some[:n]...))
		if err != nil || !slices.EqualFunc(got, some[:n], same) {
			t.Errorf("%d attached: %d found, %v", n, len(got), err)
		}
	}
}

// TestAttachedRewritten: another program's way of writing the same PDF carries the same files.
func TestAttachedRewritten(t *testing.T) {
	qpdf, err := exec.LookPath("qpdf")
	if err != nil {
		t.Fatal("qpdf is needed: sh scripts/need.sh")
	}
	for _, how := range [][]string{{"--object-streams=generate"}, {"--qdf"}, {"--stream-data=uncompress"}, {"--linearize"}} {
		in, out := filepath.Join(t.TempDir(), "in.pdf"), filepath.Join(t.TempDir(), "out.pdf")
		if err := os.WriteFile(in, pdf(t, some[:2]...), 0o600); err != nil {
			t.Fatal(err)
		}
		if b, err := exec.Command(qpdf, append(how, in, out)...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, b)
		}
		b, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		got, err := recordfile.AttachedTo(b)
		if err != nil || len(got) != 2 {
			t.Fatalf("%s: %d files, %v", how, len(got), err)
		}
		for _, want := range some[:2] {
			if !slices.ContainsFunc(got, func(g recordfile.Attached) bool { return bytes.Equal(g.Content, want.Content) }) {
				t.Errorf("%s: %s is not found", how, want.Name)
			}
		}
	}
}

// TestAttachedHostile: files made to break a reader give an error or nothing.
func TestAttachedHostile(t *testing.T) {
	trailer := func(root string) []byte {
		head := "%PDF-1.4\n"
		return fmt.Appendf(nil, "%sxref\n0 1\n0000000000 65535 f \ntrailer\n<< /Size 9 /Root %s >>\nstartxref\n%d\n%%%%EOF\n", head, root, len(head))
	}
	for name, b := range map[string][]byte{
		"nothing":      []byte("%PDF-"),
		"deep array":   trailer(strings.Repeat("[", 20<<20)),
		"deep mapping": trailer(strings.Repeat("<</Names", 5<<20)),
		"refers back":  trailer("<< /Names << /EmbeddedFiles << /Kids [1 0 R 1 0 R] >> >> >>"),
		"cut":          pdf(t, some...)[:900],
	} {
		if list, _ := recordfile.AttachedTo(b); len(list) > 0 {
			t.Errorf("%s: %d files", name, len(list))
		}
	}
}

// FuzzAttachedTo asks that nothing written by anybody breaks it, and that it keeps to its bounds.
func FuzzAttachedTo(f *testing.F) {
	f.Add(pdf(f, some...))
	f.Add(pdf(f))
	f.Add([]byte("1 0 obj << /Type /EmbeddedFile /Length 3 >> stream\nabc"))
	f.Add([]byte("1 0 obj << /Type /EmbeddedFile /Length 9999999999 >> stream\nabc"))
	f.Add([]byte("1 0 obj << /Type /EmbeddedFile /Filter /LZWDecode >> stream\nabc /EF << /F 1 0 R >> /UF <FEFF0>"))
	f.Fuzz(func(t *testing.T, b []byte) {
		list, err := recordfile.AttachedTo(b)
		if err != nil && list != nil {
			t.Error("files and an error")
		}
		for _, a := range list {
			if len(a.Content) > recordfile.MaxAttached {
				t.Error("too large")
			}
		}
	})
}
