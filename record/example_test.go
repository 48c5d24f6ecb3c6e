package record

import (
	"bytes"
	"os"
	"strings"
	"testing"
)

// exampleVisit is the visit shown in the package comment; fictional.
func exampleVisit(t testing.TB) []byte {
	t.Helper()
	return newDevice(t, testVisit, "one").
		add(KindOpened, `{"job":"J-1","place":"4 Example Row, Anytown (fictional)"}`).
		add("observed", `{"at":"meter.l-in","reference":"meter.n-in","reading":{"unit":"V","value":"231.4"}}`).
		add("noted", `{"note":`+string(exampleAttachment().Reference().JSON())+`}`).
		add(KindEnded, `{"outcome":"done"}`).file()
}

func exampleAttachment() Attachment {
	return Attachment{Media: MediaText, Salt: [32]byte{1, 2, 3}, Content: []byte("fictional")}
}

// TestExampleIsCurrent compares the example in doc.go with the code, and checks it from the
// comment's own bytes. With -update it writes it anew.
func TestExampleIsCurrent(t *testing.T) {
	const name = "doc.go"
	source, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	from := bytes.Index(source, []byte("// # Example\n"))
	from += bytes.Index(source[from:], []byte("//\t"))
	end := bytes.Index(source, []byte("package record\n"))
	if *update {
		var b strings.Builder
		for line := range strings.Lines(string(exampleVisit(t))) {
			b.WriteString("//\t" + line)
		}
		source = append(append(bytes.Clone(source[:from]), b.String()...), source[end:]...)
		if err := os.WriteFile(name, source, 0o644); err != nil {
			t.Fatal(err)
		}
		end = from + b.Len()
	}
	shown := bytes.ReplaceAll(source[from:end], []byte("//\t"), nil)
	if !bytes.Equal(shown, exampleVisit(t)) {
		t.Error("the example in doc.go is not current: run go test -run TestExampleIsCurrent -update")
	}
	if r, err := Verify(bytes.NewReader(shown), Options{}); err != nil || r.Verdict != GenuineEnded || r.Lines != 4 {
		t.Errorf("%v, %v", r.Verdict, err)
	}
}
