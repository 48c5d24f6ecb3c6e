package site

import "math"

// drawBits is how finely a draw divides the logarithm of a range.
const drawBits = 24

// Draw returns credible values of every parameter from numbers that are spread
// evenly from 0 to 1, one for each. It gives the same bits everywhere: powers are
// made of square roots, which are correctly rounded on every processor.
func Draw(uniform *[ParameterCount]float64) Values {
	var v Values
	for i := range parameters {
		v[i] = parameters[i].At(uniform[i])
	}
	return v
}

// At returns the value that a share u, from 0 to 1, of a parameter's range stands
// for.
func (p *Parameter) At(u float64) float64 {
	switch {
	case p.Low == p.High:
		return p.Low
	case !p.Log:
		return p.Low + float64(u*(p.High-p.Low))
	}
	x, ratio := p.Low, p.High/p.Low
	for range drawBits {
		ratio = math.Sqrt(ratio)
		if u *= 2; u >= 1 {
			u--
			x = float64(x * ratio)
		}
	}
	return x
}
