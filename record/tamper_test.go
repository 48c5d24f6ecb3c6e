package record

import (
	"bytes"
	"testing"
)

// foundAt checks that a verification names the given line, by a fault or as cut, and gives
// no verdict that calls the file whole.
func foundAt(t *testing.T, data []byte, line int, how string, args ...any) {
	t.Helper()
	r, err := Verify(bytes.NewReader(data), Options{})
	got := 0
	if len(r.Faults) > 0 {
		got = r.Faults[0].Line
	}
	for _, n := range r.Notes {
		if n.Kind == NoteLineCut && got == 0 {
			got = n.Line
		}
	}
	if got != line || r.Verdict > GenuineNotEnded || (err == nil) != r.Verdict.Genuine() {
		t.Fatalf(how+": line %d named, want %d; verdict %v, error %v", append(args, got, line, r.Verdict, err)...)
	}
}

// lineOf returns the number of the line, its LF included, to which a byte belongs.
func lineOf(data []byte, at int) int { return bytes.Count(data[:at], []byte("\n")) + 1 }

func TestWholeRecordIsGenuine(t *testing.T) {
	r, err := Verify(bytes.NewReader(tenLines(t).file()), Options{})
	if err != nil || r.Verdict != GenuineEnded || r.Lines != 10 || r.Visit != testVisit || r.Nature != Real {
		t.Fatalf("%+v, %v", r, err)
	}
}

// TestEveryByteChanged changes every byte of a record in turn. By default one bit of each
// byte goes through Verify, all eight bits of each byte through the check of its line, and
// all 255 other values of a sample of bytes through Verify.
func TestEveryByteChanged(t *testing.T) {
	d := tenLines(t)
	data := d.file()
	changed := bytes.Clone(data)
	try := func(at int, to byte) {
		t.Helper()
		changed[at] = to
		foundAt(t, changed, lineOf(data, at), "byte %d from %#x to %#x", at, data[at], to)
		changed[at] = data[at]
	}
	for at := range data {
		try(at, data[at]^1<<(at%8))
	}
	for at := 0; at < len(data); at += 401 {
		for to := range 256 {
			if byte(to) != data[at] {
				try(at, byte(to))
			}
		}
	}
	var c Chain
	for i, line := range d.lines {
		next, _, err := c.Accept(line)
		if err != nil {
			t.Fatal(err)
		}
		for at := range line {
			for bit := range 8 {
				line[at] ^= 1 << bit
				if got, _, err := c.Accept(line); err == nil || got != c {
					t.Fatalf("line %d byte %d bit %d: accepted", i+1, at, bit)
				}
				line[at] ^= 1 << bit
			}
		}
		c = next
	}
	if !soak() {
		return
	}
	data = newDevice(t, testVisit, "one").add(KindOpened, `{"job":"J-1"}`).fill(19).add(KindEnded, `{}`).file()
	changed = bytes.Clone(data)
	for at := range data {
		for bit := range 8 {
			try(at, data[at]^1<<bit)
		}
	}
}

func TestEveryLineDroppedDoubledExchanged(t *testing.T) {
	lines := tenLines(t).lines
	n := len(lines)
	for i := range n - 1 {
		foundAt(t, file(append(append([][]byte{}, lines[:i]...), lines[i+1:]...)...), i+1, "line %d dropped", i+1)
	}
	r, err := Verify(bytes.NewReader(file(lines[:n-1]...)), Options{})
	if err != nil || r.Verdict != GenuineNotEnded || !hasNote(r, NoteNotEnded) {
		t.Errorf("last line dropped: %v, %v", r.Verdict, err)
	}
	for i := range n {
		for j := range n + 1 { // the line again, before line j
			with := append(append(append([][]byte{}, lines[:j]...), lines[i]), lines[j:]...)
			want := j + 1
			if j == i {
				want = i + 2 // a copy just before is a copy just after
			}
			foundAt(t, file(with...), want, "line %d again at %d", i+1, j+1)
		}
		for j := i + 1; j < n; j++ {
			with := append([][]byte{}, lines...)
			with[i], with[j] = with[j], with[i]
			foundAt(t, file(with...), i+1, "lines %d and %d exchanged", i+1, j+1)
		}
	}
}

// TestCutAtEveryByte cuts the last line at every byte, and with MW_SOAK=1 the whole file.
func TestCutAtEveryByte(t *testing.T) {
	d := tenLines(t)
	data := d.file()
	from := len(data) - len(d.lines[9]) - 1
	if soak() {
		from = 0
	}
	for at := from; at < len(data); at++ {
		cut := data[:at]
		r, err := Verify(bytes.NewReader(cut), Options{})
		whole := bytes.Count(cut, []byte("\n"))
		if at > 0 && cut[at-1] != '\n' {
			foundAt(t, cut, whole+1, "cut at %d", at)
		}
		want := GenuineNotEnded
		if whole == 0 {
			want = Unreadable
		}
		if r.Verdict != want || r.Lines != whole {
			t.Fatalf("cut at %d: %v with %d lines, %v", at, r.Verdict, r.Lines, err)
		}
		c, good, err := Resume(bytes.NewReader(cut), nil)
		if err != nil || int(c.Next) != whole || int(good) != bytes.LastIndexByte(cut, '\n')+1 {
			t.Fatalf("cut at %d: resumed at %d, %d bytes, %v", at, c.Next, good, err)
		}
	}
}

// TestLinesOfOthers puts lines of other records, correctly signed, in the place of each.
func TestLinesOfOthers(t *testing.T) {
	mine := tenLines(t).lines
	others := map[string][][]byte{
		"another visit":  newDevice(t, otherVisit, "one").add(KindOpened, `{"job":"J-1"}`).fill(9).add(KindEnded, `{}`).lines,
		"another device": newDevice(t, testVisit, "two").add(KindOpened, `{"job":"J-1"}`).fill(9).add(KindEnded, `{}`).lines,
		"another past":   newDevice(t, testVisit, "one").add(KindOpened, `{"job":"J-2"}`).fill(9).add(KindEnded, `{}`).lines,
	}
	for name, lines := range others {
		for i := range mine {
			with := append([][]byte{}, mine...)
			with[i] = lines[i]
			want := i + 1
			if i == 0 {
				want = 2 // the first line is genuine by itself: the one after it does not follow
			}
			foundAt(t, file(with...), want, "line %d of %s", i+1, name)
		}
	}
}
