package report_test

import (
	"bytes"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/internal/report"
	"meterwright/internal/script"
	"meterwright/internal/test/invented"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/visit"
)

// nothingFound is what a copy says of a visit that came to nothing.
var nothingFound = regexp.MustCompile(`[Nn]othing (was )?found`)

// example is one visit as every copy is made of it.
type example struct {
	name string
	in   report.Input
	made *invented.Visit
}

// examples gives every invented visit and every example that is shipped.
func examples(t *testing.T) []example {
	t.Helper()
	var list []example
	for _, name := range invented.Names() {
		in, v := input(t, name, report.Full)
		list = append(list, example{name, in, v})
	}
	folders, err := filepath.Glob("../../examples/visits/*/script.yaml")
	if err != nil || len(folders) < 14 {
		t.Fatalf("%d examples, %v", len(folders), err)
	}
	for _, f := range folders {
		v, err := invented.Example(filepath.Dir(f))
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, example{filepath.Base(filepath.Dir(f)), reread(t, v, v.Lines), v})
	}
	return list
}

// reread reads a visit from lines.
func reread(t *testing.T, v *invented.Visit, lines [][]byte) report.Input {
	t.Helper()
	in, err := report.Read(report.File{Name: "visit.jsonl", Content: append(bytes.Join(lines, []byte("\n")), '\n')})
	if err != nil {
		t.Fatal(err)
	}
	in.Container, in.Pack, in.Job, in.Language = v.Container, rules.GB(), v.Job, english(t)
	return in
}

// scripted makes the whole visit with other entries.
func scripted(t *testing.T, entries string, changes ...invented.Change) (report.Input, *invented.Visit) {
	t.Helper()
	v, err := invented.Make("whole", append(changes, func(_ *invented.Job, s *invented.Script) {
		n, err := script.Parse("test.yaml", []byte("script: test\ntitle: Test\nfictional: true\ndate: 2026-11-24\nbegin: \"09:00\"\npace: 15s\ndevice: van-1\nseed: northmere-test\nentries:\n"+entries))
		if err != nil {
			t.Fatal(err)
		}
		n.Usual = s.Usual
		*s = *n
	})...)
	if err != nil {
		t.Fatal(err)
	}
	return reread(t, v, v.Lines), v
}

// texts lists everything that a sheet says, in order.
func texts(s *report.Sheet) []string {
	list := append([]string{s.Title}, s.Cautions...)
	for i := range s.Sections {
		list = append(list, s.Sections[i].Title, s.Sections[i].Note)
		for _, b := range s.Sections[i].Blocks {
			list = append(list, blockTexts(b)...)
		}
	}
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

func blockTexts(b report.Block) (list []string) {
	switch b := b.(type) {
	case *report.Pairs:
		for _, p := range b.List {
			list = append(list, p.Name, p.Value)
		}
	case *report.Words:
		list = append(list, b.List...)
	case *report.Table:
		list = append(list, b.Heads...)
		for _, r := range b.Rows {
			list = append(list, r...)
		}
	case *report.Readings:
		list = append(list, b.Heads...)
		for _, r := range b.Rows {
			list = append(append(list, r.Time, r.Where, r.Shows, r.Judged, r.Instrument), r.Notes...)
		}
	case *report.Pictures:
		for _, p := range b.List {
			list = append(list, p.Of, p.Time, p.Missing)
		}
	}
	return list
}

// composed gives a copy with its text in one piece.
func composed(t *testing.T, in report.Input, c report.Copy) (*report.Sheet, string) {
	t.Helper()
	in.Copy = c
	s, err := report.Compose(in)
	if err != nil {
		t.Fatal(err)
	}
	return s, strings.Join(texts(s), "\n")
}

func section(s *report.Sheet, id string) string {
	for i := range s.Sections {
		if s.Sections[i].ID == id {
			return strings.Join(texts(&report.Sheet{Sections: s.Sections[i : i+1]}), "\n")
		}
	}
	return ""
}

// TestOverlay: every copy names the overlay that the employer laid over the method, and each thing that it takes away.
func TestOverlay(t *testing.T) {
	v, err := invented.Make("off", func(j *invented.Job, _ *invented.Script) { j.Overlays = []string{"gloves-from-cutout"} })
	if err != nil {
		t.Fatal(err)
	}
	in := reread(t, v, v.Lines)
	for _, c := range report.Copies() {
		_, text := composed(t, in, c)
		// By the overlay's own text: the step that goes, and gloves at the first test of the socket.
		for _, w := range []string{"gloves-from-cutout, edition 2", "the step gloves-on is left out", "socket-line-neutral without insulating gloves"} {
			if !strings.Contains(text, w) {
				t.Errorf("%s: %q is missing", c, w)
			}
		}
	}
}

// TestProofsServed: a visit in which nothing was found says of each proof that an act rested on from when to when it
// held and what it served, and of none that it was not shown.
func TestProofsServed(t *testing.T) {
	in, _ := input(t, "whole", report.Full)
	s, _ := composed(t, in, report.Full)
	text := section(s, "proofs")
	if strings.Contains(text, "not shown") {
		t.Errorf("a proof that held is called not shown:\n%s", text)
	}
	// The times are those of the golden record: proved again, and the act that undid it.
	for _, w := range []string{"held from 09:08:00 until", "held from 09:12:00 until 09:22:15, when it had served", "withdraw the cut-out carrier, 09:12:30", "take the tails out of the meter, 09:18"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing:\n%s", w, text)
		}
	}
}

