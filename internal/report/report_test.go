package report_test

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"meterwright/internal/report"
	"meterwright/internal/test/golden"
	"meterwright/internal/test/invented"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/say/en"
	"meterwright/visit"
)

// inputs keeps the visits that were made already, which no test may change.
var inputs = map[string]struct {
	in    report.Input
	visit *invented.Visit
}{}

// input reads an invented visit as a command would read its file.
func input(t testing.TB, name string, c report.Copy, changes ...invented.Change) (report.Input, *invented.Visit) {
	t.Helper()
	kept, known := inputs[name]
	if !known || len(changes) > 0 {
		var err error
		if kept.visit, err = invented.Make(name, changes...); err != nil {
			t.Fatal(err)
		}
		if kept.in, err = report.Read(report.File{Name: name + ".jsonl", Content: kept.visit.File()}); err != nil {
			t.Fatal(err)
		}
		if len(changes) == 0 {
			inputs[name] = kept
		}
	}
	in, v := kept.in, kept.visit
	in.Language = english(t)
	in.Copy, in.Container, in.Pack, in.Job = c, v.Container, rules.GB(), v.Job
	return in, v
}

func english(t testing.TB) *say.Language {
	t.Helper()
	l, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func write(t testing.TB, in report.Input) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := report.Write(&b, in); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// tool runs a program of Debian's poppler-utils or qpdf. Its absence fails the test, so that
// nobody takes an untested file for a tested one.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if errors.Is(err, exec.ErrNotFound) {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skipf("%s is not installed, and MW_ALLOW_MISSING=1 lets that pass", name)
		}
		t.Fatalf("%s is not installed: apt-get install poppler-utils qpdf, or set MW_ALLOW_MISSING=1", name)
	}
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

