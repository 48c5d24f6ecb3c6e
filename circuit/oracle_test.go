package circuit

import (
	"errors"
	"math"
	"math/big"

	"gonum.org/v1/gonum/mat"
)

// The oracle is modified nodal analysis: node voltages and, as unknowns of
// their own, the currents of impedances, voltage sources and closed contacts.
// It shares no code with the solver. Its entries are exact in float64, so the
// same table serves gonum's LU in real block form and Gaussian elimination in
// 256-bit arithmetic.

type entry struct {
	row, col int
	re, im   float64
}

type tableau struct {
	size    int
	entries []entry
	rhs     []Phasor
	node    map[string]int // -1 for earth
	amp     []int          // unknown of each impedance's current
}

// newTableau writes the equations of one group of sources. Secondary are the
// currents of the current transformers.
func newTableau(c *Circuit, group int, secondary []Phasor) *tableau {
	t := &tableau{node: map[string]int{Earth: -1}}
	for i, n := range c.Nodes {
		t.node[n] = i
	}
	t.size = len(c.Nodes)
	t.rhs = make([]Phasor, t.size)
	put := func(row, col int, re, im float64) {
		if row >= 0 && col >= 0 {
			t.entries = append(t.entries, entry{row, col, re, im})
		}
	}
	// branch adds an unknown current x from a to b with V(a) − V(b) − Z·x = e.
	branch := func(a, b string, r, x float64, e Phasor) int {
		k := t.size
		t.size++
		t.rhs = append(t.rhs, e)
		put(t.node[a], k, 1, 0)
		put(t.node[b], k, -1, 0)
		put(k, t.node[a], 1, 0)
		put(k, t.node[b], -1, 0)
		put(k, k, -r, -x)
		return k
	}
	inject := func(from, to string, amp Phasor) {
		if i := t.node[from]; i >= 0 {
			t.rhs[i] = t.rhs[i].Minus(amp)
		}
		if i := t.node[to]; i >= 0 {
			t.rhs[i] = t.rhs[i].Plus(amp)
		}
	}
	for _, r := range c.Impedances {
		t.amp = append(t.amp, branch(r.A, r.B, r.ROhm, r.XOhm, Phasor{}))
	}
	for _, r := range c.Capacitors {
		y := omega(c.FHz) * r.CFarad
		a, b := t.node[r.A], t.node[r.B]
		put(a, a, 0, y)
		put(b, b, 0, y)
		put(a, b, 0, -y)
		put(b, a, 0, -y)
	}
	for _, r := range c.VoltageSources {
		e := Phasor{r.EReVolt, r.EImVolt}
		if r.Group != group {
			e = Phasor{}
		}
		branch(r.Plus, r.Minus, r.ROhm, r.XOhm, e)
	}
	for _, r := range c.CurrentSources {
		if r.Group == group {
			inject(r.From, r.To, Phasor{r.IReAmp, r.IImAmp})
		}
	}
	for i, r := range c.Transformers {
		if secondary != nil {
			inject(r.From, r.To, secondary[i])
		}
	}
	// Contacts that would close a ring of contacts are left out.
	loop := make([]int, len(c.Nodes)+1)
	for i := range loop {
		loop[i] = i
	}
	find := func(i int) int {
		for loop[i] != i {
			i = loop[i]
		}
		return i
	}
	for _, r := range c.Contacts {
		if a, b := find(t.node[r.A]+1), find(t.node[r.B]+1); r.Closed && a != b {
			loop[a] = b
			branch(r.A, r.B, 0, 0, Phasor{})
		}
	}
	return t
}

// twice solves without and then with the current transformers.
func (c *Circuit) twice(group int, solve func(*tableau) ([]Phasor, error)) (map[string]Phasor, error) {
	t := newTableau(c, group, nil)
	x, err := solve(t)
	if err != nil {
		return nil, err
	}
	if len(c.Transformers) > 0 {
		var amp []Phasor
		for _, r := range c.Transformers {
			for i, p := range c.Impedances {
				if p.Name == r.Primary {
					amp = append(amp, x[t.amp[i]].Scaled(1/r.Ratio))
				}
			}
		}
		t = newTableau(c, group, amp)
		if x, err = solve(t); err != nil {
			return nil, err
		}
	}
	v := map[string]Phasor{Earth: {}}
	for i, n := range c.Nodes {
		v[n] = x[i]
	}
	return v, nil
}