// TestNothingForTheOperative: what a stop or a step tells the operative to do stands on no consumer's copy: no sentence
// is one of these, and none of four words or more stands within another.
func TestNothingForTheOperative(t *testing.T) {
	plain := func(s string) string {
		return strings.Trim(strings.Join(strings.Fields(strings.ToLower(s)), " "), ".?")
	}
	for _, x := range examples(t) {
		_, text := composed(t, x.in, report.Consumer)
		var sentences []string
		for _, s := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(".:;,?\n", r) }) {
			sentences = append(sentences, plain(s))
		}
		m := x.in.Case.Visit.Machine().Method
		told := []string{"stay at the premises and ring the distributor"} // the meaning of category A, for the operative
		for _, s := range m.Stops {
			told = append(told, s.Do...)
		}
		for _, s := range m.Steps {
			told = append(told, s.Say, s.Why)
		}
		for _, words := range told {
			if words = plain(words); words != "" && (slices.Contains(sentences, words) || len(strings.Fields(words)) > 3 && strings.Contains(plain(text), words)) {
				t.Errorf("%s: %q is for the operative", x.name, words)
			}
		}
	}
}

// TestDangerFirst: with a danger the consumer's copy begins with what not to touch, before the cautions too.
func TestDangerFirst(t *testing.T) {
	in, _ := input(t, "metalwork", report.Consumer)
	s, _ := composed(t, in, report.Consumer)
	if s.Sections[0].ID != "danger" || !s.Sections[0].First {
		t.Fatalf("the first section is %s", s.Sections[0].ID)
	}
	text := section(s, "danger")
	for _, w := range []string{"Touch no metal", "taps", "no bath or shower", "the meter, its box", "Ring 105", "lit"} {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing:\n%s", w, text)
		}
	}
	page := tool(t, "pdftotext", save(t, "danger.pdf", write(t, in)), "-")
	if d, c := strings.Index(page, "Touch no metal"), strings.Index(page, "authorises nobody"); d < 0 || d > c {
		t.Errorf("the danger stands at %d, the caution at %d", d, c)
	}
	ring := section(s, "ring")
	for _, w := range []string{"distributor", "44-1", "105"} {
		if !strings.Contains(ring, w) {
			t.Errorf("who comes: %q is missing:\n%s", w, ring)
		}
	}
	if part := section(s, "not-tested"); !strings.Contains(part, "Not tested, or not tested again: ") || !strings.Contains(part, "main earthing terminal") {
		t.Errorf("what was not tested is not said by its place:\n%s", part)
	}
	if _, text := composed(t, in, report.Consumer); !strings.Contains(text, "Weir & Lantern Metering") || !strings.Contains(section(s, "end"), "Agreed") {
		t.Error("the employer, or that the interruption was agreed, is missing")
	}
}

