package circuit

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// WriteSPICE writes the circuit as a deck for a SPICE program, with the
// sources of one group alive, so that anybody can check a solution with a
// program that shares nothing with this one.
//
// A line "* node n1 = NAME" names each node; earth is node 0. Closed contacts
// are sources of 0 V (those that would only close a ring of contacts are left
// out, since a ring of sources is singular); a phasor is two sources, its
// real part at 0° and its imaginary part at 90°; ideal current transformers
// are current-controlled current sources. A resistance below one ohm is a voltage
// source that its own current controls: as a conductance it would stand beside
// picofarads in one sum, and a program that solves for node voltages would lose
// the picofarads' digits; for the same reason the deck asks for large pivots.
// The deck makes one AC point at the circuit's frequency and prints every node to
// 15 digits. The same circuit gives the same bytes.
func (c *Circuit) WriteSPICE(w io.Writer, group int) error {
	index, err := c.validate()
	if err != nil {
		return err
	}
	d := &deck{w: bufio.NewWriter(w), c: c, index: index, group: group}
	d.line("* linear circuit at %s Hz, sources of group %d", number(c.FHz), group)
	for i, n := range c.Nodes {
		d.line("* node n%d = %s", i+1, strings.Map(printable, n))
	}
	d.impedances()
	for i := range c.Capacitors {
		r := &c.Capacitors[i]
		d.line("Cc%d %s %s %s", i, d.node(r.A), d.node(r.B), number(r.CFarad))
	}
	d.sources()
	d.contacts()
	d.line(".options noopac pivrel=0.9")
	d.line(".control")
	d.line("set numdgt=15")
	d.line("ac lin 1 %s %s", number(c.FHz), number(c.FHz))
	for i := range c.Nodes {
		d.line("print v(n%d)", i+1)
	}
	d.line(".endc")
	d.line(".end")
	if err := d.w.Flush(); err != nil {
		return fmt.Errorf("circuit: write deck: %w", err)
	}
	return nil
}

// printable keeps a name on its comment line.
func printable(r rune) rune {
	if r < ' ' || r == 0x7f {
		return '?'
	}
	return r
}

type deck struct {
	w     *bufio.Writer // keeps the first error until Flush
	c     *Circuit
	index map[string]int
	group int
}

func (d *deck) line(format string, args ...any) {
	fmt.Fprintf(d.w, format, args...)
	d.w.WriteByte('\n')
}

// number writes the fewest digits that read back as the same number.
func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func (d *deck) node(name string) string {
	if i := d.index[name]; i > 0 {
		return "n" + strconv.Itoa(i)
	}
	return "0"
}

// series writes R and L in series from node a to node b.
func (d *deck) series(id, a, b string, rOhm, xOhm float64) {
	henry := xOhm / omega(d.c.FHz)
	switch {
	case xOhm == 0:
		d.resistance(id, a, b, rOhm)
	case rOhm == 0:
		d.line("L%s %s %s %s", id, a, b, number(henry))
	default:
		d.resistance(id, a, "m"+id, rOhm)
		d.line("L%s m%s %s %s", id, id, b, number(henry))
	}
}

// smallOhm is the resistance below which a row is written as a controlled source.
const smallOhm = 1

func (d *deck) resistance(id, a, b string, rOhm float64) {
	if rOhm >= smallOhm {
		d.line("R%s %s %s %s", id, a, b, number(rOhm))
		return
	}
	d.line("Vx%s %s x%s DC 0 AC 0 0", id, a, id)
	d.line("Hx%s x%s %s Vx%s %s", id, id, b, id, number(rOhm))
}

func (d *deck) impedances() {
	primary := map[string]bool{}
	for i := range d.c.Transformers {
		primary[d.c.Transformers[i].Primary] = true
	}
	row := map[string]int{}
	for i := range d.c.Impedances {
		r := &d.c.Impedances[i]
		id, a := fmt.Sprintf("z%d", i), d.node(r.A)
		if r.Name != "" {
			row[r.Name] = i
		}
		if primary[r.Name] {
			d.line("Vp%d %s p%d DC 0 AC 0 0", i, a, i)
			a = fmt.Sprintf("p%d", i)
		}
		d.series(id, a, d.node(r.B), r.ROhm, r.XOhm)
	}
	for i := range d.c.Transformers {
		r := &d.c.Transformers[i]
		d.line("Ft%d %s %s Vp%d %s", i, d.node(r.From), d.node(r.To), row[r.Primary], number(1/r.Ratio))
	}
}

func (d *deck) sources() {
	for i := range d.c.VoltageSources {
		r := &d.c.VoltageSources[i]
		re, im := r.EReVolt, r.EImVolt
		if r.Group != d.group {
			re, im = 0, 0
		}
		minus := d.node(r.Minus)
		if !r.ideal() {
			minus = fmt.Sprintf("s%d", i)
			d.series(fmt.Sprintf("s%d", i), minus, d.node(r.Minus), r.ROhm, r.XOhm)
		}
		d.line("Vr%d %s q%d DC 0 AC %s 0", i, d.node(r.Plus), i, number(re))
		d.line("Vi%d q%d %s DC 0 AC %s 90", i, i, minus, number(im))
	}
	for i := range d.c.CurrentSources {
		r := &d.c.CurrentSources[i]
		if r.Group != d.group {
			continue
		}
		from, to := d.node(r.From), d.node(r.To)
		d.line("Ir%d %s %s DC 0 AC %s 0", i, from, to, number(r.IReAmp))
		d.line("Ii%d %s %s DC 0 AC %s 90", i, from, to, number(r.IImAmp))
	}
}

func (d *deck) contacts() {
	root := make([]int, len(d.index))
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			i = root[i]
		}
		return i
	}
	for i := range d.c.Contacts {
		r := &d.c.Contacts[i]
		if !r.Closed {
			continue
		}
		a, b := find(d.index[r.A]), find(d.index[r.B])
		if a == b {
			d.line("* contact %d closes a ring of contacts", i)
			continue
		}
		root[a] = b
		d.line("Vk%d %s %s DC 0 AC 0 0", i, d.node(r.A), d.node(r.B))
	}
}