// blockLU solves (A + jB)(x + jy) = r + js as [A −B; B A][x; y] = [r; s].
func blockLU(t *tableau) ([]Phasor, error) {
	n := t.size
	a := mat.NewDense(2*n, 2*n, nil)
	for _, e := range t.entries {
		a.Set(e.row, e.col, a.At(e.row, e.col)+e.re)
		a.Set(n+e.row, n+e.col, a.At(n+e.row, n+e.col)+e.re)
		a.Set(n+e.row, e.col, a.At(n+e.row, e.col)+e.im)
		a.Set(e.row, n+e.col, a.At(e.row, n+e.col)-e.im)
	}
	b := mat.NewVecDense(2*n, nil)
	for i, r := range t.rhs {
		b.SetVec(i, r.Re)
		b.SetVec(n+i, r.Im)
	}
	var lu mat.LU
	lu.Factorize(a)
	var x mat.VecDense
	var condition mat.Condition
	if err := lu.SolveVecTo(&x, false, b); err != nil && !errors.As(err, &condition) {
		return nil, err
	}
	out := make([]Phasor, n)
	for i := range out {
		out[i] = Phasor{x.AtVec(i), x.AtVec(n + i)}
	}
	return out, nil
}

const oracleBits = 256

type bigPhasor struct{ re, im *big.Float }

func newBig(x float64) *big.Float { return new(big.Float).SetPrec(oracleBits).SetFloat64(x) }

func (a bigPhasor) zero() bool { return a.re.Sign() == 0 && a.im.Sign() == 0 }

func (a bigPhasor) size() float64 {
	r, _ := a.re.Float64()
	i, _ := a.im.Float64()
	return math.Hypot(r, i)
}

func (a bigPhasor) times(b bigPhasor) bigPhasor {
	n := func() *big.Float { return new(big.Float).SetPrec(oracleBits) }
	return bigPhasor{
		n().Sub(n().Mul(a.re, b.re), n().Mul(a.im, b.im)),
		n().Add(n().Mul(a.re, b.im), n().Mul(a.im, b.re)),
	}
}

func (a bigPhasor) minus(b bigPhasor) bigPhasor {
	n := func() *big.Float { return new(big.Float).SetPrec(oracleBits) }
	return bigPhasor{n().Sub(a.re, b.re), n().Sub(a.im, b.im)}
}

func (a bigPhasor) inverse() bigPhasor {
	n := func() *big.Float { return new(big.Float).SetPrec(oracleBits) }
	d := n().Add(n().Mul(a.re, a.re), n().Mul(a.im, a.im))
	return bigPhasor{n().Quo(a.re, d), n().Neg(n().Quo(a.im, d))}
}

// bigGauss solves by elimination with partial pivoting in 256 bits, skipping
// zeros.
func bigGauss(t *tableau) ([]Phasor, error) {
	n := t.size
	a := make([][]bigPhasor, n)
	for i := range a {
		a[i] = make([]bigPhasor, n+1)
		for j := range a[i] {
			a[i][j] = bigPhasor{newBig(0), newBig(0)}
		}
		a[i][n] = bigPhasor{newBig(t.rhs[i].Re), newBig(t.rhs[i].Im)}
	}
	for _, e := range t.entries {
		p := a[e.row][e.col]
		p.re.Add(p.re, newBig(e.re))
		p.im.Add(p.im, newBig(e.im))
	}
	for k := range n {
		best, size := -1, 0.0
		for i := k; i < n; i++ {
			if s := a[i][k].size(); s > size {
				best, size = i, s
			}
		}
		if best < 0 {
			return nil, errors.New("singular")
		}
		a[k], a[best] = a[best], a[k]
		inv := a[k][k].inverse()
		for i := k + 1; i < n; i++ {
			if a[i][k].zero() {
				continue
			}
			f := a[i][k].times(inv)
			for j := k; j <= n; j++ {
				if !a[k][j].zero() {
					a[i][j] = a[i][j].minus(f.times(a[k][j]))
				}
			}
		}
	}
	x := make([]bigPhasor, n)
	out := make([]Phasor, n)
	for k := n - 1; k >= 0; k-- {
		s := a[k][n]
		for j := k + 1; j < n; j++ {
			if !a[k][j].zero() {
				s = s.minus(a[k][j].times(x[j]))
			}
		}
		x[k] = s.times(a[k][k].inverse())
		out[k].Re, _ = x[k].re.Float64()
		out[k].Im, _ = x[k].im.Float64()
	}
	return out, nil
}
