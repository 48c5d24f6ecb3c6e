package circuit

import (
	"errors"
	"math"
)

// checker gathers every fault of a circuit, so that a person mends a file once.
type checker struct {
	index map[string]int // node name to 1-based declared place; Earth is 0
	errs  []error
}

func (k *checker) fail(table string, row int, name, field, mend string, err error) {
	k.errs = append(k.errs, &RowError{Table: table, Row: row, Name: name, Field: field, Mend: mend, Err: err})
}

func (k *checker) node(table string, row int, name, field, node string) int {
	i, ok := k.index[node]
	if !ok {
		k.fail(table, row, name, field+" "+quote(node), "list it in Nodes or correct the name", errUnknownNode)
		return 0
	}
	return i
}

func quote(s string) string { return `"` + s + `"` }

// amount checks one number that must lie in low..high.
func (k *checker) amount(table string, row int, name, field string, x, low, high float64) {
	if mend, err := amount(x, low, high); err != nil {
		k.fail(table, row, name, field, mend, err)
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

func (k *checker) unique(table string, names map[string]bool, row int, name string) {
	if name == "" {
		return
	}
	if names[name] {
		k.fail(table, row, name, "Name", "rename one of the two", errDuplicate)
	}
	names[name] = true
}

// validate returns the places of the nodes by name, or every fault found.
func (c *Circuit) validate() (map[string]int, error) {
	k := &checker{index: make(map[string]int, len(c.Nodes)+1)}
	k.index[Earth] = 0
	if mend, err := amount(c.FHz, 0, maxHz); err != nil {
		k.fail("circuit", 0, "", "FHz", mend, err)
	} else if c.FHz == 0 {
		k.fail("circuit", 0, "", "FHz", "give the frequency in hertz", errOutOfRange)
	}
	for i, n := range c.Nodes {
		if n == "" {
			k.fail("nodes", i, n, "name", "name the node", errEmptyName)
		} else if _, ok := k.index[n]; ok {
			k.fail("nodes", i, n, "name", "list each node once, and not earth", errDuplicate)
		} else {
			k.index[n] = i + 1
		}
	}
	for i, g := range c.Groups {
		if g < 0 {
			k.fail("groups", i, "", "group", "number groups from 0", errNegative)
		}
	}
	const imp = "impedances"
	impedances := make(map[string]bool, len(c.Impedances))
	for i := range c.Impedances {
		r := &c.Impedances[i]
		k.unique(imp, impedances, i, r.Name)
		k.node(imp, i, r.Name, "A", r.A)
		k.node(imp, i, r.Name, "B", r.B)
		if field, mend, err := ohms(r.ROhm, r.XOhm); err != nil {
			k.fail(imp, i, r.Name, field, mend, err)
		}
	}
	c.validateOthers(k, impedances)
	return k.index, errors.Join(k.errs...)
}

func (c *Circuit) validateOthers(k *checker, impedances map[string]bool) {
	const capacitors, volts, amps, contacts, cts = "capacitors", "voltage sources", "current sources", "contacts", "current transformers"
	names := make(map[string]bool, len(c.Capacitors))
	for i := range c.Capacitors {
		r := &c.Capacitors[i]
		k.unique(capacitors, names, i, r.Name)
		k.node(capacitors, i, r.Name, "A", r.A)
		k.node(capacitors, i, r.Name, "B", r.B)
		w := omega(c.FHz)
		if !(w > 0) {
			w = 1 // the frequency has been refused already
		}
		k.amount(capacitors, i, r.Name, "CFarad", r.CFarad, minSiemens/w, maxSiemens/w)
	}
	names = map[string]bool{}
	for i := range c.VoltageSources {
		r := &c.VoltageSources[i]
		k.unique(volts, names, i, r.Name)
		k.node(volts, i, r.Name, "Plus", r.Plus)
		k.node(volts, i, r.Name, "Minus", r.Minus)
		k.amount(volts, i, r.Name, "EReVolt", r.EReVolt, -maxSource, maxSource)
		k.amount(volts, i, r.Name, "EImVolt", r.EImVolt, -maxSource, maxSource)
		if r.ROhm != 0 || r.XOhm != 0 {
			if field, mend, err := ohms(r.ROhm, r.XOhm); err != nil {
				k.fail(volts, i, r.Name, field, mend, err)
			}
		}
		if r.Group < 0 {
			k.fail(volts, i, r.Name, "Group", "number groups from 0", errNegative)
		}
	}
	names = map[string]bool{}
	for i := range c.CurrentSources {
		r := &c.CurrentSources[i]
		k.unique(amps, names, i, r.Name)
		k.node(amps, i, r.Name, "From", r.From)
		k.node(amps, i, r.Name, "To", r.To)
		k.amount(amps, i, r.Name, "IReAmp", r.IReAmp, -maxSource, maxSource)
		k.amount(amps, i, r.Name, "IImAmp", r.IImAmp, -maxSource, maxSource)
		if r.Group < 0 {
			k.fail(amps, i, r.Name, "Group", "number groups from 0", errNegative)
		}
	}
	names = map[string]bool{}
	for i := range c.Contacts {
		r := &c.Contacts[i]
		k.unique(contacts, names, i, r.Name)
		k.node(contacts, i, r.Name, "A", r.A)
		k.node(contacts, i, r.Name, "B", r.B)
	}
	names = map[string]bool{}
	for i := range c.Transformers {
		r := &c.Transformers[i]
		k.unique(cts, names, i, r.Name)
		k.node(cts, i, r.Name, "From", r.From)
		k.node(cts, i, r.Name, "To", r.To)
		k.amount(cts, i, r.Name, "Ratio", r.Ratio, 1/maxRatio, maxRatio)
		if r.Primary == "" || !impedances[r.Primary] {
			k.fail(cts, i, r.Name, "Primary "+quote(r.Primary), "name the impedance whose current drives it", errUnknownRow)
		}
	}
}
