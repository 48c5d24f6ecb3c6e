package main

import (
	"encoding/binary"
	"fmt"
	"hash"
	"math"

	"meterwright/internal/test/randomworld"
	"meterwright/world"
)

// worlds solves sixty random positions.
func worlds(h hash.Hash) error {
	put := func(x float64) {
		var b [8]byte
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(x))
		h.Write(b[:])
	}
	for seed := range uint64(60) {
		if err := position(seed, put, func(s string) { h.Write([]byte(s)) }); err != nil {
			return fmt.Errorf("position %d: %w", seed, err)
		}
	}
	return nil
}

func position(seed uint64, put func(float64), text func(string)) error {
	setup, err := randomworld.Draw(seed)
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
