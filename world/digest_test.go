package world_test

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"math"
	"testing"

	"meterwright/world"
)

// digest is of every indication, touch and register of sixty random positions. It changes when the model
// does; then it is replaced, on purpose.
const digest = "ad1c191de88166f1e406a940d3e7f9a0bdb409da9aa2d537d0cb786ed12ddddc"

// TestSameBits holds here, and in WebAssembly too (package reproducible).
func TestSameBits(t *testing.T) {
	sum := sha256.New()
	if err := worlds(sum); err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != digest {
		t.Errorf("got %s, want %s", got, digest)
	}
}

// worlds solves sixty random positions.
func worlds(h hash.Hash) error {
	put := func(x float64) {
		var b [8]byte
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(x))
		h.Write(b[:])
	}
	for seed := range uint64(60) {
		if err := hashed(seed, put, func(s string) { h.Write([]byte(s)) }); err != nil {
			return fmt.Errorf("position %d: %w", seed, err)
		}
	}
	return nil
}

func hashed(seed uint64, put func(float64), text func(string)) error {
	setup, err := drawn(seed)
	if err != nil {
		return err
	}
	w, err := world.New(setup)
	if err != nil {
		return err
	}
	for g := range w.Groups() {
		for _, n := range w.Circuit.Nodes {
			v, _ := w.Node(n, g)
			put(v.Re)
			put(v.Im)
		}
	}
	for _, t := range world.Tests(setup.Site) {
		r, err := w.Read(w.Instrument(t.Kind), t.Points...)
		if err != nil {
			return err
		}
		put(r.Open)
		put(r.Shown)
		text(r.Indication.String())
	}
	touch, err := w.Touches()
	if err != nil {
		return err
	}
	for _, t := range touch {
		put(t.Volts)
		put(t.MilliAmps)
	}
	for _, r := range w.Registers() {
		put(r.Watts)
		put(r.Amps)
	}
	return nil
}
