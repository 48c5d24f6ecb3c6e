package replay_test

import (
	"bytes"
	"encoding/json/v2"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"meterwright/record"
)

// FuzzRead reads the lines of several chains, however they were altered, after an opening that is whole: it
// does not panic, and the lines give the same case in whatever order they come. With linked, each line is
// placed after the one that stands before it under its key, so that what is altered still counts.
func FuzzRead(f *testing.F) {
	drawn := rapid.Custom(draw)
	for seed := range 12 {
		lines := inFile(f, drawn.Example(seed)[len(opening):])
		f.Add(lines, uint64(seed), seed%2 == 0)
	}
	f.Add([]byte("\n{}\n\xff\n"), uint64(0), false)
	f.Fuzz(func(t *testing.T, text []byte, order uint64, linked bool) {
		list := append([]record.Event{}, opening...)
		heads := map[record.Key]record.Event{opening[1].Key: opening[1]}
		for line := range bytes.Lines(text) {
			e, err := record.Decode(bytes.TrimSuffix(line, []byte("\n")))
			if err != nil {
				continue
			}
			if last, begun := heads[e.Key]; linked && begun {
				if slices.ContainsFunc(list, func(x record.Event) bool { return x.Hash == e.Hash }) {
					continue // One line has one place.
				}
				e.Seq, e.Prev = last.Seq+1, last.Hash
			}
			heads[e.Key] = e
			list = append(list, e)
		}
		want, err := reader.Read(list)
		shuffled := append([]record.Event{}, list...)
		rand.New(rand.NewPCG(order, 0)).Shuffle(len(list), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		got, again := reader.Read(shuffled)
		if (err == nil) != (again == nil) {
			t.Fatalf("read with %v, and in another order with %v", err, again)
		}
		if err == nil {
			same(t, want, got)
		}
	})
}

// inFile is events as the lines of a file, each named by the hash of its line.
func inFile(f *testing.F, events []record.Event) []byte {
	var text []byte
	var names []string
	for _, e := range events {
		line, err := json.Marshal(map[string]any{"body": e.Body, "boot": e.Boot, "format": record.Format, "key": e.Key.String(), "kind": e.Kind,
			"mono": e.Mono, "nature": e.Nature, "person": e.Person, "prev": e.Prev.String(), "seq": e.Seq, "sig": strings.Repeat("0", 128),
			"visit": e.Visit, "wall": e.Wall.Format("2006-01-02T15:04:05.000-07:00")}, json.Deterministic(true))
		if err != nil {
			f.Fatal(err)
		}
		line = []byte(strings.NewReplacer(names...).Replace(string(line)))
		read, err := record.Decode(line)
		if err != nil {
			f.Fatalf("%s: %v", line, err)
		}
		names = append(names, e.Hash.String(), read.Hash.String())
		text = append(append(text, line...), '\n')
	}
	return text
}
