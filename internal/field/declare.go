package field

import "meterwright/visit"

// declarations is what a person can say of the place by one press, in two groups: what alarms, and the decisions that
// lead onto a way back.
type declarations struct {
	// First says that the stop in force has no name yet, so that naming it comes before everything else.
	First        bool
	Alarms, Back []wayOn
}

// declarations are the stops that the method has for a person to declare, as far as one of them would be in force:
// those that end the work before those that can be left.
func (f *casefile) declarations() declarations {
	d := declarations{First: f.Visit.Stop() == visit.Declared}
	var left []wayOn
	for _, id := range f.Visit.Declarable() {
		s := f.method().Stop(id)
		w := wayOn{Words: f.words.Say("field.capital", "words", s.Title), Form: []answer{{Name: "kind", Value: string(visit.KindStopped)}, {Name: "stop", Value: id}}}
		switch {
		case len(s.Sets) > 0:
			d.Back = append(d.Back, w)
		case s.Resume == "":
			d.Alarms = append(d.Alarms, w)
		default:
			left = append(left, w)
		}
	}
	d.Alarms = append(d.Alarms, left...)
	return d
}
