// Package lint finds what is wrong with a method, an overlay or a translation beyond
// its form: words that call something safe, a procedure without needs, readings or
// protection, an edition that is taken, fields that no copy would find, and whatever an
// overlay takes away.
//
// A finding is a code with its place; what it says is made where it arises. The laws of
// the trade are proved by a Prover, which whoever has an engine hands in.
package lint

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"meterwright/method"
	"meterwright/site"
)

// Code says what was found.
type Code string

// The codes.
const (
	// EditionTaken: another text is shipped under the id and edition.
	EditionTaken Code = "edition-taken"
	// SaysSafe: a text calls something safe.
	SaysSafe Code = "says-safe"
	// NoNeed, NoReading, NoProtection: no act needs a proof, no step reads an
	// instrument, nothing is worn.
	NoNeed       Code = "no-need"
	NoReading    Code = "no-reading"
	NoProtection Code = "no-protection"
	// NoLimitInTime: a proof would hold for days.
	NoLimitInTime Code = "no-limit-in-time"
	// RoleMissing: nothing has a role that a copy of the report depends on.
	RoleMissing Code = "role-missing"
	// ConsumerUntold: a stop that is a danger, or the distributor's or the consumer's to mend, does not say
	// what the consumer is told, or not what they keep off.
	ConsumerUntold Code = "consumer-untold"
	// TakesAway: an overlay takes something away. It is allowed, and named.
	TakesAway Code = "takes-away"
	// BreaksLaw: a Prover found a way to break a law.
	BreaksLaw Code = "breaks-law"
)

// Finding is one thing found.
type Finding struct {
	Code Code
	// Pointer says where, as an RFC 6901 pointer into the file that was checked.
	Pointer string
	// Problem says what was found, Mend how to mend it.
	Problem, Mend string
	// Away is what is taken away, of TakesAway alone.
	Away *method.Away
}

// Wrong reports whether the finding is a fault. What an overlay takes away is the
// employer's to decide, and is no fault.
func (f Finding) Wrong() bool { return f.Code != TakesAway }

// Prover searches the visits that a resolved method allows for one that breaks a law.
// Its findings have the code BreaksLaw; an error says that it could not search.
type Prover func(*method.Resolved) ([]Finding, error)

// Against is what a file is checked against.
type Against struct {
	// Methods and Overlays are those that come with the program.
	Methods  []*method.Document
	Overlays []*method.Overlay
	Rules    method.Rules
	// Prove may be nil.
	Prove Prover
}

// Method checks a method. The error is a method.Faults or wraps one: the method does not
// resolve for some position that it is for.
func Method(d *method.Document, a Against) ([]Finding, error) {
	var c checker
	for _, own := range a.Methods {
		c.edition(own.ID == d.ID && own.Edition == d.Edition, d, own)
	}
	c.words(d.Vocabulary())
	c.words([]method.Word{{Text: d.Source, Pointer: "/source"}})
	c.procedure(d)
	return c.resolve(d, nil, a)
}

// Overlay checks an overlay of d, and names what it takes away. The error is as Method's.
func Overlay(o *method.Overlay, d *method.Document, a Against) ([]Finding, error) {
	var c, before, after checker
	for _, own := range a.Overlays {
		c.edition(own.ID == o.ID && own.Edition == o.Edition, o, own)
	}
	c.words(o.Vocabulary())
	c.words([]method.Word{{Text: o.Title, Pointer: "/title"}, {Text: o.Why, Pointer: "/why"}})
	result, away, err := o.Apply(d)
	if err != nil {
		return c.list, err
	}
	before.procedure(d)
	after.procedure(result)
	for _, f := range after.list {
		same := func(g Finding) bool { return f.Code == g.Code && f.Problem == g.Problem }
		if !slices.ContainsFunc(before.list, same) {
			f.Pointer = "/changes"
			c.list = append(c.list, f)
		}
	}
	for _, x := range away {
		c.list = append(c.list, Finding{Code: TakesAway, Pointer: changeOf(o, d, x), Problem: "takes away: " + x.String(), Away: &x})
	}
	return c.resolve(d, []*method.Overlay{o}, a)
}

