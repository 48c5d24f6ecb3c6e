package record

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const vectorDir = "testdata/vectors"

// A vector is one file, or a folder of files of one visit. Its name is the outcome it must
// cause (a verdict, a fault or a note), the line at which, and what was done:
// "bad-signature.line4.body-altered.jsonl". Line 0 is used where the outcome has no line.
type vector struct {
	outcome string
	line    int
	name    string
	files   [][]byte // more than one: a folder with 1.jsonl, 2.jsonl and so on
}

func (v vector) path() string {
	p := fmt.Sprintf("%s.line%d.%s", v.outcome, v.line, v.name)
	if len(v.files) == 1 {
		p += ".jsonl"
	}
	return p
}

// slug is a verdict as it stands in a vector's name.
func slug(v Verdict) string {
	return strings.ReplaceAll(strings.ReplaceAll(v.String(), ",", ""), " ", "-")
}

func vectors(t testing.TB) []vector {
	var all []vector
	one := func(outcome any, line int, name string, lines ...[]byte) {
		s := fmt.Sprint(outcome)
		if v, ok := outcome.(Verdict); ok {
			s = slug(v)
		}
		all = append(all, vector{s, line, name, [][]byte{file(lines...)}})
	}
	raw := func(outcome any, line int, name string, data string) {
		one(outcome, line, name, nil)
		all[len(all)-1].files[0] = []byte(data)
	}
	set := func(outcome any, line int, name string, devices ...*device) {
		one(outcome, line, name, nil)
		last := &all[len(all)-1]
		last.files = nil
		for _, d := range devices {
			last.files = append(last.files, d.file())
		}
	}
	p := testKey("one")
	dev := func() *device { return newDevice(t, testVisit, "one").add(KindOpened, `{"job":"J-1"}`) }
	four := dev().fill(3).add(KindEnded, `{"outcome":"done"}`)
	l := four.lines
	// with puts a line in the place of line 2 and continues the chain after it.
	second := func(line []byte) [][]byte { return [][]byte{l[0], line} }
	change := func(old, new string) [][]byte { return second(reseal(t, p, l[1], old, new)) }
	member := func(text string) [][]byte { // adds text to line 2 and signs the canonical form
		bare := unsealed(l[1])
		return second(forge(t, p, string(bare[:len(bare)-1])+","+text+"}"))
	}

	// Good.
	one(GenuineEnded, 0, "four-lines", l...)
	one(GenuineNotEnded, 0, "three-lines", l[:3]...)
	one(GenuineNotEnded, 0, "one-line", l[0])
	d := dev().add(KindEnded, "{}").add(KindSupplement, `{"reference":"F-1"}`).add(KindSupplement, `{"reference":"F-2"}`)
	one(GenuineEnded, 0, "two-supplements", d.lines...)
	d = dev().add("odd", `{"\u20ac":"\u0000\u001f\u007f\u0080\ud83d\ude00\ufb33\"\\/","\r":[null,true,{"":-9007199254740991}],"1":9007199254740991,"sig":",\"sig\":\""}`).add(KindEnded, "")
	one(GenuineEnded, 0, "odd-text", d.lines...)
	d = dev().write(Draft{Kind: "observed", Person: "person-7", Boot: "boot-1", Mono: 5500, Wall: testStart.Add(-3600e9)}).add(KindEnded, "")
	one(NoteClockBack, 2, "one-hour", d.lines...)
	d = dev().write(Draft{Kind: "observed", Person: "person-7", Boot: "boot-1", Mono: 5500, Wall: testStart.Add(3600e9)})
	one(NoteClockSet, 2, "one-hour", d.lines...)
	d = dev().write(Draft{Kind: "observed", Person: "person-7", Boot: "boot-1", Mono: 5, Wall: testStart.Add(1500e6)})
	one(NoteMonotonicBack, 2, "same-boot", d.lines...)
	one(NoteKeyNotNamed, 1, "no-keys-named", l...)

	// Not a record, or cut.
	raw(NotARecord, 1, "empty", "")
	raw(NotARecord, 1, "text", "not a record\n")
	raw(NotARecord, 1, "json", "{}\n")
	one(NotARecord, 1, "edition-2", reseal(t, p, l[0], Format, "meterwright/record/2"))
	raw(LineCut, 1, "first-line", string(l[0]))
	raw(NoteLineCut, 4, "no-lf", string(bytes.TrimSuffix(four.file(), []byte("\n"))))
	raw(NoteLineCut, 4, "half", string(append(file(l[:3]...), l[3][:200]...)))
	long := reseal(t, p, l[1], `"231`, `"`+strings.Repeat("2", MaxLine))
	one(LineTooLong, 2, "over-262144", second(long)...)
	one(LineTooLong, 2, "over-262144-by-one", second(reseal(t, p, l[1], `"231`, `"`+strings.Repeat("2", MaxLine+1-len(l[1])+3)))...)
	d = dev()
	d.add("observed", `{"a":"`+strings.Repeat("x", MaxLine-len(dev().add("observed", `{"a":""}`).lines[1]))+`"}`)
	if len(d.lines[1]) != MaxLine {
		t.Fatalf("line of %d bytes", len(d.lines[1]))
	}
	one(GenuineNotEnded, 0, "line-of-262144", d.lines...)

	// Form.
	one(NotUTF8, 2, "latin-1", change("meter.l-in", "meter.\xe4")...)
	one(NotUTF8, 2, "surrogate", change("meter.l-in", "\xed\xa0\x80")...)
	one(NotJSON, 2, "array", second([]byte(`[]`))...)
	one(NotJSON, 2, "empty-line", second(nil)...)
	one(NotJSON, 2, "cut-inside", second(l[1][:300])...)
	one(NotJSON, 2, "two-objects", second(append(bytes.Clone(l[1]), "{}"...))...)
	one(NotJSON, 2, "byte-order-mark", second(append([]byte("\ufeff"), l[1]...))...)
	one(NotJSON, 2, "half-surrogate-escape", change("meter.l-in", `\ud83d`)...)
	one(TooDeep, 2, "33-levels", change(`"meter.l-in"`, strings.Repeat("[", maxDepth-1)+strings.Repeat("]", maxDepth-1))...)
	d = dev().add("observed", `{"at":`+strings.Repeat("[", maxDepth-2)+strings.Repeat("]", maxDepth-2)+`}`)
	one(GenuineNotEnded, 0, "32-levels", d.lines...)
	for name, number := range map[string]string{"fraction": "0.3", "exponent": "1e+21", "minus-zero": "-0", "2-to-the-53": "9007199254740992", "minus-2-to-the-53": "-9007199254740992"} {
		one(BadNumber, 2, name, change(`"meter.l-in"`, number)...)
	}
	one(FieldTwice, 2, "top", change(`"boot":"boot-1"`, `"boot":"boot-1","boot":"boot-1"`)...)
	one(FieldTwice, 2, "in-body", change(`"at":"meter.l-in"`, `"at":"meter.l-in","at":"meter.l-in"`)...)
	one(FieldTwice, 2, "escaped", change(`"at":"meter.l-in"`, `"at":"meter.l-in","\u0061t":"meter.l-in"`)...)
	one(FieldUnknown, 2, "extra", member(`"extra":1`)...)
	for i, name := range fieldNames {
		if i == fSig {
			one(FieldMissing, 2, name, second(unsealed(l[1]))...)
			continue
		}
		bare := string(unsealed(l[1]))
		from := strings.Index(bare, `"`+name+`":`)
		rest := bare[from:]
		end := strings.Index(rest, `,"`+fieldNames[min(i+1, fWall)]+`":`)
		if i+1 == fSig {
			end = strings.Index(rest, `,"visit":`)
		}
		if i == fWall {
			from, end = from-1, len(rest)
		} else {
			end++
		}
		one(FieldMissing, 2, name, second(seal(t, p, []byte(bare[:from]+strings.TrimSuffix(rest[end:], "}")+"}")))...)
	}
	one(NotCanonical, 2, "space", change(`{"body"`, `{ "body"`)...)
	one(NotCanonical, 2, "space-after", second(append(bytes.Clone(l[1]), ' '))...)
	one(NotCanonical, 2, "carriage-return", second(append(bytes.Clone(l[1]), '\r'))...)
	one(NotCanonical, 2, "escape-not-needed", change(`meter.l-in`, `meter.l\u002din`)...)
	one(NotCanonical, 2, "solidus-escaped", change(`meter.l-in`, `meter\/l-in`)...)
	one(NotCanonical, 2, "control-escape-in-capitals", change(`meter.l-in`, `meter.\u001F`)...)
	one(NotCanonical, 2, "order", change(`"boot":"boot-1","format":"`+Format+`"`, `"format":"`+Format+`","boot":"boot-1"`)...)
	one(NotCanonical, 2, "order-in-body", change(`"at":"meter.l-in"`, `"b":1,"at":"meter.l-in"`)...)
	one(NotCanonical, 2, "name-escaped", change(`"boot":"boot-1"`, `"b\u006fot":"boot-1"`)...)

	// Values.
	for _, c := range [][3]string{
		{"visit-version-4", "-7a10-", "-4a10-"},
		{"visit-capitals", "0123456789ab\"", "0123456789AB\""},
		{"nature", `"nature":"real"`, `"nature":"other"`},
		{"seq-negative", `"seq":1`, `"seq":-1`},
		{"seq-text", `"seq":1`, `"seq":"1"`},
		{"mono-negative", `"mono":5500`, `"mono":-1`},
		{"wall-utc-as-z", "+01:00", "Z"},
		{"wall-unknown-offset", "+01:00", "-00:00"},
		{"wall-microseconds", ".623", ".623000"},
		{"wall-no-milliseconds", ".623", ""},
		{"wall-comma", ".623", ",623"},
		{"wall-leap-second", "09:15:01", "23:59:60"},
		{"wall-30-february", "2026-03-02", "2026-02-30"},
		{"wall-offset-24", "+01:00", "+24:00"},
		{"boot-empty", `"boot":"boot-1"`, `"boot":""`},
		{"boot-number", `"boot":"boot-1"`, `"boot":1`},
		{"person-with-space", "person-7", "person 7"},
		{"person-escaped", "person-7", `person\"7`},
		{"kind-capitals", `"observed"`, `"Observed"`},
		{"body-null", `"body":`, `"body":null,"x":`},
		{"format-3", Format, "meterwright/record/3"},
		{"key-capitals", p.keyText(t), strings.ToUpper(p.keyText(t))},
		{"key-short", p.keyText(t), p.keyText(t)[2:]},
		{"key-small-order", p.keyText(t), smallOrder[3]},
		{"key-long-encoding", p.keyText(t), "ee" + strings.Repeat("ff", 30) + "7f"},
		{"prev-capitals", hashOf(l[0]), strings.ToUpper(hashOf(l[0]))},
	} {
		if c[0] == "body-null" {
			bare := string(unsealed(l[1]))
			one(BadValue, 2, c[0], second(seal(t, p, []byte(`{"body":null`+bare[strings.Index(bare, `,"boot"`):])))...)
			continue
		}
		one(BadValue, 2, c[0], change(c[1], c[2])...)
	}
	sig := l[1][bytes.LastIndex(l[1], []byte(`"sig":"`))+7:][:128]
	for name, text := range map[string][]byte{"sig-capitals": bytes.ToUpper(sig), "sig-short": sig[2:]} {
		one(BadValue, 2, name, second(bytes.Replace(l[1], sig, text, 1))...)
	}

	// Place.
	one(OtherVisit, 2, "line-2", change(testVisit, otherVisit)...)
	one(OtherNature, 2, "practice", change(`"real"`, `"practice"`)...)
	one(OtherKey, 2, "signed-by-it", second(reseal(t, testKey("two"), l[1], p.keyText(t), testKey("two").keyText(t)))...)
	one(LineTwice, 3, "line-2", l[0], l[1], l[1], l[2], l[3])
	one(LineTwice, 4, "line-2-later", l[0], l[1], l[2], l[1])
	one(LineTwice, 2, "line-1", l[0], l[0], l[1])
	one(BadSequence, 1, "line-1-missing", l[1:]...)
	one(BadSequence, 2, "line-2-missing", l[0], l[2], l[3])
	one(BadSequence, 2, "lines-exchanged", l[0], l[2], l[1], l[3])
	one(BadPrevious, 1, "first", reseal(t, p, l[0], Hash{}.String(), hashOf(l[1])))
	one(BadPrevious, 2, "zero", change(hashOf(l[0]), Hash{}.String())...)
	another := newDevice(t, testVisit, "one").add(KindOpened, `{"job":"J-2"}`)
	one(BadPrevious, 2, "line-1-replaced", another.lines[0], l[1], l[2])
	one(Forked, 4, "both-in-one-file", append(slices.Clone(l[:3]), dev().fill(2).add("observed", `{"at":"elsewhere"}`).lines[2])...)

	// Order of kinds.
	one(BadBeginning, 1, "observed", newDeviceAnyhow(t, "observed"))
	one(BadBeginning, 1, "ended", newDeviceAnyhow(t, "ended"))
	one(OpenedAgain, 2, "same-chain", change(`"observed"`, `"opened"`)...)
	d = dev().add(KindEnded, "")
	one(AfterEnd, 3, "observed", append(d.lines, after(t, d, "observed", "{}"))...)
	one(AfterEnd, 3, "ended", append(d.lines, after(t, d, KindEnded, "{}"))...)
	one(AfterEnd, 3, "taken-over", append(d.lines, after(t, d, KindTakenOver, handOverBody(keyOf(t, testKey("two")), Hash{1})))...)
	one(SupplementSoon, 2, "line-2", change(`"observed"`, `"supplement"`)...)
	two := keyOf(t, testKey("two"))
	for name, body := range map[string]string{
		"no-body": "{}", "no-head": fmt.Sprintf(`{"chain":"%s"}`, two), "no-chain": fmt.Sprintf(`{"head":"%s"}`, Hash{1}),
		"itself": handOverBody(keyOf(t, p), Hash{1}), "head-a-number": fmt.Sprintf(`{"chain":"%s","head":1}`, two),
		"chain-small-order": fmt.Sprintf(`{"chain":"%s","head":"%s"}`, smallOrder[1], Hash{1}),
	} {
		d = dev()
		one(BadHandOver, 2, name, d.lines[0], after(t, d, KindTakenOver, body))
	}

	// Signature.
	flip := func(old, new string) []byte { return bytes.Replace(l[1], []byte(old), []byte(new), 1) }
	one(BadSignature, 2, "body-altered", l[0], flip("231.1", "231.2"), l[2], l[3])
	one(BadSignature, 2, "wall-altered", l[0], flip("09:15:01", "08:15:01"), l[2], l[3])
	one(BadSignature, 2, "person-altered", l[0], flip("person-7", "person-8"), l[2], l[3])
	one(BadSignature, 4, "last-line-altered", l[0], l[1], l[2], bytes.Replace(l[3], []byte("done"), []byte("gone"), 1))
	one(BadSignature, 2, "signed-by-another", second(seal(t, testKey("two"), unsealed(l[1])))...)
	one(BadSignature, 2, "zero", second(bytes.Replace(l[1], sig, bytes.Repeat([]byte("0"), 128), 1))...)
	one(BadSignature, 2, "without-prefix", second(bytes.Replace(l[1], sig, plainSignature(p, unsealed(l[1])), 1))...)
	one(BadSignature, 2, "s-not-reduced", second(bytes.Replace(l[1], sig, addOrder(t, sig), 1))...)

	// Several chains.
	first := dev().fill(3)
	one(ChainTwice, 5, "between-it-another", append(append(slices.Clone(first.lines), newDevice(t, testVisit, "two").takes(first).lines...), l[0])...)
	set(GenuineEnded, 0, "taken-over", first, newDevice(t, testVisit, "two").takes(first).add(KindEnded, ""))
	one(GenuineEnded, 0, "taken-over-in-one-file", append(slices.Clone(first.lines), newDevice(t, testVisit, "two").takes(first).add(KindEnded, "").lines...)...)
	set(GenuineNotEnded, 0, "taken-over-and-open", first, newDevice(t, testVisit, "two").takes(first))
	one(NoteChainMissing, 1, "first-chain", newDevice(t, testVisit, "two").takes(first).add(KindEnded, "").lines...)
	set(NoteHeadMissing, 1, "first-chain-cut", dev().fill(2), newDevice(t, testVisit, "two").takes(first).add(KindEnded, ""))
	set(NoteWentOn, 1, "not-taken-back", dev().fill(5), newDevice(t, testVisit, "two").takes(first).add(KindEnded, ""))
	back, other := dev().fill(3), newDevice(t, testVisit, "two")
	other.takes(back).add("observed", "{}")
	back.takes(other).add(KindEnded, "")
	set(GenuineEnded, 0, "taken-back", back, other)
	set(GenuineEnded, 0, "office-supplement", four, newDevice(t, testVisit, "three").add(KindSupplement, handOverBody(four.chain.Key, four.chain.Head)).add(KindSupplement, "{}"))
	set(AfterEnd, 1, "taken-over-at-the-end", four, newDevice(t, testVisit, "two").takes(four).add(KindEnded, ""))
	set(SupplementSoon, 1, "chain-that-is-open", first, newDevice(t, testVisit, "three").add(KindSupplement, handOverBody(first.chain.Key, first.chain.Head)))
	set(GenuineEnded, 0, "older-copy", first, dev().fill(3).add(KindEnded, `{"outcome":"done"}`))
	set(Forked, 3, "two-versions", dev().fill(4), dev().fill(2).add("observed", `{"at":"elsewhere"}`))
	set(Forked, 1, "first-line", dev().fill(4), another)
	set(OpenedAgain, 1, "by-another-device", four, newDevice(t, testVisit, "two").add(KindOpened, "").add(KindEnded, ""))
	set(OtherVisit, 1, "second-file", four, newDevice(t, otherVisit, "two").add(KindOpened, ""))
	return all
}

