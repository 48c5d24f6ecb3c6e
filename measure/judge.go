package measure

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// DefaultGuard is the guard band multiplier that gives 95 % on one side:
// the normal quantile of 0.95, written 1.64 in JCGM 106:2012, 8.3.2.
const DefaultGuard = 1.644853626951473

// Limit is a tolerance interval with a lower bound, an upper bound or both, in
// one unit. The zero Limit has neither and judges nothing.
type Limit struct {
	lower, upper       float64
	hasLower, hasUpper bool
}

// AtLeast returns the limit value ≥ lower.
func AtLeast(lower float64) Limit { return Limit{lower: lower, hasLower: true} }

// AtMost returns the limit value ≤ upper.
func AtMost(upper float64) Limit { return Limit{upper: upper, hasUpper: true} }

// Between returns the limit lower ≤ value ≤ upper.
func Between(lower, upper float64) Limit {
	return Limit{lower: lower, upper: upper, hasLower: true, hasUpper: true}
}

// Lower returns the lower bound and whether there is one.
func (l Limit) Lower() (float64, bool) { return l.lower, l.hasLower }

// Upper returns the upper bound and whether there is one.
func (l Limit) Upper() (float64, bool) { return l.upper, l.hasUpper }

// Check refuses a limit without bounds, with bounds that are not finite, or
// with the lower above the upper.
func (l Limit) Check() error {
	switch {
	case !l.hasLower && !l.hasUpper:
		return errors.New("limit has no bounds: give a lower bound, an upper bound or both")
	case math.IsNaN(l.lower) || math.IsInf(l.lower, 0) || math.IsNaN(l.upper) || math.IsInf(l.upper, 0):
		return fmt.Errorf("limit %s: bounds must be finite: leave out the one that does not exist", l)
	case l.hasLower && l.hasUpper && l.lower > l.upper:
		return fmt.Errorf("limit %s: the lower bound is above the upper: exchange them", l)
	}
	return nil
}

// String returns the limit in words: "at most 0.35", "216.2 to 253".
func (l Limit) String() string {
	format := func(f float64) string { return strconv.FormatFloat(f, 'g', -1, 64) }
	switch {
	case l.hasLower && l.hasUpper:
		return format(l.lower) + " to " + format(l.upper)
	case l.hasLower:
		return "at least " + format(l.lower)
	case l.hasUpper:
		return "at most " + format(l.upper)
	}
	return "no limit"
}

// Verdict is the outcome of judging a value against a limit. Its zero value is
// Doubtful, so that nothing left out reads as a pass.
type Verdict uint8

// The verdicts.
const (
	Doubtful Verdict = iota // the uncertainty leaves either side possible
	Pass                    // within the limit, guard band included
	Fail                    // outside the limit, guard band included
)

// String returns "doubtful", "pass" or "fail".
func (v Verdict) String() string {
	switch v {
	case Pass:
		return "pass"
	case Fail:
		return "fail"
	}
	return "doubtful"
}

// MarshalText writes what String returns.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads "pass", "doubtful" or "fail".
func (v *Verdict) UnmarshalText(text []byte) error {
	for _, known := range []Verdict{Doubtful, Pass, Fail} {
		if string(text) == known.String() {
			*v = known
			return nil
		}
	}
	return fmt.Errorf("verdict %q is not known: use pass, doubtful or fail", shorten(string(text)))
}

// Judgement is a verdict with the probability, 0 to 1, that the true value lies
// within the limit. The probability is rounded to six decimals, so that every
// build gives the same verdict and the same text.
type Judgement struct {
	Verdict     Verdict `json:"verdict"`
	Probability float64 `json:"probability"`
}

// Judge judges a value with standard uncertainty u (one unit for value, u and
// limit) by its probability of conformance, taking the true value as normally
// distributed about the value (JCGM 106:2012, 7.2 to 7.4).
//
// The guard band multiplier sets how sure a verdict must be: pass needs a
// probability of at least Φ(guard), fail one of at most 1 − Φ(guard), and
// anything between is doubtful. With one bound that is the guard band w =
// guard × u of JCGM 106:2012, 8.3. DefaultGuard asks 95 %; 0 is simple
// acceptance (8.2), under which nothing is doubtful. With u = 0 the value is
// compared as it stands, the bounds belonging to the interval.
//
// It fails on a value, uncertainty, limit or guard that is not usable; the
// Judgement is then doubtful with probability 0.
func Judge(value, u float64, limit Limit, guard float64) (Judgement, error) {
	if err := (Estimate{Value: value, U: u}).Check(); err != nil {
		return Judgement{}, fmt.Errorf("judging against a limit: %w", err)
	}
	if err := limit.Check(); err != nil {
		return Judgement{}, fmt.Errorf("judging value %v: %w", value, err)
	}
	if !(guard >= 0) || math.IsInf(guard, 0) {
		return Judgement{}, fmt.Errorf("judging value %v: guard band multiplier %v: give a finite number, 0 or more", value, guard)
	}
	p := roundProbability(conformance(value, u, limit))
	need := roundProbability(normalCDF(guard))
	switch {
	case p >= need:
		return Judgement{Verdict: Pass, Probability: p}, nil
	case p <= roundProbability(1-need):
		return Judgement{Verdict: Fail, Probability: p}, nil
	}
	return Judgement{Verdict: Doubtful, Probability: p}, nil
}

// conformance returns the probability, 0 to 1, that a true value normally
// distributed about value with standard uncertainty u lies within the limit
// (JCGM 106:2012, 7.3 for one bound, 7.4 for two). It is not rounded; a limit
// without bounds gives 1.
func conformance(value, u float64, limit Limit) float64 {
	if u == 0 {
		if limit.hasLower && value < limit.lower || limit.hasUpper && value > limit.upper {
			return 0
		}
		return 1
	}
	zUpper, zLower := (limit.upper-value)/u, (limit.lower-value)/u
	switch {
	case limit.hasLower && limit.hasUpper:
		// Take both from the smaller tail, or 1 − 1 loses every digit.
		if zLower > 0 {
			return normalCDF(-zLower) - normalCDF(-zUpper)
		}
		return normalCDF(zUpper) - normalCDF(zLower)
	case limit.hasLower:
		return normalCDF(-zLower)
	case limit.hasUpper:
		return normalCDF(zUpper)
	}
	return 1
}

// normalCDF is the standard normal distribution function Φ(z).
func normalCDF(z float64) float64 { return float64(0.5 * math.Erfc(-z/math.Sqrt2)) }

func roundProbability(p float64) float64 { return math.Round(p*1e6) / 1e6 }
