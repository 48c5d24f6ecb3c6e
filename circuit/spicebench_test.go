package circuit

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"meterwright/internal/test/ngspice"
)

// BenchmarkAgainstNgspice reports how many times longer ngspice takes for the
// node voltages of the same decks, in one process. Its start, the reading of
// the decks and all printing are left out: they cancel in the difference of
// two runs that differ only in how often each deck is solved.
func BenchmarkAgainstNgspice(b *testing.B) {
	program := ngspice.Path(b)
	var circuits []Circuit
	for _, phases := range []int{1, 3} {
		c, _ := servicePosition(phases)
		circuits = append(circuits, c)
	}
	for seed := range uint64(8) {
		circuits = append(circuits, randomCircuit(7000+seed, 25, floats))
	}
	dir := b.TempDir()
	write := func(name, text string) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			b.Fatal(err)
		}
		return name
	}
	var decks []string
	for i := range circuits {
		var deck bytes.Buffer
		if err := circuits[i].WriteSPICE(&deck, 0); err != nil {
			b.Fatal(err)
		}
		elements, _, _ := strings.Cut(deck.String(), ".control")
		decks = append(decks, write(fmt.Sprintf("d%d.cir", i), elements+".end\n"))
	}
	run := func(times, points int) time.Duration {
		var main strings.Builder
		main.WriteString("* all decks\n.control\n")
		for _, d := range decks {
			fmt.Fprintf(&main, "source %s\nrepeat %d\nac lin %d 50 50.001\ndestroy all\nend\nremcirc\n", d, times, points)
		}
		main.WriteString("quit\n.endc\n.end\n")
		cmd := exec.Command(program, "-b", write("all.cir", main.String()))
		start := time.Now()
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("ngspice: %v\n%s", err, out)
		}
		return time.Since(start)
	}
	least, bare := time.Duration(1<<62), time.Duration(1<<62)
	for range 3 {
		least = min(least, run(110, 1)-run(10, 1))
		bare = min(bare, run(1, 5001)-run(1, 1))
	}
	each := float64(len(circuits))
	theirs, theirBare := float64(least.Nanoseconds())/100/each, float64(bare.Nanoseconds())/5000/each
	var all []*Workspace
	for i := range circuits {
		_, ws := solved(b, circuits[i])
		all = append(all, ws)
	}
	for b.Loop() {
		for _, ws := range all {
			ws.touch()
			if err := ws.Solve(); err != nil {
				b.Fatal(err)
			}
		}
	}
	ours := float64(b.Elapsed().Nanoseconds()) / float64(b.N*len(all))
	b.ReportMetric(ours, "ns/deck")
	b.ReportMetric(theirs, "ngspice-ns/deck")
	b.ReportMetric(theirs/ours, "times")
	b.ReportMetric(theirBare/ours, "bare-times")
}
