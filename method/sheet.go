package method

import (
	"fmt"
	"slices"
)

// MaxRows is the most rows that a sheet may have: a visit keeps the answered ones as bits.
const MaxRows = 16

// Sheet is a row of consecutive steps that need no order among themselves, by their first and last index.
type Sheet struct{ First, Last int }

// sheetsOf lists the sheets in order: consecutive steps of one phase with one name.
func sheetsOf(steps []Step) []Sheet {
	var list []Sheet
	for i := range steps {
		s := &steps[i]
		switch {
		case s.Sheet == "":
		case i > 0 && steps[i-1].Sheet == s.Sheet && steps[i-1].Phase == s.Phase:
			list[len(list)-1].Last = i
		default:
			list = append(list, Sheet{i, i})
		}
	}
	return list
}

// Sheets lists the sheets in order. The error is a Faults.
func (r *Resolved) Sheets() ([]Sheet, error) {
	return sheetsOf(r.Steps), checkSheets(r.Steps).orNil()
}

// checkSheets finds what cannot stand in a sheet: whatever needs an order.
func checkSheets(steps []Step) Faults {
	var v faultList
	met := map[string]bool{}
	for _, sheet := range sheetsOf(steps) {
		rows := steps[sheet.First : sheet.Last+1]
		at := func(i int) string { return fmt.Sprintf("/steps/%d", sheet.First+i) }
		name := rows[0].Sheet
		if !validID(name) {
			v.add(at(0)+"/sheet", "use lower-case letters, digits and hyphens", "%q is no name", name)
		}
		if met[name] {
			v.add(at(0)+"/sheet", "bring its steps together, in one phase, or give these another sheet", "the sheet %q stands in another place already", name)
		}
		met[name] = true
		if len(rows) > MaxRows {
			v.add(at(MaxRows)+"/sheet", fmt.Sprintf("keep it to %d", MaxRows), "the sheet %q has %d rows", name, len(rows))
		}
		for i := range rows {
			s := &rows[i]
			if !slices.Contains([]string{"take_up", "check", "inspect", "decide", "record"}, s.Does()) {
				v.add(at(i)+"/sheet", "take it out of the sheet: rows take up, check, inspect, decide or record", "what the step does has its place in an order")
			}
			if len(s.Supports) > 0 {
				v.add(at(i)+"/supports", "take it out of the sheet", "a proof is a run in order, and the rows of a sheet have none")
			}
			rests := func(where string, when map[string][]string) {
				for _, f := range sortedKeys(when) {
					if slices.ContainsFunc(rows, func(r Step) bool { return r.Decide != nil && r.Decide.Fact == f }) {
						v.add(where+"/when/"+escape(f), "take one of the two out of the sheet", "%q is decided in the same sheet, which has no order", f)
					}
				}
			}
			rests(at(i), s.When)
			for j := range s.Otherwise {
				rests(fmt.Sprintf("%s/otherwise/%d", at(i), j), s.Otherwise[j].When)
			}
		}
	}
	return v.list
}
