// Package fused is here to be caught: a processor may fuse its sums.
package fused

// Sum may become one fused instruction.
func Sum(a, b, c float64) float64 { return a*b + c }

// Difference may become another.
func Difference(a, b, c float64) float64 { return c - a*b }

// Single precision counts too.
func Single(a, b, c float32) float32 { return a*b - c }