// everyAct does every act that it does in spite of a refusal, and reads nothing.
const everyAct = `  - acted: {act: break-seals, step: break-seals, in_spite: true, why: in a hurry}
  - acted: {act: withdraw-carrier, step: withdraw-carrier, in_spite: true, why: in a hurry}
  - acted: {act: take-tails-out, step: take-tails-out, in_spite: true, why: in a hurry}
  - ended: {outcome: abandoned, left: the carrier is out}
`

// TestInSpite: each copy says which acts were done in spite of a refusal, what each lacked, and that it rested on
// nothing; and none says that every step was carried out, or that nothing was found.
func TestInSpite(t *testing.T) {
	in, _ := scripted(t, everyAct)
	for _, c := range report.Copies() {
		s, text := composed(t, in, c)
		part := section(s, "in-spite")
		for _, w := range []string{"in spite of a refusal", "ake the seals off", "ithdraw the cut-out carrier", "ake the tails out"} {
			if !strings.Contains(part, w) {
				t.Errorf("%s: %q is missing:\n%s", c, w, part)
			}
		}
		if n := strings.Count(part, "rested on nothing"); n != 3 {
			t.Errorf("%s: %d acts rested on nothing, want 3", c, n)
		}
		if !strings.Contains(section(s, "end"), "3 acts were done in spite of a refusal") {
			t.Errorf("%s: how it ended does not say it:\n%s", c, section(s, "end"))
		}
		for _, w := range []string{"Every step", "othing found", "Nothing was found"} {
			if strings.Contains(text, w) {
				t.Errorf("%s says %q", c, w)
			}
		}
	}
	// Readings that count change nothing of that.
	for _, x := range examples(t) {
		if x.name != "in-spite-of-a-refusal" {
			continue
		}
		for _, c := range report.Copies() {
			if s, _ := composed(t, x.in, c); nothingFound.MatchString(section(s, "found")) || section(s, "in-spite") == "" {
				t.Errorf("%s: %s\n%s", c, section(s, "found"), section(s, "in-spite"))
			}
		}
	}
	s, _ := composed(t, in, report.Full)
	if part := section(s, "not-tested"); !strings.Contains(part, "Passed over, with nothing in the record: Do the address") {
		t.Errorf("what was passed over is not named:\n%s", part)
	}
}

// TestNothingIsNotFoundWithoutReadings: a visit without one reading does not say that nothing was found.
func TestNothingIsNotFoundWithoutReadings(t *testing.T) {
	in, _ := scripted(t, "  - go-on: consent\n  - ended: {outcome: abandoned, left: as found}\n")
	for _, c := range report.Copies() {
		if s, _ := composed(t, in, c); nothingFound.MatchString(section(s, "found")) {
			t.Errorf("%s: %s", c, section(s, "found"))
		}
	}
}

// corrected corrects a reading, an answer and an entry, and then passes a test over as could-not.
const corrected = `  - go-on: service-cable
  - {inspected: damaged or perished, as: cable}
  - correct: {of: cable, now: sound, why: misread}
  - go-on: socket-line-neutral
  - {observed: 238.7 V, as: volts}
  - go-on: final-register
  - {recorded: {final-import: "04127", old-number: Z11 40817, final-photograph: picture.png}, as: registers}
  - correct: {of: registers, entries: {final-import: "04172"}, why: two digits were exchanged}
  - correct: {of: volts, now: 237.9 V, why: misread}
  - ended: {outcome: abandoned, left: as found}
`

