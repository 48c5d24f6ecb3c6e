package visit

import (
	"fmt"
	"slices"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/visit/laws"
)

// shown is one indication of each sort that the engine tells apart at a step.
type shown struct {
	shows instrument.Indication
	reduced
}

// showings lists an indication of every sort that a step can be given: as expected, in doubt, otherwise in every
// way that leads to something of its own, and odd. One as expected stands first.
func showings(s *method.Step) ([]shown, error) {
	o := s.Observe
	model, ok := instrument.Lookup(instrument.Kind(o.With))
	if !ok {
		return nil, fmt.Errorf("%q is no kind of instrument", o.With)
	}
	var list []shown
	add := func(shows instrument.Indication) error {
		x := shown{shows: shows}
		if err := x.judge(s, shows); err != nil {
			return err
		}
		same := func(y shown) bool { return y.result == x.result && y.odd == x.odd && y.cases == x.cases }
		if !slices.ContainsFunc(list, same) {
			list = append(list, x)
		}
		return nil
	}
	for _, class := range slices.Backward(model.Shows) {
		shows := instrument.Show(class)
		if class == instrument.Value {
			if o.Expect == "" {
				continue
			}
			shows = instrument.ShowValue(measure.MustDecimal("0"), model.Unit)
		}
		if err := add(shows); err != nil {
			return nil, err
		}
	}
	if o.Expect == "" {
		values, err := telling(s)
		if err != nil {
			return nil, err
		}
		for _, v := range values {
			if err := add(instrument.ShowValue(v, o.Bounds.Unit)); err != nil {
				return nil, err
			}
		}
	}
	slices.SortStableFunc(list, func(a, b shown) int {
		if (a.result == expected) != (b.result == expected) {
			if a.result == expected {
				return -1
			}
			return 1
		}
		return 0
	})
	return list, nil
}

// touchLimit is the touch-voltage limit in volts, IEC 61140 and BS 7671 [S], as the laws have it: whatever a
// method's rules say.
const touchLimit = 50.0

// fact says what an indication is to the laws: something to rely on, in doubt, odd, or a danger. It goes by what was
// read, and by what the engine makes of it only where no law does.
func (x *shown) fact(f laws.Fact, says laws.Says) laws.Fact {
	f.Odd = x.odd
	v, _, isValue := x.shows.Reading()
	switch {
	case says == laws.Quiet:
		f.Danger = true // Whatever it is, it is not dark.
	case says != laws.Low:
		f.Good, f.Doubt = x.result == expected || x.result == remarked, x.result == doubtful
	case !isValue || v.Float() >= 1.1*touchLimit:
		f.Danger = true
	case v.Float() > 0.9*touchLimit:
		f.Doubt = true
	default:
		f.Good = x.result != unexpected
	}
	return f
}

// telling lists numbers on either side of everything that a reading is compared with, and between.
func telling(s *method.Step) ([]measure.Decimal, error) {
	o := s.Observe
	marks := []float64{0, instrument.Kind(o.With).Most()}
	bounds := []*method.Bounds{o.Bounds, o.Bounds.Credible}
	for i := range s.Otherwise {
		bounds = append(bounds, s.Otherwise[i].Bounds)
	}
	for _, b := range bounds {
		if b == nil {
			continue
		}
		limit, err := boundsLimit(b)
		if err != nil {
			return nil, err
		}
		for _, end := range []func() (float64, bool){limit.Lower, limit.Upper} {
			if v, ok := end(); ok {
				marks = append(marks, v)
			}
		}
	}
	slices.Sort(marks)
	marks = slices.Compact(marks)
	var list []measure.Decimal
	put := func(v float64) error {
		d, err := measure.FromScaled(int64(v*1000), 3)
		list = append(list, d)
		return err
	}
	for i, v := range marks {
		next := 2*v + 1
		if i+1 < len(marks) {
			next = marks[i+1]
		}
		for _, x := range []float64{v, (v + next) / 2} {
			if err := put(x); err != nil {
				return nil, err
			}
		}
	}
	return list, nil
}
