// Package script carries out a visit that is written down: a list of what was done, seen and
// decided, one short entry each, put through the engine and kept in a signed record.
//
// A script is one YAML file. Its head says when the visit began and gives the everyday values
// that are not worth an entry; its entries say what happened:
//
//	script: detector-fails-second-proving
//	title: The detector fails its second proving after the dead test
//	fictional: true
//	date: 2026-11-24
//	begin: "09:00"
//	pace: 15s
//	device: van-7
//	seed: northmere-9
//	usual:
//	  declared-voltage: 238.1 V
//	  final-import: "04127"
//	entries:
//	  - go-on: dead-prove-again
//	  - proved: two-pole-detector on proving-unit shows dark
//	    at: "09:41"
//	  - took-off: [gloves, visor]
//	  - ended: {outcome: abandoned, left: the carrier is out}
//
// An entry has one key that names the kind of event, with its body, as package visit
// describes it, or a short form of it:
//
//	took-up: KIND, or KIND ID           an instrument of the job's kit
//	checked: ITEM sound, or ITEM failed
//	put-on: ITEM, or a list             took-off likewise
//	proved: KIND on SOURCE shows WHAT
//	observed: WHAT, or STEP shows WHAT
//	inspected: ANSWER                   at the step in turn
//	decided: VALUE                      at the step in turn
//	recorded: {FIELD: VALUE, …}         at the step in turn
//	acted: ACT
//	left-out: {how, why}                at the step in turn
//	returned: STEP, or {step, why}
//	stopped, resumed, noted, supplement: words
//	answered: follow                    the advice given last; or {answer: set-aside, why: …}
//	reported: {to, name, reference, words}; defect, dependant and ended likewise in full
//
// and these that are no events of their own:
//
//	go-on: STEP   answers every step up to STEP, which it leaves, as the method expects it,
//	              with the job's kit and the usual values; go-on alone goes to the last step
//	away, back    the person leaves the service position, and is there again
//	restart       the device restarts, so that nobody knows how much time passed
//	correct       {step: STEP, now: …, why: …} takes back the last answer given at a step,
//	              or {of: LABEL, …} the entry that carries as: LABEL
//	hand-over     {person, device}: another person goes on with another device
//
// Beside it an entry may carry at (a time of day, or +2m after the entry before), happened (a
// time of day, for what is entered afterwards), and as (a label). Times never go back.
//
// What the engine refuses is kept in the record as refused, and the script goes on with the
// next entry, as a person would.
package script