func (p PrivateKey) keyText(t testing.TB) string { return keyOf(t, p).String() }

func TestVectors(t *testing.T) {
	want := map[string]vector{}
	for _, v := range vectors(t) {
		if _, twice := want[v.path()]; twice {
			t.Fatalf("two vectors are called %s", v.path())
		}
		want[v.path()] = v
	}
	if *update {
		writeVectors(t, want)
	}
	entries, err := os.ReadDir(vectorDir)
	if err != nil {
		t.Fatal(err)
	}
	outcomes := map[string]bool{}
	for _, entry := range entries {
		v, ok := want[entry.Name()]
		if entry.Name() == "README.md" {
			continue
		}
		if !ok {
			t.Errorf("%s is not made by this test: run go test -run TestVectors -update", entry.Name())
			continue
		}
		delete(want, entry.Name())
		checkVector(t, v, entry)
		outcomes[v.outcome] = true
	}
	for name := range want {
		t.Errorf("%s is missing: run go test -run TestVectors -update", name)
	}
	// What a file alone cannot cause is tested elsewhere.
	elsewhere := []What{NotReadable, TooMany, KeyNotNamed}
	for what := range sentences {
		if !outcomes[string(what)] && !slices.Contains(elsewhere, what) {
			t.Errorf("no vector causes %s", what)
		}
	}
}