// Translation checks a translation of a method or of an overlay. The error is a method.Faults.
func Translation(t *method.Translation, of interface {
	Check(*method.Translation) error
}) ([]Finding, error) {
	var c checker
	for _, key := range slices.Sorted(maps.Keys(t.Words)) {
		c.words([]method.Word{{Text: t.Words[key], Pointer: string(jsontext.Pointer("/words").AppendToken(key))}})
	}
	return c.list, of.Check(t)
}

// changeOf finds the change of an overlay that takes something away.
func changeOf(o *method.Overlay, d *method.Document, a method.Away) string {
	phase := ""
	for _, s := range d.Steps {
		if s.ID == a.Step {
			phase = s.Phase
		}
	}
	for i, c := range o.Changes {
		at := fmt.Sprintf("/changes/%d", i)
		switch {
		case c.Relax != nil && (slices.Contains(c.Relax.Remove, a.Step) || slices.Contains(c.Relax.Steps, a.Step) || slices.Contains(c.Relax.Steps, "phase:"+phase)):
			return at
		case c.Move != nil && c.Move.Phase == phase && phase != "":
			return at
		case c.Add != nil && slices.ContainsFunc(c.Add.Steps, func(s method.Step) bool { return s.ID == a.Step || s.ID == a.What }):
			return at
		}
	}
	return "/changes"
}

type checker struct{ list []Finding }

func (c *checker) put(code Code, pointer, mend, format string, args ...any) {
	c.list = append(c.list, Finding{Code: code, Pointer: pointer, Problem: fmt.Sprintf(format, args...), Mend: mend})
}

func (c *checker) edition(same bool, given, shipped any) {
	if !same || reflect.DeepEqual(plain(given), plain(shipped)) {
		return
	}
	c.put(EditionTaken, "/edition", "give it an edition of its own, or another name", "another text comes with the program under this name and edition")
}

// plain returns a document as what it encodes to, so that nothing and an empty list are one.
func plain(v any) any {
	var out any
	b, err := json.Marshal(v, json.OmitZeroStructFields(true), json.Deterministic(true))
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		return err
	}
	return out
}

// safe lists words that call a thing safe, in the languages that methods have been
// written in or are likely to be; each is looked for in every text. From memory [M].
var safe = strings.Fields(`safe safely safer safest harmless risk-free danger-free
	diogel ddiogel niogel sábháilte
	sicher gefahrlos ungefährlich veilig ongevaarlijk
	sûr sûre sûrs sûres sûrement inoffensif inoffensive seguro segura seguros seguras sicuro sicura sicuri sicure
	bezpieczny bezpieczna bezpieczne bezpiecznie säker säkert sikker sikkert`)

func (c *checker) words(list []method.Word) {
	for _, w := range list {
		parts := strings.FieldsFunc(strings.ToLower(w.Text), func(r rune) bool { return strings.ContainsRune(" .,;:!?()[]{}\"'’/\n", r) })
		for _, p := range parts {
			if slices.Contains(safe, p) {
				c.put(SaysSafe, w.Pointer, "say what was found, at which points, with which proved instrument, when", "%q calls something safe", p)
				break
			}
		}
	}
}

// leaves lists, for each act, the roles of the fields in which it is set down.
var leaves = []struct {
	act   site.ActID
	roles []method.FieldRole
}{
	{"break-seals", []method.FieldRole{method.OldSeals}},
	{"withdraw-carrier", []method.FieldRole{method.Dependants, method.OffTime, method.FuseType, method.FuseRating, method.Told, method.AdviceGiven}},
	{"take-meter-off", []method.FieldRole{method.OldMeter, method.FinalRegister}},
	{"put-meter-on", []method.FieldRole{method.NewMeter, method.OpeningRegister, method.LoadPulses, method.LoadSeconds, method.LoadConstant}},
	{"restore-links", []method.FieldRole{method.TransformerRatio, method.Multiplier, method.Unmetered, method.Torque}},
	{"connect-tails", []method.FieldRole{method.Torque}},
	{"refit-carrier", []method.FieldRole{method.OnTime, method.FaultCurrent}},
	{"fit-seals", []method.FieldRole{method.NewSeals}},
}

