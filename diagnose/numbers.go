package diagnose

import "math"

// exp and log are our own, in plain Go, since the standard library's are written
// in assembly on some processors and do not give the same bits everywhere. Their
// error is a few units in the last place.

const (
	ln2High = 6.93147180369123816490e-01
	ln2Low  = 1.90821492927058770002e-10
)

// roots32 holds 2 to the power of n/32, from square roots, which are correctly
// rounded on every processor.
var roots32 = func() (t [32]float64) {
	for n := range t {
		x, root := 1.0, 2.0
		for bit := 16; bit > 0; bit /= 2 {
			root = math.Sqrt(root)
			if n&bit != 0 {
				x = float64(x * root)
			}
		}
		t[n] = x
	}
	return t
}()

// exp returns e to the power of x, zero below −700.
func exp(x float64) float64 {
	if x < -700 {
		return 0
	}
	if x > 700 {
		x = 700
	}
	k := math.Floor(float64(x*(32*1.4426950408889634)) + 0.5)
	r := (x - float64(k*(ln2High/32))) - float64(k*(ln2Low/32))
	// Taylor's series, |r| ≤ ln 2/64.
	sum := 1 + float64(r*(1+float64(r*(0.5+float64(r*(1.0/6+float64(r*(1.0/24+float64(r*(1.0/120+float64(r*(1.0/720))))))))))))
	n := int64(k)
	return float64(float64(sum*roots32[n&31]) * math.Float64frombits(uint64(n>>5+1023)<<52))
}

// log returns the natural logarithm of x above zero, −750 for the rest.
func log(x float64) float64 {
	if !(x > 1e-300) {
		return -750
	}
	b := math.Float64bits(x)
	e := int(b>>52) - 1023
	m := math.Float64frombits(b&(1<<52-1) | 1023<<52)
	if m > math.Sqrt2 {
		m /= 2
		e++
	}
	f := (m - 1) / (m + 1)
	s, sum := float64(f*f), 0.0
	for n := 23; n >= 1; n -= 2 {
		sum = float64(sum*s) + 1/float64(n)
	}
	return float64(float64(e)*ln2High) + (float64(float64(e)*ln2Low) + float64(2*float64(f*sum)))
}

// roots holds the fractional parts of the square roots of primes, the steps of a
// quasi-random sequence (Kronecker's).
func roots(n int) []float64 {
	var list []float64
	for p := 2; len(list) < n; p++ {
		prime := true
		for q := 2; q*q <= p; q++ {
			if p%q == 0 {
				prime = false
				break
			}
		}
		if prime {
			r := math.Sqrt(float64(p))
			list = append(list, r-math.Floor(r))
		}
	}
	return list
}