// TestBothLines: what was corrected stands on every copy on which it stands at all, with what corrects it.
func TestBothLines(t *testing.T) {
	in, _ := scripted(t, corrected)
	want := map[report.Copy][][2]string{
		report.Full:        {{"238.7 V", "237.9 V"}, {"04127 kWh", "04172 kWh"}, {"Damaged", "now sound"}},
		report.Consumer:    {{"238.7 V", "237.9 V"}, {"04127 kWh", "04172 kWh"}},
		report.Distributor: {{"238.7 V", "237.9 V"}, {"Damaged", "now sound"}},
		report.Supplier:    {{"04127 kWh", "04172 kWh"}},
	}
	for c, pairs := range want {
		s, text := composed(t, in, c)
		for _, p := range pairs {
			if !strings.Contains(text, p[0]) || !strings.Contains(text, p[1]) || !strings.Contains(strings.ToLower(section(s, "corrections")), strings.ToLower(p[0])) {
				t.Errorf("%s: %q and %q do not both stand:\n%s", c, p[0], p[1], section(s, "corrections"))
			}
		}
		if c != report.Consumer && c != report.Supplier && !strings.Contains(section(s, "answers"), "Corrected at 09:0") {
			t.Errorf("%s: the answer stands without what corrects it", c)
		}
		others := 3 - len(pairs)
		if got := strings.Contains(text, "in the full record"); got != (others > 0) {
			t.Errorf("%s: the other corrections are counted: %v", c, got)
		}
	}
}

// TestSlips: an answer that was taken back as a slip stands on every copy, with what became of it.
func TestSlips(t *testing.T) {
	in, _ := scripted(t, `  - go-on: socket-line-neutral
  - {observed: 238.7 V, as: volts}
  - correct: {of: volts, reason: slip}
  - {observed: 237.9 V}
  - ended: {outcome: abandoned, left: as found}
`)
	for _, c := range report.Copies() {
		s, text := composed(t, in, c)
		part := section(s, "corrections")
		if !strings.Contains(part, "238.7 V") || !strings.Contains(part, "aken back as a slip, and answered again at") || strings.Contains(text, "in the full record") {
			t.Errorf("%s:\n%s", c, part)
		}
	}
}

// TestDoubts: two who hold the visit, forks, lines that wait and lines that cannot be read are said on the full copy,
// each in its place, and in a line on the others.
func TestDoubts(t *testing.T) {
	in, v := input(t, "off", report.Full)
	events := v.Events()
	lines := slices.Clone(events[:40])
	last := events[39]
	other := func(seq int64, prev record.Hash, kind string, body string) record.Event {
		e := last
		e.Key[0] ^= 1
		e.Seq, e.Prev, e.Kind, e.Body, e.Wall = seq, prev, kind, []byte(body), last.Wall.Add(time.Duration(seq+1)*time.Second)
		e.Hash[0] = byte(seq + 1)
		e.Person = "nq-999"
		return e
	}
	over, err := visit.EncodeBody(visit.TakenOver{Chain: last.Key.String(), Head: events[20].Hash.String()})
	if err != nil {
		t.Fatal(err)
	}
	first := other(0, record.Hash{}, string(visit.KindTakenOver), string(over))
	unread := other(1, first.Hash, "of-tomorrow", `{}`)
	waiting := other(7, record.Hash{9}, string(visit.KindNoted), `{"words":"late"}`)
	fork := events[30]
	fork.Hash[0] ^= 1
	var r replay.Reader
	if in.Case, err = r.Read(append(lines, first, unread, waiting, fork)); err != nil {
		t.Fatal(err)
	}
	for _, c := range report.Copies() {
		s, _ := composed(t, in, c)
		all := strings.Join(s.Cautions, "\n")
		for _, w := range []string{"Two devices hold this visit", "1 line cannot be read", "1 line waits", "two versions under one key"} {
			if !strings.Contains(all, w) {
				t.Errorf("%s: %q is not among the cautions:\n%s", c, w, all)
			}
		}
		if c == report.Full && !strings.Contains(section(s, "story"), "Taken over by nq-999 from "+last.Person+", on another device.") {
			t.Errorf("the story does not say who took over from whom:\n%s", section(s, "story"))
		}
		part := section(s, "not-accepted")
		for _, w := range []string{"of-tomorrow", "waits for a line that is not there", "Line 30"} {
			if strings.Contains(part, w) != (c == report.Full) {
				t.Errorf("%s: %q in:\n%s", c, w, part)
			}
		}
	}
}