func save(t *testing.T, name string, pdf []byte) string {
	t.Helper()
	dir := t.TempDir()
	if keep := os.Getenv("MW_KEEP"); keep != "" {
		dir = keep
	}
	file := filepath.Join(dir, name)
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestPages holds the text of every copy, as an independent reader of PDF sees it, by golden
// files that were reviewed by eye; qpdf checks the structure of each file.
func TestPages(t *testing.T) {
	for _, x := range []struct {
		visit string
		copy  report.Copy
	}{{"whole", report.Full}, {"whole", report.Consumer}, {"void", report.Full}, {"void", report.Distributor}, {"metalwork", report.Distributor},
		{"metalwork", report.Consumer}, {"interference", report.Supplier}, {"interference", report.Consumer}, {"off", report.Full}, {"whole", report.Supplier}, {"meanings", report.Full}} {
		name := x.visit + "-" + string(x.copy)
		t.Run(name, func(t *testing.T) {
			in, _ := input(t, x.visit, x.copy)
			pdf := write(t, in)
			if again := write(t, in); !bytes.Equal(pdf, again) {
				t.Error("two runs gave different bytes")
			}
			file := save(t, name+".pdf", pdf)
			if out := tool(t, "qpdf", "--check", file); strings.Contains(strings.ToLower(out), "warning") {
				t.Errorf("qpdf: %s", out)
			}
			golden.Check(t, filepath.Join("testdata", name+".txt"), tool(t, "pdftotext", "-layout", file, "-"))
		})
	}
}

// TestAttached: the record in the file is the record, byte for byte, and only the full copy has it.
func TestAttached(t *testing.T) {
	for _, c := range report.Copies() {
		in, v := input(t, "whole", c)
		pdf := write(t, in)
		file := save(t, "attached.pdf", pdf)
		list := tool(t, "pdfdetach", "-list", file)
		if c != report.Full {
			if !strings.HasPrefix(list, "0 embedded files") {
				t.Errorf("%s: %s", c, list)
			}
			continue
		}
		out := filepath.Join(t.TempDir(), "record.jsonl")
		tool(t, "pdfdetach", "-save", "1", "-o", out, file)
		got, err := os.ReadFile(out)
		if err != nil || !bytes.Equal(got, v.File()) {
			t.Errorf("the attached record differs: %v", err)
		}
		r, err := record.Verify(bytes.NewReader(got), record.Options{})
		if err != nil || r.Verdict != record.GenuineEnded {
			t.Errorf("%s, %v", r.Verdict, err)
		}
	}
}

// letters finds a category without its scheme.
var letters = regexp.MustCompile(`(?i)(.{0,3})category\s+[ABC]\b`)

// TestNotTheirs: the copies keep back what is not their reader's.
func TestNotTheirs(t *testing.T) {
	secret := map[report.Copy][]string{
		report.Consumer:    {"second tail", "by-pass", "bypass", "interference", "stairlift", "Stairlift", "field office", "nq-104", "device key", "Device key", "signs of"},
		report.Distributor: {"second tail", "by-passes", "stairlift", "field office", "nq-104", "Device key"},
	}
	for c, words := range secret {
		in, v := input(t, "interference", c)
		pdf := write(t, in)
		text := tool(t, "pdftotext", save(t, "secret.pdf", pdf), "-")
		e, err := record.Decode(v.Lines[0])
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range append(words, e.Key.String()[:16]) {
			if strings.Contains(text, w) {
				t.Errorf("the copy for the %s has %q", c, w)
			}
		}
		if bytes.Contains(pdf, []byte("/Type /EmbeddedFile")) {
			t.Errorf("the copy for the %s carries a file", c)
		}
	}
	for _, name := range invented.Names() {
		for _, c := range report.Copies() {
			in, _ := input(t, name, c)
			s, err := report.Compose(in)
			if err != nil {
				t.Fatal(err)
			}
			for _, sec := range s.Sections {
				for _, b := range sec.Blocks {
					if table, ok := b.(*report.Table); ok {
						for _, row := range table.Rows {
							for _, cell := range row {
								for _, m := range letters.FindAllStringSubmatch(cell, -1) {
									if m[1] != "): " {
										t.Errorf("%s for %s: a bare letter: %q", name, c, cell)
									}
								}
							}
						}
					}
				}
			}
		}
	}
}

// TestConsumersReadings: on the consumer's copy each reading that was not as expected stands by itself, whether its
// instrument shows a number or not, unless something restricted was found.
func TestConsumersReadings(t *testing.T) {
	unexpected, lit := 0, 0
	for _, name := range invented.Names() {
		in, _ := input(t, name, report.Consumer)
		s, err := report.Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		shown := map[string]bool{}
		for _, sec := range s.Sections {
			for _, b := range sec.Blocks {
				if r, ok := b.(*report.Readings); ok {
					for _, row := range r.Rows {
						shown[row.Event] = true
					}
				}
			}
		}
		for _, r := range in.Case.Visit.Account().Readings {
			if r.Judged.Found != visit.FoundUnexpected || name == "interference" {
				continue
			}
			unexpected++
			if r.Bounds == nil {
				lit++
			}
			if !shown[r.Event] {
				t.Errorf("%s: %s %s is not on the consumer's copy", name, r.Step, r.Shows)
			}
		}
	}
	if unexpected < 2 || lit == 0 {
		t.Errorf("%d readings were not as expected, %d of them without a number", unexpected, lit)
	}
}

// TestMeans: what the readings may mean stands in the whole record, under its own head and with its caution, and
// on nobody's copy: it is no finding. No figure of the model stands on paper.
func TestMeans(t *testing.T) {
	for _, c := range report.Copies() {
		in, _ := input(t, "meanings", c)
		s, err := report.Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(tool(t, "pdftotext", "-layout", save(t, "meanings.pdf", write(t, in)), "-")), " ")
		found := false
		for _, sec := range s.Sections {
			if sec.ID == "means" {
				found = true
				if sec.Title != "What this may mean" || sec.Note != in.Language.Say("means.caution") {
					t.Errorf("%s: %q, %q", c, sec.Title, sec.Note)
				}
			}
		}
		if found != (c == report.Full) {
			t.Errorf("%s says what it may mean: %v", c, found)
		}
		for _, w := range []string{"about to open", "Most likely", "Possible", "is not a finding"} {
			if strings.Contains(text, w) != (c == report.Full) {
				t.Errorf("%s: %q stands in it: %v", c, w, c != report.Full)
			}
		}
		for _, w := range []string{"0.655", "0.262", "failing/"} {
			if strings.Contains(text, w) {
				t.Errorf("%s says %s", c, w)
			}
		}
	}
}

