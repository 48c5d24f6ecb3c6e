package world_test

import (
	"errors"
	"math"
	"math/big"

	"meterwright/circuit"
)

// The oracle is nodal analysis in 256-bit arithmetic, which leaves 60 digits for
// what nodal analysis cancels. It shares no code with the solver. It does not
// take closed contacts or ideal sources, which the models do not use; current
// transformers are driven one-way as the solver's documentation says.

const bits = 256

type number struct{ re, im *big.Float }

func real1(x float64) *big.Float { return new(big.Float).SetPrec(bits).SetFloat64(x) }
func blank() *big.Float          { return new(big.Float).SetPrec(bits) }
func of(re, im float64) number   { return number{real1(re), real1(im)} }

func (a number) plus(b number) number {
	return number{blank().Add(a.re, b.re), blank().Add(a.im, b.im)}
}
func (a number) minus(b number) number {
	return number{blank().Sub(a.re, b.re), blank().Sub(a.im, b.im)}
}
func (a number) times(b number) number {
	return number{
		blank().Sub(blank().Mul(a.re, b.re), blank().Mul(a.im, b.im)),
		blank().Add(blank().Mul(a.re, b.im), blank().Mul(a.im, b.re)),
	}
}
func (a number) inverse() number {
	d := blank().Add(blank().Mul(a.re, a.re), blank().Mul(a.im, a.im))
	return number{blank().Quo(a.re, d), blank().Quo(blank().Neg(a.im), d)}
}
func (a number) zero() bool { return a.re.Sign() == 0 && a.im.Sign() == 0 }
func (a number) size() float64 {
	re, _ := a.re.Float64()
	im, _ := a.im.Float64()
	return math.Hypot(re, im)
}
func (a number) phasor() circuit.Phasor {
	re, _ := a.re.Float64()
	im, _ := a.im.Float64()
	return circuit.Phasor{Re: re, Im: im}
}

// oracle returns the voltage of every node by name.
func oracle(c *circuit.Circuit, group int) (map[string]circuit.Phasor, error) {
	at := map[string]int{circuit.Earth: -1}
	for i, n := range c.Nodes {
		at[n] = i
	}
	n := len(c.Nodes)
	solve := func(secondary []number) ([]number, error) {
		m := make([][]number, n)
		for i := range m {
			m[i] = make([]number, n+1)
			for j := range m[i] {
				m[i][j] = of(0, 0)
			}
		}
		branch := func(a, b string, y number) {
			i, j := at[a], at[b]
			if i >= 0 {
				m[i][i] = m[i][i].plus(y)
			}
			if j >= 0 {
				m[j][j] = m[j][j].plus(y)
			}
			if i >= 0 && j >= 0 {
				m[i][j] = m[i][j].minus(y)
				m[j][i] = m[j][i].minus(y)
			}
		}
		inject := func(from, to string, amp number) {
			if i := at[from]; i >= 0 {
				m[i][n] = m[i][n].minus(amp)
			}
			if j := at[to]; j >= 0 {
				m[j][n] = m[j][n].plus(amp)
			}
		}
		for _, r := range c.Impedances {
			branch(r.A, r.B, of(r.ROhm, r.XOhm).inverse())
		}
		omega := real1(2 * math.Pi * c.FHz)
		for _, r := range c.Capacitors {
			branch(r.A, r.B, number{real1(0), blank().Mul(omega, real1(r.CFarad))})
		}
		for _, r := range c.VoltageSources {
			y := of(r.ROhm, r.XOhm).inverse()
			branch(r.Plus, r.Minus, y)
			if r.Group == group {
				inject(r.Minus, r.Plus, y.times(of(r.EReVolt, r.EImVolt)))
			}
		}
		for _, r := range c.CurrentSources {
			if r.Group == group {
				inject(r.From, r.To, of(r.IReAmp, r.IImAmp))
			}
		}
		for i, amp := range secondary {
			inject(c.Transformers[i].From, c.Transformers[i].To, amp)
		}
		return gauss(m)
	}
	x, err := solve(nil)
	if err != nil {
		return nil, err
	}
	if len(c.Transformers) > 0 {
		var amps []number
		for _, t := range c.Transformers {
			for _, r := range c.Impedances {
				if r.Name != t.Primary {
					continue
				}
				v := of(0, 0)
				if i := at[r.A]; i >= 0 {
					v = v.plus(x[i])
				}
				if i := at[r.B]; i >= 0 {
					v = v.minus(x[i])
				}
				amps = append(amps, v.times(of(r.ROhm, r.XOhm).inverse()).times(of(t.Ratio, 0).inverse()))
			}
		}
		if x, err = solve(amps); err != nil {
			return nil, err
		}
	}
	out := map[string]circuit.Phasor{}
	for i, name := range c.Nodes {
		out[name] = x[i].phasor()
	}
	return out, nil
}

func gauss(m [][]number) ([]number, error) {
	n := len(m)
	for k := range n {
		best := k
		for i := k + 1; i < n; i++ {
			if m[i][k].size() > m[best][k].size() {
				best = i
			}
		}
		m[k], m[best] = m[best], m[k]
		if m[k][k].zero() {
			return nil, errors.New("singular")
		}
		inv := m[k][k].inverse()
		for i := k + 1; i < n; i++ {
			if m[i][k].zero() {
				continue
			}
			f := m[i][k].times(inv)
			for j := k; j <= n; j++ {
				if !m[k][j].zero() {
					m[i][j] = m[i][j].minus(f.times(m[k][j]))
				}
			}
		}
	}
	x := make([]number, n)
	for k := n - 1; k >= 0; k-- {
		s := m[k][n]
		for j := k + 1; j < n; j++ {
			if !m[k][j].zero() {
				s = s.minus(m[k][j].times(x[j]))
			}
		}
		x[k] = s.times(m[k][k].inverse())
	}
	return x, nil
}
