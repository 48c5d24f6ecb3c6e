package world

import (
	"math"

	"meterwright/instrument"
)

// Difference is one entry that two signatures of a site do not share.
type Difference struct {
	Entry
	Instead instrument.Indication
}

func (d Difference) String() string {
	text := d.State.Name + ": " + string(d.Test.Kind)
	for i, p := range d.Test.Points {
		if i == 0 {
			text += " "
		} else {
			text += "–"
		}
		text += string(p)
	}
	return text + " " + d.Indication.String() + " → " + d.Instead.String()
}

// Against lists in what another signature of the same site differs.
func (sig Signature) Against(other Signature) []Difference {
	var list []Difference
	for i := range min(len(sig), len(other)) {
		if Differ(sig[i].Test.Kind, sig[i].Indication, other[i].Indication) {
			list = append(list, Difference{sig[i], other[i].Indication})
		}
	}
	return list
}

// Largest returns the entry whose number moved most, as a share of what the
// accuracy of its kind allows, for a signature in which nothing differs.
func (sig Signature) Largest(other Signature) (d Difference, share float64) {
	for i := range min(len(sig), len(other)) {
		x, _, ok := sig[i].Indication.Reading()
		y, _, both := other[i].Indication.Reading()
		k := sig[i].Test.Kind
		if !ok || !both || k == MeterDisplay {
			continue
		}
		acc := k.Accuracy()
		if part := math.Abs(x.Float()-y.Float()) / (acc.HalfWidth(x) + acc.HalfWidth(y)); part > share {
			d, share = Difference{sig[i], other[i].Indication}, part
		}
	}
	return d, share
}
