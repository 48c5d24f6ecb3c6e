package record

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/gowebpki/jcs"
)

// seeds gives every vector file to add.
func seeds(f *testing.F, add func([]byte)) {
	f.Helper()
	files, err := filepath.Glob(vectorDir + "/*.jsonl")
	if err != nil || len(files) < 50 {
		f.Fatalf("%d vectors as seeds, %v", len(files), err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		if len(data) < 8<<10 { // the long ones slow the search down
			add(data)
		}
	}
}

// FuzzDecode: a line that is accepted is what the event encodes to again, and what a library
// of others says is its RFC 8785 form.
func FuzzDecode(f *testing.F) {
	seeds(f, func(data []byte) {
		for line := range bytes.Lines(data) {
			f.Add(bytes.TrimSuffix(line, []byte("\n")))
		}
	})
	f.Fuzz(func(t *testing.T, line []byte) {
		e, err := Decode(line)
		if err != nil {
			if faultOf(t, err).Error() == "" {
				t.Error("a fault without words")
			}
			return
		}
		if again := reencode(e); !bytes.Equal(again, line) {
			t.Errorf("encodes again as\n%s, was\n%s", again, line)
		}
		if theirs, err := jcs.Transform(line); err != nil || !bytes.Equal(theirs, line) {
			t.Errorf("RFC 8785 form is\n%s, %v, was\n%s", theirs, err, line)
		}
		if e.signed != sum(unsealed(line)) || e.Hash != sum(line) {
			t.Error("a hash is wrong")
		}
		if _, _, err := (Chain{}).Accept(line); err == nil && e.CheckSignature() != nil {
			t.Error("a line was accepted whose signature does not fit")
		}
	})
}

// FuzzVerify: whatever is read, verdict and error agree, and what is called genuine can be
// resumed if it is one chain.
func FuzzVerify(f *testing.F) {
	var first []byte
	seeds(f, func(data []byte) {
		if first == nil {
			first = data
		}
		f.Add(data, first)
	})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		r, err := VerifyAll([]Input{{"a", bytes.NewReader(a)}, {"b", bytes.NewReader(b)}}, Options{})
		if (err == nil) != r.Verdict.Genuine() || (err == nil) != (len(r.Faults) == 0) {
			t.Errorf("verdict %v, faults %v, error %v", r.Verdict, r.Faults, err)
		}
		one, err := Verify(bytes.NewReader(a), Options{})
		if err != nil || len(one.Chains) != 1 {
			return
		}
		c, _, err := Resume(bytes.NewReader(a), nil)
		if err != nil || c != one.Chains[0].Chain || int(c.Next) != one.Lines {
			t.Errorf("resumed %+v, %v; verified %+v", c, err, one.Chains[0].Chain)
		}
	})
}

// FuzzContainer: a container that is accepted is what the attachment is kept as again.
func FuzzContainer(f *testing.F) {
	for _, content := range []string{"", "fictional", "two\nlines"} {
		a, err := NewAttachment(MediaText, []byte(content), salt())
		if err != nil {
			f.Fatal(err)
		}
		f.Add(a.Container())
		f.Add(a.Container()[:20])
	}
	f.Fuzz(func(t *testing.T, container []byte) {
		a, err := ParseContainer(container)
		if err != nil {
			if !errors.Is(err, ErrAttachment) {
				t.Error(err)
			}
			return
		}
		if !bytes.Equal(a.Container(), container) {
			t.Errorf("kept again as %q, was %q", a.Container(), container)
		}
		if _, err := a.Reference().Open(container); err != nil {
			t.Error(err)
		}
	})
}

// fuzzClean: what is cleaned is no longer than it was, and cleaning it again changes nothing.
func fuzzClean(f *testing.F, clean func([]byte) ([]byte, error), seeds ...[]byte) {
	f.Helper()
	for _, s := range seeds {
		f.Add(s)
		f.Add(s[:len(s)/2])
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		once, err := clean(content)
		if err != nil {
			if !errors.Is(err, ErrAttachment) {
				t.Error(err)
			}
			return
		}
		twice, err := clean(once)
		if err != nil || !bytes.Equal(once, twice) || len(once) > len(content) {
			t.Errorf("%x cleaned %x, again %x, %v", content, once, twice, err)
		}
	})
}

func FuzzCleanJPEG(f *testing.F) { fuzzClean(f, cleanJPEG, plainJPEG(f), dressedJPEG(f)) }

func FuzzCleanPNG(f *testing.F) { fuzzClean(f, cleanPNG, plainPNG(f), dressedPNG(f)) }
