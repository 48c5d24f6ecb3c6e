// Package field is the visit in the hand: pages on which a person carries out a visit, step by
// step, on a small screen and with gloves on.
//
// Handler is an ordinary net/http handler that needs nothing of a server: the lines of a visit,
// the clock, the keys, the jobs and the words come in from outside. No page and no handler decides
// whether a step is allowed. Every form becomes one body of package visit; what replay.Case.Check
// says of it is what happens.
//
// A form carries the hash of the last line that its page knew. If lines came after it, the form
// was made for an older state: where the very next line says what the form says, it is the same
// form sent twice and is recorded once; otherwise the answer is a page that says where things
// stand, with what was entered. What is timeless (see visit.Kind.Timeless) is recorded all the same.
//
// Each page has a file of its own, with its form beside it.
package field
