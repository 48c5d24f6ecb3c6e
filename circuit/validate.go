package circuit

import (
	"errors"
	"math"
	"slices"
)

// checker gathers every fault of a circuit, so that a person mends a file once. It is at one row of one table.
type checker struct {
	index map[string]int // node name to 1-based declared place; Earth is 0
	errs  []error

	table, name string
	row         int
	names       map[string]bool // the rows of the table up to here
}

// fault is one in the row that the checker is at.
func (k *checker) fault(field, mend string, err error) {
	k.errs = append(k.errs, &RowError{Table: k.table, Row: k.row, Name: k.name, Field: field, Mend: mend, Err: err})
}

// at goes on to a row, whose name no other one of its table has.
func (k *checker) at(table string, row int, name string) {
	if table != k.table {
		k.names = map[string]bool{}
	}
	k.table, k.row, k.name = table, row, name
	if k.names[name] {
		k.fault("Name", "rename one of the two", errDuplicate)
	}
	if name != "" {
		k.names[name] = true
	}
}

func (k *checker) node(field, node string) {
	if _, ok := k.index[node]; !ok {
		k.fault(field+" "+quote(node), "list it in Nodes or correct the name", errUnknownNode)
	}
}

func quote(s string) string { return `"` + s + `"` }

// amount checks one number that must lie in low..high.
func (k *checker) amount(field string, x, low, high float64) {
	if mend, err := amount(x, low, high); err != nil {
		k.fault(field, mend, err)
	}
}

func (k *checker) ohms(rOhm, xOhm float64) {
	if field, mend, err := ohms(rOhm, xOhm); err != nil {
		k.fault(field, mend, err)
	}
}

func (k *checker) group(field string, g int) {
	if g < 0 {
		k.fault(field, "number groups from 0", errNegative)
	}
}

func amount(x, low, high float64) (mend string, err error) {
	if x >= low && x <= high {
		return "", nil // the limits are finite, so x is
	}
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		return "give a finite number", errNotANumber
	case x < 0 && low >= 0:
		return "give a positive number", errNegative
	case x < low:
		return "it is smaller than the solver accepts", errOutOfRange
	}
	return "it is larger than the solver accepts", errOutOfRange
}

func ohms(rOhm, xOhm float64) (field, mend string, err error) {
	if rOhm >= minOhm && rOhm <= maxOhm && xOhm >= 0 && xOhm <= maxOhm {
		return "", "", nil
	}
	if mend, err = amount(rOhm, 0, maxOhm); err != nil {
		return "ROhm", mend, err
	}
	if mend, err = amount(xOhm, 0, maxOhm); err != nil {
		return "XOhm", mend + "; a series capacitance is a capacitor on a node of its own", err
	}
	if rOhm < minOhm && xOhm < minOhm {
		return "ROhm", "use a closed contact for no resistance at all", errOutOfRange
	}
	return "", "", nil
}

// siemens is 1/(R + jX).
func siemens(rOhm, xOhm float64) Phasor { return Phasor{rOhm, xOhm}.inverse() }

func omega(fHz float64) float64 { return fHz * (2 * math.Pi) }

// validate returns the places of the nodes by name, or every fault found.
func (c *Circuit) validate() (map[string]int, error) {
	k := &checker{index: make(map[string]int, len(c.Nodes)+1), table: "circuit"}
	k.index[Earth] = 0
	k.amount("FHz", c.FHz, 0, maxHz)
	if c.FHz == 0 {
		k.fault("FHz", "give the frequency in hertz", errOutOfRange)
	}
	w := omega(c.FHz)
	if !(w > 0) {
		w = 1 // The frequency has been refused.
	}
	for i, n := range c.Nodes {
		k.table, k.row, k.name = "nodes", i, n
		if n == "" {
			k.fault("name", "name the node", errEmptyName)
		} else if _, ok := k.index[n]; ok {
			k.fault("name", "list each node once, and not earth", errDuplicate)
		} else {
			k.index[n] = i + 1
		}
	}
	for i, g := range c.Groups {
		k.table, k.row, k.name = "groups", i, ""
		k.group("group", g)
	}
	for i, r := range c.Impedances {
		k.at("impedances", i, r.Name)
		k.node("A", r.A)
		k.node("B", r.B)
		k.ohms(r.ROhm, r.XOhm)
	}
	for i, r := range c.Capacitors {
		k.at("capacitors", i, r.Name)
		k.node("A", r.A)
		k.node("B", r.B)
		k.amount("CFarad", r.CFarad, minSiemens/w, maxSiemens/w)
	}
	for i, r := range c.VoltageSources {
		k.at("voltage sources", i, r.Name)
		k.node("Plus", r.Plus)
		k.node("Minus", r.Minus)
		k.amount("EReVolt", r.EReVolt, -maxSource, maxSource)
		k.amount("EImVolt", r.EImVolt, -maxSource, maxSource)
		if r.ROhm != 0 || r.XOhm != 0 {
			k.ohms(r.ROhm, r.XOhm)
		}
		k.group("Group", r.Group)
	}
	for i, r := range c.CurrentSources {
		k.at("current sources", i, r.Name)
		k.node("From", r.From)
		k.node("To", r.To)
		k.amount("IReAmp", r.IReAmp, -maxSource, maxSource)
		k.amount("IImAmp", r.IImAmp, -maxSource, maxSource)
		k.group("Group", r.Group)
	}
	for i, r := range c.Contacts {
		k.at("contacts", i, r.Name)
		k.node("A", r.A)
		k.node("B", r.B)
	}
	for i, r := range c.Transformers {
		k.at("current transformers", i, r.Name)
		k.node("From", r.From)
		k.node("To", r.To)
		k.amount("Ratio", r.Ratio, 1/maxRatio, maxRatio)
		if r.Primary == "" || !slices.ContainsFunc(c.Impedances, func(x Impedance) bool { return x.Name == r.Primary }) {
			k.fault("Primary "+quote(r.Primary), "name the impedance whose current drives it", errUnknownRow)
		}
	}
	return k.index, errors.Join(k.errs...)
}
