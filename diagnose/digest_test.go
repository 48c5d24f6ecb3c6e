package diagnose

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"math"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// digest is of three visits diagnosed. It changes when the model or the engine
// does; then it is replaced, on purpose.
const digest = "668b34789da7980c10a8677912b966caaff63b2a9b066c023609bc0fad2f60c0"

// TestSameBits holds here, and in WebAssembly too (package reproducible).
func TestSameBits(t *testing.T) {
	sum := sha256.New()
	if err := diagnosis(sum); err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != digest {
		t.Errorf("got %s, want %s", got, digest)
	}
}

// diagnosis has three visits diagnosed: a healthy one, one with a weak joint, and one with
// two departures at once.
func diagnosis(sum hash.Hash) error {
	s, err := site.Expand(site.Spec{Arrangement: site.TNCS, Reference: true})
	if err != nil {
		return err
	}
	e, err := New(s, Stated{})
	if err != nil {
		return err
	}
	for _, ids := range [][]string{{}, {"failing/tail.n"}, {"blown/lamp", "open/socket.e"}} {
		var present []site.Departure
		for _, id := range ids {
			d, err := s.DepartureNamed(id)
			if err != nil {
				return err
			}
			present = append(present, d)
		}
		e.Begin()
		var offered []Candidate
		for epoch, state := range world.States(s)[:2] {
			w, err := world.New(world.Setup{Site: s, Switching: state.Switching, Departures: present})
			if err != nil {
				return err
			}
			for i, t := range world.Tests(s) {
				if i%4 != 0 || t.Kind == world.MeterDisplay || t.Kind == instrument.RCDTester {
					continue
				}
				r, err := w.Read(w.Instrument(t.Kind), t.Points...)
				if err != nil {
					return err
				}
				if err := e.Observe(Observation{Switching: state.Switching, Epoch: epoch, Kind: t.Kind, Points: t.Points, Shows: r.Indication}); err != nil {
					return err
				}
				offered = append(offered, Candidate{Switching: state.Switching, Epoch: epoch, Kind: t.Kind, Points: t.Points})
			}
		}
		x, err := e.Explain(offered[:4]...)
		if err != nil {
			return err
		}
		fmt.Fprint(sum, x)
		for _, st := range e.Standings() {
			if err := binary.Write(sum, binary.LittleEndian, math.Float64bits(st.Nats)); err != nil {
				return err
			}
		}
		next, err := e.Next(offered[:12])
		if err != nil {
			return err
		}
		for _, n := range next {
			fmt.Fprint(sum, n.Kind, n.Points)
			if err := binary.Write(sum, binary.LittleEndian, []uint64{math.Float64bits(n.Nats), math.Float64bits(n.Exposure)}); err != nil {
				return err
			}
		}
	}
	return nil
}
