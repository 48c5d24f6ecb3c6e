package diagnose

import "math"

// exp and log are our own, in plain Go, since the standard library's are written
// in assembly on some processors and do not give the same bits everywhere. Their
// error is a few units in the last place.

const (
	ln2High = 6.93147180369123816490e-01
	ln2Low  = 1.90821492927058770002e-10
)

// inverse holds 1/n.
var inverse = [15]float64{0, 1, 1.0 / 2, 1.0 / 3, 1.0 / 4, 1.0 / 5, 1.0 / 6, 1.0 / 7, 1.0 / 8, 1.0 / 9, 1.0 / 10, 1.0 / 11, 1.0 / 12, 1.0 / 13, 1.0 / 14}

// exp returns e to the power of x, zero below −700.
func exp(x float64) float64 {
	if x < -700 {
		return 0
	}
	if x > 700 {
		x = 700
	}
	k := math.Floor(float64(x*1.4426950408889634) + 0.5)
	r := (x - float64(k*ln2High)) - float64(k*ln2Low)
	// Taylor's series, |r| ≤ ½ ln 2, from the last term in.
	sum := 1.0
	for n := 14; n >= 1; n-- {
		sum = 1 + float64(float64(r*sum)*inverse[n])
	}
	return float64(sum * math.Float64frombits(uint64(int64(k)+1023)<<52))
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
