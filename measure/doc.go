// Package measure holds a quantity as it was read from an instrument.
//
// The digits stay exactly as they were entered, because digits carry
// resolution: "0.30" ohm was read to a hundredth of an ohm and "0.3" was not.
// A reading has a unit, an instrument has an accuracy, the two together give a
// standard uncertainty (JCGM 100:2008, the GUM, 4.3.7), and a value with an
// uncertainty is judged against a limit by probability of conformance
// (JCGM 106:2012, clauses 7 and 8).
//
// Nothing in this package says that anything is fit to touch: a verdict is
// about one number and one limit.
package measure