// procedure checks what a method must have whatever it is for.
func (c *checker) procedure(d *method.Document) {
	var needs, reads, worn bool
	fields := map[method.FieldRole]bool{}
	steps := map[method.StepRole]bool{}
	for _, s := range d.Steps {
		needs = needs || s.Act != "" && len(s.Needs) > 0
		reads = reads || s.Observe != nil
		worn = worn || len(s.Protect) > 0
		steps[s.Role] = true
		if s.Record != nil {
			for _, f := range s.Record.Fields {
				fields[f.Role] = true
			}
		}
	}
	if !needs {
		c.put(NoNeed, "/steps", "say under needs which proofs each act rests on", "no act needs a proof")
	}
	if !reads {
		c.put(NoReading, "/steps", "add the tests", "no step reads an instrument")
	}
	if !worn {
		c.put(NoProtection, "/steps", "say under protect what is worn", "no step asks for protection")
	}
	for i, p := range d.Proofs {
		if p.Lasts == 0 {
			c.put(NoLimitInTime, fmt.Sprintf("/proofs/%d", i), "give lasts_minutes", "the proof %s has no limit in time", p.ID)
		}
	}
	for i, s := range d.Stops {
		at, danger := fmt.Sprintf("/stops/%d", i), s.Category == "A"
		switch theirs := s.Owner == site.Distributor || s.Owner == site.Consumer; {
		case s.Restricted:
		case (theirs || danger) && s.Consumer == "":
			c.put(ConsumerUntold, at, "say under consumer what was found, in their words", "nothing says what the consumer is told of the stop %s", s.ID)
		case danger && len(s.KeepOff) == 0:
			c.put(ConsumerUntold, at, "list it under keep_off", "the stop %s is a danger, and nothing says what the consumer keeps off", s.ID)
		}
	}
	for _, l := range leaves {
		i := slices.IndexFunc(d.Steps, func(s method.Step) bool { return s.Act == string(l.act) })
		if i < 0 {
			continue
		}
		for _, role := range l.roles {
			if !fields[role] {
				c.put(RoleMissing, fmt.Sprintf("/steps/%d/act", i), "give the field for it role: "+string(role), "%s is done, and no field has the role %s", l.act, role)
			}
		}
		if l.act == "withdraw-carrier" {
			for _, role := range method.StepRoles() {
				if !steps[role] {
					c.put(RoleMissing, "/steps", "give the question for it role: "+string(role), "no step has the role %s", role)
				}
			}
			if !slices.ContainsFunc(d.Phases, func(p method.Phase) bool { return p.Role == method.LookPhase }) {
				c.put(RoleMissing, "/phases", "give the phase for it role: look", "no phase has the role look")
			}
		}
	}
}

// resolve resolves for each arrangement, plain and with everything that a job can claim,
// and has the laws proved on each.
func (c *checker) resolve(d *method.Document, overlays []*method.Overlay, a Against) ([]Finding, error) {
	for _, arrangement := range site.Arrangements() {
		for _, more := range []bool{false, true} {
			j := method.Job{Site: site.Spec{Arrangement: arrangement, Phases: d.For.Phases, Metering: site.Metering(d.For.Metering), Rates: 1,
				Export: more, Isolator: more, Switched: more && d.For.Phases == 1, NoSocket: more, Reference: more}}
			if more {
				j.Site.Rates, j.Site.Sources = 2, []site.Source{site.Inverter}
			}
			r, err := method.Resolve(d, overlays, j, a.Rules)
			if err != nil {
				return c.list, err
			}
			if a.Prove == nil {
				continue
			}
			found, err := a.Prove(r)
			if err != nil {
				return c.list, fmt.Errorf("the laws could not be proved for %s: %w", arrangement, err)
			}
			for _, f := range found {
				if !slices.ContainsFunc(c.list, func(g Finding) bool { return f.Code == g.Code && f.Pointer == g.Pointer && f.Problem == g.Problem }) {
					c.list = append(c.list, f)
				}
			}
		}
	}
	return c.list, nil
}
