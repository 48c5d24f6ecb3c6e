// Package circuit solves linear circuits at one frequency.
//
// A circuit is a plain list of typed rows ([Circuit]); [Compile] turns the
// rows into a [Plan], which holds everything that depends only on which
// element joins which node; a [Workspace] holds the values of the elements,
// solves, and keeps the results apart from the rows. Solving again with other
// values allocates nothing.
//
// # Units
//
// Voltages are r.m.s. phasors in volts to true earth ([Earth]), currents are
// r.m.s. phasors in amperes, impedances are in ohms, admittances in siemens,
// capacitances in farads, the frequency is in hertz.
//
// # Why star–mesh elimination
//
// A service position is full of nearly floating islands: a conductor that has
// come adrift is joined to the rest by a few picofarads (some gigaohms at
// 50 Hz) while its own joints are fractions of a milliohm. Nodal analysis
// writes the sum of all incident admittances on the diagonal and later
// subtracts the strong ones again; what is left, the leakage that decides
// where the island floats, has lost as many digits as there are decades
// between the joint and the leakage. Here the admittance to earth is kept as
// an element of its own and a node k is removed by the star–mesh
// transformation
//
//	y[i][j] += y[k][i]·y[k][j] / (sum of all admittances that meet at k)
//
// in which the pivot is a sum of incident admittances and nothing is ever
// subtracted, so every number keeps its full relative accuracy. (For real
// matrices this is the method of Grassmann, Taksar and Heyman, Operations
// Research 33 (1985) 1107–1116.) Only an inductance that resonates with a
// capacitance can still cancel; [Workspace.Check] measures that and reports
// it.
//
// Sources are carried through the elimination as currents that belong to a
// branch, not to a node:
//
//	j[a][b] += (y[k][a]·j[k][b] − y[k][b]·j[k][a]) / (the same sum)
//
// For a source with one end at earth that is the usual injected current. For
// a source between two nodes of a floating island it keeps what flows in at
// one end equal to what flows out at the other, which two injected currents,
// each rounded on its own, do not.
//
// The order of elimination is that of minimum degree, ties by the order in
// which the nodes were declared, found once in [Compile]; the ports come last.
//
// # Ports and attachments
//
// The nodes that instruments and people can touch are ports. Everything else
// is reduced to an exact network between the ports.
// [Workspace.LoadPairs] gives the voltage across many pairs, each loaded on
// its own; [Workspace.Attach] puts several things on the ports together.
// Either takes elements whose admittance depends on the voltage across them
// ([Curve]), by an iteration of a fixed number of steps.
//
// # Groups
//
// Sources that do not run in step (a generator, the supply, an instrument's
// own battery) are put in different groups. Each group is solved on its own
// and an indication is the root of the sum of squares ([Workspace.RMS]). With
// sources that do run in step, groups serve superposition.
//
// # Current transformers
//
// A current transformer is driven one way: the circuit is solved without any
// secondary current, the primary currents are taken from that, and the
// secondary currents are added as sources. [Workspace.Check] reports by how
// much they would have changed the primary currents.
//
// # Reproducibility
//
// The same rows give the same bits natively and in WebAssembly, on every
// processor: real and imaginary parts are explicit, each product is rounded
// by a conversion before it enters a sum (which by the Go specification
// forbids a fused multiply-add), the order of all sums is fixed, and of
// package math only the correctly rounded square root is used in solving.
package circuit
