package world

import (
	"fmt"
	"math"

	"meterwright/instrument"
	"meterwright/site"
)

// Entry is one row of a signature: a reading in a state of the switches.
type Entry struct {
	State State
	Test  Test
	// Row is the place of the test in Tests, or -1 for what the meter registers.
	Row        int
	Indication instrument.Indication
}

// Signature is every reading of Tests in every state of States, in that order,
// with what the meter registers after each state.
type Signature []Entry

// MeterDisplay is the kind under which a signature holds what the meter
// registers. It is no instrument of a visit.
const MeterDisplay instrument.Kind = "meter-display"

// Sign makes the signature of a position with departures.
func Sign(s *site.Site, v *site.Values, present ...site.Departure) (Signature, error) {
	tests := Tests(s)
	var list Signature
	for _, state := range States(s) {
		w, err := New(Setup{Site: s, Values: v, Switching: state.Switching, Departures: present})
		if err != nil {
			return nil, err
		}
		for i, t := range tests {
			r, err := w.Read(w.Instrument(t.Kind), t.Points...)
			if err != nil {
				return nil, fmt.Errorf("world: %s: %w", state.Name, err)
			}
			list = append(list, Entry{state, t, i, r.Indication})
		}
		for _, r := range w.Registers() {
			// Below zero it counts backwards; adding zero makes a negative nought plain.
			shown, err := instrument.ParseIndication(fmt.Sprintf("%.0f W", math.Round(r.Watts)+0))
			if err != nil {
				return nil, fmt.Errorf("world: %s: %w", state.Name, err)
			}
			list = append(list, Entry{state, Test{MeterDisplay, []site.PointID{site.PointID("meter." + r.Line)}}, -1, shown})
		}
	}
	return list, nil
}

// Differ reports whether two indications of one kind differ by more than the
// kind's accuracy allows both of them, or in class.
func Differ(k instrument.Kind, a, b instrument.Indication) bool {
	if a.Shows() != b.Shows() || a.Detail() != b.Detail() {
		return true
	}
	x, _, isValue := a.Reading()
	y, _, _ := b.Reading()
	if !isValue {
		return false
	}
	if k == MeterDisplay {
		// A load check finds a tenth, or 20 W [P].
		return math.Abs(x.Float()-y.Float()) > max(20, float64(0.1*max(math.Abs(x.Float()), math.Abs(y.Float()))))
	}
	acc := k.Accuracy()
	return math.Abs(x.Float()-y.Float()) > acc.HalfWidth(x)+acc.HalfWidth(y)
}