// checkVector reads a vector's files, compares them with what the generator makes, and
// verifies them, trusting only the name for what must come out.
func checkVector(t *testing.T, v vector, entry os.DirEntry) {
	t.Helper()
	names := []string{entry.Name()}
	if entry.IsDir() {
		names = nil
		for i := range v.files {
			names = append(names, filepath.Join(entry.Name(), strconv.Itoa(i+1)+".jsonl"))
		}
	}
	var inputs []Input
	for i, name := range names {
		data, err := os.ReadFile(filepath.Join(vectorDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(data, v.files[i]) {
			t.Errorf("%s is not what the generator makes", name)
		}
		inputs = append(inputs, Input{name, bytes.NewReader(data)})
	}
	parts := strings.SplitN(entry.Name(), ".", 3)
	outcome := parts[0]
	line, err := strconv.Atoi(strings.TrimPrefix(parts[1], "line"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := VerifyAll(inputs, Options{})
	if (err == nil) != r.Verdict.Genuine() {
		t.Errorf("%s: verdict %v with error %v", entry.Name(), r.Verdict, err)
	}
	found := line == 0 && outcome == slug(r.Verdict)
	for _, f := range r.Faults {
		found = found || outcome == string(f.What) && line == f.Line
	}
	for _, n := range r.Notes {
		found = found || r.Verdict.Genuine() && outcome == string(n.Kind) && line == n.Line
	}
	if !found || len(r.Faults) > 1 {
		t.Errorf("%s: %v, %v, notes %v", entry.Name(), r.Verdict, err, r.Notes)
	}
}

func writeVectors(t *testing.T, all map[string]vector) {
	t.Helper()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.RemoveAll(vectorDir))
	must(os.MkdirAll(vectorDir, 0o755))
	must(os.WriteFile(filepath.Join(vectorDir, "README.md"), []byte(vectorReadme), 0o644))
	for name, v := range all {
		if len(v.files) == 1 {
			must(os.WriteFile(filepath.Join(vectorDir, name), v.files[0], 0o644))
			continue
		}
		must(os.Mkdir(filepath.Join(vectorDir, name), 0o755))
		for i, data := range v.files {
			must(os.WriteFile(filepath.Join(vectorDir, name, strconv.Itoa(i+1)+".jsonl"), data, 0o644))
		}
	}
}

const vectorReadme = `# Vectors of the record format

Each file is a record, or something that claims to be one; each folder holds the files of one visit.
The name is what a reader must find, the line at which, and what was done to the file:

    bad-signature.line2.body-altered.jsonl

The first part is a verdict (genuine-and-ended, genuine-not-ended), a fault (the constants of type What in package
` + "`record`" + `) or a note (those of type NoteKind; every line is then genuine). Line 0 means that the outcome belongs to
no line. No keys and no heads are given.

The visits are fictional. The private keys are Ed25519 keys whose seed is the SHA-256 of
"meterwright record test key " followed by "one", "two" or "three": never use them for anything else.

Written by: go test ./record -run TestVectors -update
`
