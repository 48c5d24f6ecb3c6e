package site

import (
	"math"

	"meterwright/circuit"
)

// form says how an amount follows from the parameters.
type form uint8

const (
	// plain is Base + K·p·q.
	plain form = iota
	// loadR and loadX are the parts of the series impedance of a load of K·p
	// watts at the nominal 230 V and the power factor LoadPF.
	loadR
	loadX
)

// amount is one number of a row as a function of the parameters, so that a row
// follows a new draw without being written again.
type amount struct {
	form    form
	base, k float64
	p, q    ParamID
}

func fixed(x float64) amount                   { return amount{base: x, p: none, q: none} }
func of(p ParamID) amount                      { return amount{k: 1, p: p, q: none} }
func times(k float64, p ParamID) amount        { return amount{k: k, p: p, q: none} }
func product(k float64, p, q ParamID) amount   { return amount{k: k, p: p, q: q} }
func load(f form, k float64, p ParamID) amount { return amount{form: f, k: k, p: p, q: none} }

func (a amount) plus(x float64) amount { a.base += x; return a }

// nominalVolt is the voltage at which a load draws its rated power: Electricity
// Safety, Quality and Continuity Regulations 2002, regulation 27 [S].
const nominalVolt = 230

func (a *amount) at(v *Values) float64 {
	if a.p < 0 {
		return a.base + a.k
	}
	x := a.k
	x = float64(x * v[a.p])
	if a.q >= 0 {
		x = float64(x * v[a.q])
	}
	switch a.form {
	case loadR, loadX:
		// |Z| = U²·pf/P; R = |Z|·pf; X = |Z|·√(1 − pf²).
		pf := v[LoadPF]
		z := float64(nominalVolt*nominalVolt) * pf / x
		if a.form == loadR {
			return float64(z * pf)
		}
		return float64(z * math.Sqrt(1-float64(pf*pf)))
	}
	return a.base + x
}

// at is the series impedance in ohms, with the division of a load made once.
func (a *impedanceAmount) at(v *Values) (rOhm, xOhm float64) {
	if a.r.form != loadR || a.x.form != loadX || a.r.k != a.x.k || a.r.p != a.x.p {
		return a.r.at(v), a.x.at(v)
	}
	pf := v[LoadPF]
	z := float64(nominalVolt*nominalVolt) * pf / float64(a.r.k*v[a.r.p])
	return float64(z * pf), float64(z * math.Sqrt(1-float64(pf*pf)))
}

// phaseTurns are the phasors of 1 at 0°, −120° and +120°, for L1, L2 and L3.
var phaseTurns = [4]circuit.Phasor{{Re: 1}, {Re: 1}, {Re: -0.5, Im: -0.8660254037844386}, {Re: -0.5, Im: 0.8660254037844386}}
