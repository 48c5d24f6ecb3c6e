// Command bits prints one digest over what the model gives for random positions:
// every node voltage, every reading and every touch, bit for bit.
package main

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"os"

	"meterwright/internal/randomworld"
	"meterwright/world"
)

const positions = 60

func main() {
	sum := sha256.New()
	put := func(x float64) {
		var b [8]byte
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(x))
		sum.Write(b[:])
	}
	for seed := range uint64(positions) {
		if err := one(seed, put, func(s string) { sum.Write([]byte(s)) }); err != nil {
			fmt.Fprintf(os.Stderr, "seed %d: %v\n", seed, err)
			os.Exit(1)
		}
	}
	fmt.Printf("%x\n", sum.Sum(nil))
}

func one(seed uint64, put func(float64), text func(string)) error {
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
