package circuit

import (
	"bytes"
	"io"
	"os"
	"testing"

	"meterwright/internal/test/ngspice"
)

// runDecks solves the decks in one ngspice process and returns the printed
// voltages by the node's number, deck by deck.
func runDecks(t testing.TB, circuits []Circuit) []map[int]Phasor {
	t.Helper()
	list := ngspice.Voltages(t, len(circuits), func(i int, to io.Writer) error { return circuits[i].WriteSPICE(to, 0) })
	got := make([]map[int]Phasor, len(list))
	for i, c := range circuits {
		if len(list[i]) != len(c.Nodes) {
			t.Fatalf("ngspice printed %d of %d nodes of deck %d", len(list[i]), len(c.Nodes), i)
		}
		got[i] = map[int]Phasor{}
		for n, v := range list[i] {
			got[i][n] = Phasor{real(v), imag(v)}
		}
	}
	return got
}

// A hundred mild circuits and a hundred with a nearly floating island, every
// node against ngspice (its sparse LU loses digits on the islands).
func TestAgainstNgspice(t *testing.T) {
	each := times(100)
	var circuits []Circuit
	for seed := range uint64(each) {
		circuits = append(circuits, randomCircuit(1000+seed, 6+int(seed%25), mild))
	}
	for seed := range uint64(each) {
		circuits = append(circuits, randomCircuit(2000+seed, 6+int(seed%25), floats))
	}
	most := [2]float64{}
	for i, got := range runDecks(t, circuits) {
		c := circuits[i]
		p, ws := solved(t, c)
		want := map[string]Phasor{}
		for n, v := range got {
			want[c.Nodes[n-1]] = v
		}
		tol, kind := 1e-6, 0
		if i >= each {
			tol, kind = 1e-5, 1
		}
		e, at := worst(&c, p, ws, 0, want, 1e-3)
		if !(e <= tol) {
			t.Errorf("deck %d: %s differs by %.1e, more than %.0e", i, at, e, tol)
		}
		most[kind] = max(most[kind], e)
	}
	t.Logf("largest relative difference: %.1e, on nearly floating islands %.1e", most[0], most[1])
}

// asPrinted holds every node of every circuit against ngspice.
func asPrinted(t *testing.T, circuits ...Circuit) {
	t.Helper()
	for i, got := range runDecks(t, circuits) {
		c := circuits[i]
		p, ws := solved(t, c)
		for n, want := range got {
			k, _ := p.Node(c.Nodes[n-1])
			near(t, c.Nodes[n-1], ws.Voltage(k, 0), want, 1e-6*want.Abs()+1e-9)
		}
	}
}

// A current transformer in a deck is a current-controlled current source.
func TestTransformersAgainstNgspice(t *testing.T) {
	var circuits []Circuit
	for seed := range uint64(times(20)) {
		circuits = append(circuits, inSecondary(randomCircuit(8000+seed, 12, mild)))
	}
	asPrinted(t, circuits...)
}

// The service positions of the benchmarks, against ngspice.
func TestServicePositionsAgainstNgspice(t *testing.T) {
	one, _ := servicePosition(1)
	three, _ := servicePosition(3)
	asPrinted(t, one, three)
}

// The deck as it stands, so that a change of it is seen.
func TestDeck(t *testing.T) {
	c := Circuit{
		FHz: 50, Nodes: []string{"supply", "cutout.l-supply", "metalwork.box", "odd\nname"},
		VoltageSources: []VoltageSource{
			{Plus: "supply", Minus: Earth, EReVolt: 230},
			{Plus: "odd\nname", Minus: Earth, EReVolt: 9, EImVolt: -1, ROhm: 3, Group: 1},
		},
		CurrentSources: []CurrentSource{{From: "supply", To: Earth, IReAmp: 2}},
		Impedances:     []Impedance{{"main", "supply", "cutout.l-supply", 0.25, 0.125}, {"choke", "cutout.l-supply", Earth, 0, 8}},
		Capacitors:     []Capacitor{{"box", "metalwork.box", Earth, 1e-9}},
		Contacts:       []Contact{{"k", "cutout.l-supply", "metalwork.box", true}, {"ring", "metalwork.box", "cutout.l-supply", true}, {"off", "supply", Earth, false}},
		Transformers:   []CurrentTransformer{{"ct", "main", Earth, "metalwork.box", 4}},
	}
	const want = `* linear circuit at 50 Hz, sources of group 1
* node n1 = supply
* node n2 = cutout.l-supply
* node n3 = metalwork.box
* node n4 = odd?name
Vp0 n1 p0 DC 0 AC 0 0
Vxz0 p0 xz0 DC 0 AC 0 0
Hxz0 xz0 mz0 Vxz0 0.25
Lz0 mz0 n2 0.00039788735772973834
Lz1 n2 0 0.025464790894703253
Ft0 0 n3 Vp0 0.25
Cc0 n3 0 1e-09
Vr0 n1 q0 DC 0 AC 0 0
Vi0 q0 0 DC 0 AC 0 90
Rs1 s1 0 3
Vr1 n4 q1 DC 0 AC 9 0
Vi1 q1 s1 DC 0 AC -1 90
Vk0 n2 n3 DC 0 AC 0 0
* contact 1 closes a ring of contacts
.options noopac pivrel=0.9
.control
set numdgt=15
ac lin 1 50 50
print v(n1)
print v(n2)
print v(n3)
print v(n4)
.endc
.end
`
	for range 2 {
		var b bytes.Buffer
		if err := c.WriteSPICE(&b, 1); err != nil {
			t.Fatal(err)
		}
		if b.String() != want {
			t.Errorf("got\n%s\nwant\n%s", b.String(), want)
		}
	}
	c.FHz = -1
	if err := c.WriteSPICE(&bytes.Buffer{}, 0); err == nil {
		t.Error("a circuit with a fault was written")
	}
	c.FHz = 50
	if err := c.WriteSPICE(full{}, 0); err == nil {
		t.Error("a failed write was not reported")
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, os.ErrClosed }