// secrets writes a mark into whatever a person can write, before and after the signs are seen.
const secrets = `  - dependant: {words: zqx stairlift, agreed: zqx neighbour}
  - go-on: cutout-kind
  - inspected: {answer: one fuse in an insulating case, note: zqx}
  - go-on: interference
  - noted: zqx
  - inspected: {answer: a bypass or a second tail, note: zqx}
  - defect: {owner: supplier, asset: zqx meter, words: zqx second tail, restricted: true}
  - reported: {to: supplier, name: zqx, reference: zqx, words: zqx}
  - reported: {to: distributor, reference: R-1, words: zqx}
  - acted: {act: break-seals, in_spite: true, why: zqx}
  - correct: {step: interference, now: seals whole and nothing leads round it, why: zqx}
  - ended: {outcome: cannot-complete, why: zqx, left: zqx, guarded: zqx}
`

// late is found when photographs stand in the record already.
const late = `  - go-on: take-tails-out
  - defect: {owner: supplier, asset: zqx meter, words: zqx second tail, restricted: true}
  - ended: {outcome: abandoned, why: zqx, left: zqx}
`

// TestRestrictedNeverLeaves: nothing that is restricted reaches the consumer's or the distributor's copy, by words,
// answers, pictures or files, whatever the method calls its parts.
func TestRestrictedNeverLeaves(t *testing.T) {
	for _, entries := range []string{secrets, late} {
		_, v := scripted(t, entries)
		restrictedStays(t, v)
	}
}

func restrictedStays(t *testing.T, v *invented.Visit) {
	t.Helper()
	method, err := methodOf(v.Lines)
	if err != nil {
		t.Fatal(err)
	}
	names := drawNames(method, 7)
	lines, err := names.record(v.Lines)
	if err != nil {
		t.Fatal(err)
	}
	job := *v.Job
	job.Registers = nil
	for _, c := range []report.Copy{report.Consumer, report.Distributor} {
		for _, l := range [][][]byte{v.Lines, lines} {
			in := reread(t, v, l)
			in.Copy, in.Job = c, &job
			pdf := write(t, in)
			file := save(t, "restricted.pdf", pdf)
			text := strings.ToLower(tool(t, "pdftotext", file, "-"))
			for _, w := range []string{"zqx", "bypass", "interference", "leads round", "second tail", names.Stops["interference"], names.Steps["interference"]} {
				if strings.Contains(text, w) {
					t.Errorf("the copy for the %s has %q", c, w)
				}
			}
			if out := tool(t, "pdfdetach", "-list", file); !strings.HasPrefix(out, "0 embedded files") {
				t.Errorf("the copy for the %s carries %s", c, out)
			}
			if out := strings.TrimSpace(tool(t, "pdfimages", "-list", file)); strings.Count(out, "\n") > 1 {
				t.Errorf("the copy for the %s has pictures:\n%s", c, out)
			}
		}
	}
	// The judge sees what it looks for: the supplier's sheet and the full copy have it.
	in := reread(t, v, v.Lines)
	if s, _ := composed(t, in, report.Supplier); !strings.Contains(section(s, "restricted"), "zqx second tail") {
		t.Error("the restricted sheet does not have what is restricted")
	}
	if _, text := composed(t, in, report.Full); !strings.Contains(text, "does anything lead round the meter") {
		t.Error("the full copy does not have the question")
	}
}

// TestByRole: off and on times, fuse, seals and registers stand on the copies of those who need them.
func TestByRole(t *testing.T) {
	in, _ := input(t, "whole", report.Full)
	for id, want := range map[report.Copy][]string{
		report.Distributor: {"BS 88-3", "80 A", "1.21", "numbers 5518 and 5519", "numbers 7120 and 7121", "off at 09:12:30, on at 09:22:15"},
		report.Supplier:    {"04127 kWh", "00000 kWh", "Z11 40817", "Y26 00314", "off at 09:12:30, on at 09:22:15", "5 digits, 0 decimals, multiplier 1, import"},
		report.Consumer:    {"04127 kWh", "00000 kWh", "Y26 00314", "off at 09:12:30, on at 09:22:15, for 10 min"},
	} {
		_, text := composed(t, in, id)
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: %q is missing", id, w)
			}
		}
	}
}