// TestEmployersStop: a stop that was the employer's to mend keeps nothing back from the consumer
// but itself.
func TestEmployersStop(t *testing.T) {
	in, _ := input(t, "gloves", report.Consumer)
	text := tool(t, "pdftotext", "-layout", save(t, "gloves.pdf", write(t, in)), "-")
	for _, w := range []string{"Completed", "0.19 Ω"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing", w)
		}
	}
	if strings.Contains(text, "gloves") {
		t.Error("the employer's stop stands on the consumer's copy")
	}
}

// TestLanes: brackets that run at the same time never share a lane, and every reading touches its
// own bracket.
func TestLanes(t *testing.T) {
	states := []string{"closed", "open", "void", "closed"}
	lanes := report.Lanes([]int{0, 1, 0, -1, 1, 2, 2, 3}, states)
	var got []string
	for _, row := range lanes {
		line := ""
		for _, p := range row {
			mark := "·"
			if p.State != "" {
				mark = p.State[:1]
			}
			if p.Top {
				mark += "t"
			}
			if p.Bottom {
				mark += "b"
			}
			if p.Own {
				mark += "*"
			}
			line += mark + " "
		}
		got = append(got, strings.TrimSpace(line))
	}
	want := []string{"ct* ·", "c ot*", "cb* o", "· o", "· ob*", "vt* ·", "vb* ·", "ctb* ·"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// TestHostile: names that no font has, long words, pictures that are none, and a missing picture
// give a file that says so.
func TestHostile(t *testing.T) {
	in, v := input(t, "whole", report.Full, func(j *invented.Job, _ *invented.Script) {
		j.Address = strings.Repeat("Llanfairpwll", 12) + " 電 <script>alert(1)</script> ŵŷ Ω"
		j.Reference = "../../etc/passwd"
	})
	for id := range v.Attachments {
		v.Attachments[id] = []byte("no container")
	}
	// The engine takes no such letter; a record that was made otherwise may hold it.
	in.Case.Opened.Premises.Address += "\u202e"
	s, err := report.Compose(in)
	if err != nil {
		t.Fatal(err)
	}
	if name := s.Name(); strings.ContainsAny(name, "/\\ ") {
		t.Errorf("file name %q", name)
	}
	text := tool(t, "pdftotext", "-layout", save(t, "hostile.pdf", write(t, in)), "-")
	for _, w := range []string{"[U+96FB]", "<script>alert(1)</script>", "ŵŷ", "No picture:"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing", w)
		}
	}
	if strings.Contains(text, "\u202e") {
		t.Error("a control of direction reached the page")
	}
}

// TestRefused: what cannot be set down is refused with a reason.
func TestRefused(t *testing.T) {
	in, v := input(t, "whole", "neighbour")
	if err := report.Write(&bytes.Buffer{}, in); err == nil || !strings.Contains(err.Error(), "neighbour") {
		t.Errorf("%v", err)
	}
	if _, err := report.Read(report.File{Name: "x", Content: []byte("not a record\n")}); err == nil {
		t.Error("a file that is no record was read")
	}
	half := bytes.Join(v.Lines[:1], []byte("\n"))
	if _, err := report.Read(report.File{Name: "x", Content: append(half, '\n')}); !errors.Is(err, replay.ErrNoMethod) {
		t.Errorf("without a method: %v", err)
	}
}

// TestAltered: a record that is not genuine says so before anything else, on every copy.
func TestAltered(t *testing.T) {
	v, err := invented.Make("whole")
	if err != nil {
		t.Fatal(err)
	}
	in, err := report.Read(report.File{Name: "r.jsonl", Content: bytes.Replace(v.File(), []byte(`"shows":"238.1 V"`), []byte(`"shows":"238.2 V"`), 1)})
	if err != nil {
		t.Fatal(err)
	}
	in.Pack, in.Language = rules.GB(), english(t)
	for _, in.Copy = range report.Copies() {
		s, err := report.Compose(in)
		if err != nil || !strings.Contains(s.Cautions[0], "Not genuine") {
			t.Errorf("%s: %q, %v", in.Copy, s.Cautions, err)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, name := range []string{"whole", "whole-without-photographs"} {
		b.Run(name, func(b *testing.B) {
			in, _ := input(b, "whole", report.Full)
			if name != "whole" {
				in.Container = nil
			}
			size := 0
			for b.Loop() {
				size = len(write(b, in))
			}
			b.ReportMetric(float64(size), "bytes/file")
		})
	}
}
