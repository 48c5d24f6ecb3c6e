package rules

import (
	"fmt"

	"meterwright/measure"
)

// Mark says how well a number is known. Users see it beside the number.
type Mark string

// The marks.
const (
	Published Mark = "S" // published source, named
	Practice  Mark = "P" // common practice in the trade, no single source
	Memory    Mark = "M" // a published value recalled from memory: to be confirmed
)

// Valid reports whether m is one of the three marks.
func (m Mark) Valid() bool { return m == Published || m == Practice || m == Memory }

// Number is one number of the rules with its unit and where it comes from.
type Number struct {
	Value  measure.Decimal `json:"value"`
	Unit   measure.Unit    `json:"unit"`
	Mark   Mark            `json:"mark"`
	Source string          `json:"source"`
	Note   string          `json:"note,omitzero"`
}

// Float returns the value in the number's own unit.
func (n Number) Float() float64 { return n.Value.Float() }

// Reading returns the value with its unit.
func (n Number) Reading() measure.Reading { return measure.Reading{Value: n.Value, Unit: n.Unit} }

// IsZero reports whether the number is absent.
func (n Number) IsZero() bool { return n == Number{} }

// String returns the number beside its source and mark, as a page shows it:
// "0.35 Ω (common practice in the trade [P])".
func (n Number) String() string {
	return fmt.Sprintf("%s (%s [%s])", n.Reading(), n.Source, string(n.Mark))
}

func (n Number) check() error {
	switch {
	case n.Value.IsZero():
		return fmt.Errorf("the number has no value: give its digits as a string, such as \"0.35\"")
	case !n.Unit.Valid():
		return fmt.Errorf("the number has no unit: give one, or \"1\" if it has no dimension")
	}
	return checkOrigin(n.Mark, n.Source)
}

// fits refuses a number that cannot be meant where it stands: see Pack.
func (n Number) fits(unit measure.Unit, is string) error {
	switch sign := n.Value.Sign(); {
	case n.Unit != unit:
		return fmt.Errorf("the unit is %q: it must be %q here", string(n.Unit), string(unit))
	case is == "signed":
	case sign <= 0:
		return fmt.Errorf("the value is %s: it must be greater than nought", n.Value)
	case is != "" && (n.Value.Places() > 0 || n.Value.WholeDigits() > 9):
		return fmt.Errorf("the value is %s: it must be a whole number of at most 9 digits", n.Value)
	}
	return nil
}

// Fact is a statement of the rules that is words or a code, not a quantity,
// with where it comes from.
type Fact struct {
	Value  string `json:"value"`
	Mark   Mark   `json:"mark"`
	Source string `json:"source"`
	Note   string `json:"note,omitzero"`
}

// String returns the words beside their source and mark.
func (f Fact) String() string {
	return fmt.Sprintf("%s (%s [%s])", f.Value, f.Source, string(f.Mark))
}

func (f Fact) check() error {
	if f.Value == "" {
		return fmt.Errorf("the entry has no value: give the words")
	}
	return checkOrigin(f.Mark, f.Source)
}

// Numbers is a row of numbers that share one unit and one source.
type Numbers struct {
	Values []measure.Decimal `json:"values"`
	Unit   measure.Unit      `json:"unit"`
	Mark   Mark              `json:"mark"`
	Source string            `json:"source"`
	Note   string            `json:"note,omitzero"`
}

// Ints returns the values as whole numbers. Load has checked that they are.
func (n Numbers) Ints() []int {
	ints := make([]int, len(n.Values))
	for i, v := range n.Values {
		whole, _ := v.Scaled()
		ints[i] = int(whole)
	}
	return ints
}

func (n Numbers) check() error {
	if len(n.Values) == 0 {
		return fmt.Errorf("the row of numbers is empty: give its values as strings")
	}
	for i, v := range n.Values {
		if v.IsZero() {
			return fmt.Errorf("value %d of the row is empty: give its digits", i+1)
		}
	}
	if !n.Unit.Valid() {
		return fmt.Errorf("the row of numbers has no unit: give one, or \"1\" if it has no dimension")
	}
	return checkOrigin(n.Mark, n.Source)
}

func checkOrigin(m Mark, source string) error {
	switch {
	case !m.Valid():
		return fmt.Errorf("the mark is %q: give S (published), P (practice) or M (from memory)", string(m))
	case source == "":
		return fmt.Errorf("the source is missing: name the publication, or the practice it rests on")
	}
	return nil
}
