package world

import (
	"fmt"
	"math"

	"meterwright/circuit"
	"meterwright/site"
)

// Touch is what a bare hand would meet at a part, with both feet on the floor.
type Touch struct {
	Part site.PointID
	// Volts is the prospective touch voltage to true earth, before anybody touches.
	Volts float64
	// MilliAmps flows through a person from hand to feet, by the impedance that
	// only one person in twenty falls below.
	MilliAmps float64
	// Reach says that a hand can meet the part in this state of the switches (site.WithinReach).
	Reach bool
}

// bodyRow is one column of a table of IEC 60479-1: the total body impedance hand
// to hand, in ohms, that 5 % and 50 % of people do not exceed.
type bodyRow struct{ volt, low, median float64 }

// bodyTable holds large contact areas in dry conditions, from memory [M] of
// IEC 60479-1, to be confirmed before anybody depends on it.
var bodyTable = []bodyRow{{50, 1375, 2500}, {100, 990, 1725}, {225, 775, 1225}}

// handToFeet is the share of the hand-to-hand impedance between one hand and
// both feet [M] IEC 60479-1.
const handToFeet = 0.8

// BodyOhm returns the impedance in ohms from one hand to both feet at a touch
// voltage, which 5 % of people do not exceed. Between the table's voltages it is
// interpolated, beyond them the nearest value is held. IEC 60479-1 [M].
func BodyOhm(volt float64) float64 {
	return bodyOhm(volt, func(r *bodyRow) float64 { return r.low })
}

func bodyOhm(volt float64, of func(*bodyRow) float64) float64 {
	last := &bodyTable[len(bodyTable)-1]
	z := of(last)
	switch {
	case volt <= bodyTable[0].volt:
		z = of(&bodyTable[0])
	case volt < last.volt:
		for i := 1; i < len(bodyTable); i++ {
			a, b := &bodyTable[i-1], &bodyTable[i]
			if volt <= b.volt {
				part := (volt - a.volt) / (b.volt - a.volt)
				z = of(a) + float64(part*(of(b)-of(a)))
				break
			}
		}
	}
	return float64(z * handToFeet)
}

func bodyCurve(volt float64) circuit.Phasor { return circuit.Phasor{Re: 1 / BodyOhm(volt)} }

// Effect thresholds of a current through the body, 15 Hz to 100 Hz, from memory
// [M] of IEC 60479-1.
const (
	FeltMilliAmp     = 0.5 // felt
	LetGoMilliAmp    = 5   // let-go for everybody
	DangerMilliAmp   = 40  // curve c1, over 3 s
	TouchLimitVolt   = 50  // conventional limit, IEC 61140 and BS 7671 [S]
	openTouchMinVolt = 1e-9
)

// Touches returns what a hand would meet at every part, in the site's order.
func (w *World) Touches() ([]Touch, error) {
	s := w.setup.Site
	floor := len(s.Points)
	var list []Touch
	for i, p := range s.Points {
		if p.ID == site.Reference || p.ID == site.Body {
			continue
		}
		t := Touch{Part: p.ID, Reach: s.WithinReach(w.setup.Switching, p.ID)}
		t.Volts = w.ws.RMS(w.at[i], w.earth())
		if t.Volts > openTouchMinVolt {
			w.pair[0] = circuit.Pair{A: i, B: floor, Curve: bodyCurve}
			if _, err := w.ws.LoadPairs(w.pair[:], w.out); err != nil {
				return nil, fmt.Errorf("world: %w", err)
			}
			sum := 0.0
			for _, v := range w.out {
				sum += float64(v.Re*v.Re) + float64(v.Im*v.Im)
			}
			left := math.Sqrt(sum) // across the body; the rest is across the floor
			t.MilliAmps = 1000 * left / BodyOhm(left)
		}
		list = append(list, t)
	}
	return list, nil
}
