package circuit

import (
	"errors"
	"fmt"
	"strings"
)

// The reasons for which a row is refused; test with errors.Is.
var (
	errNotANumber   = errors.New("is not a finite number")
	errNegative     = errors.New("is negative")
	errOutOfRange   = errors.New("is out of range")
	errUnknownNode  = errors.New("is not a declared node")
	errUnknownRow   = errors.New("names no row")
	errDuplicate    = errors.New("is given twice")
	errEmptyName    = errors.New("is empty")
	errNotToEarth   = errors.New("is an ideal source with no end at earth")
	errShorted      = errors.New("is an ideal source with both ends on one node")
	errConflict     = errors.New("is an ideal source on a node that another one already holds")
	errUnknownPort  = errors.New("is not a port")
	errUnknownGroup = errors.New("is not a group of this plan")
)

// RowError says which row of which table is refused, what in it, and how to
// mend it. It wraps one of the reasons above.
type RowError struct {
	Table string // "impedances", "capacitors", …
	Row   int    // from 0
	Name  string // may be empty
	Field string // the field at fault
	Mend  string // what to do
	Err   error
}

func (e *RowError) Error() string {
	name := ""
	if e.Name != "" {
		name = fmt.Sprintf(" (%q)", e.Name)
	}
	return fmt.Sprintf("circuit: %s row %d%s: %s %v: %s", e.Table, e.Row, name, e.Field, e.Err, e.Mend)
}

func (e *RowError) Unwrap() error { return e.Err }

// FloatingError lists nodes that no admittance joins to earth, so that their
// voltage is undetermined.
type FloatingError struct{ Nodes []string }

func (e *FloatingError) Error() string {
	return "circuit: no path by any admittance to earth from " + strings.Join(e.Nodes, ", ") +
		": give each node a capacitance to earth"
}

// IllConditionedError says that a solution was found but should not be relied
// on, with the evidence.
type IllConditionedError struct{ Report Report }

func (e *IllConditionedError) Error() string {
	return fmt.Sprintf("circuit: ill-conditioned: currents at %s balance to %.1e of their size, pivot at %s keeps %.1e of its terms: look for an inductance in resonance with a capacitance there",
		e.Report.WorstNode, e.Report.Residual, e.Report.WorstPivot, e.Report.PivotLoss)
}
