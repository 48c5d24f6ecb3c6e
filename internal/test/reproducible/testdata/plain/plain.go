// Package plain rounds its products, so that no processor may fuse them.
package plain

// Sum rounds first.
func Sum(a, b, c float64) float64 { return float64(a*b) + c }
